"""Making the projections again from the entries, and proving that they come out the same."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from dosetrack.ledger.ledger import Ledger
from dosetrack.ledger.query import LedgerReader
from dosetrack.ledger.transaction import Transaction


class Projector(Protocol):
    """Works out the projections of one case from its entries and originals, nothing else."""

    version: int

    def project_case(self, tx: Transaction, case_id: str) -> None:
        """Put the reports, events and row of `case_id`; its projections were cleared before."""


def rebuild(
    ledger: Ledger, projector: Projector, *, progress: Callable[[int, int], None] | None = None
) -> int:
    """The number of cases projected again; records the projector's version.

    A few cases per transaction, so that rooms go on recording meanwhile. `progress` is told
    (done, all).
    """
    raise NotImplementedError


def projection_digest(reader: LedgerReader) -> str:
    """SHA-256 over every row of every projection, in a fixed order: equal means the same."""
    raise NotImplementedError
