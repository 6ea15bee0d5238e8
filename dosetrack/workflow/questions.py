"""What must be asked before an entry is recorded."""

from __future__ import annotations

from dosetrack.cases import Case
from dosetrack.ledger import Transaction
from dosetrack.records.entries import Payload
from dosetrack.settings import Settings


def questions_about(tx: Transaction, case: Case, payload: Payload, *, settings: Settings) -> tuple[str, ...]:
    return ()
