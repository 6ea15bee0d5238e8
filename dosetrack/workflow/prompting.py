"""Raising the prompts that are due in a running case."""

from __future__ import annotations

import uuid
from datetime import datetime

from dosetrack.alerts import Prompt, raise_prompts, to_payload
from dosetrack.cases import Case
from dosetrack.ledger import Transaction
from dosetrack.records.entries import NewEntry
from dosetrack.records.people import Actor
from dosetrack.settings import Settings
from dosetrack.version import VERSION
from dosetrack.workflow.prompts import prompts_of
from dosetrack.workflow.views import compute


def raise_due_prompts(
    tx: Transaction, case: Case, settings: Settings, *, now: datetime, actor: Actor
) -> tuple[Prompt, ...]:
    """Record one prompt per lane for what the last change reached; the new prompts.

    A level that was prompted before in this case is never prompted again.
    """
    reached = compute(tx, case, settings, as_of=now).levels
    fresh = raise_prompts(reached, prompts_of(case), now=now, make_id=lambda: str(uuid.uuid4()))
    for prompt in fresh:
        payload = to_payload(prompt, settings_seq=settings.seq, software_version=VERSION)
        tx.append(NewEntry(payload=payload, actor=actor, happened_at=now, case=case.id))
    return fresh
