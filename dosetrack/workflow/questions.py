"""What must be asked before an entry is recorded: the numbers do not fit what is already known."""

from __future__ import annotations

from datetime import datetime, timedelta

from dosetrack.cases import Case
from dosetrack.entry import Question, check_reading, duplicate_question
from dosetrack.kidney import KidneyAssessment, limit_loosened
from dosetrack.ledger import LedgerReader
from dosetrack.records.entries import ConsoleReading, Injection, Payload
from dosetrack.workflow.feed_index import IS_OF_A_FEED
from dosetrack.workflow.projector import extras_of

_SENT_AND_ENTERED = timedelta(minutes=1)
"""Within this time the same volume, sent by a machine and entered by a person, may be one injection."""


def questions_about(
    reader: LedgerReader, case: Case, payload: Payload, *, at: datetime
) -> tuple[Question, ...]:
    """What a person should answer before `payload`, which happened `at`, counts."""
    if isinstance(payload, ConsoleReading):
        previous = [s.value for s in case.readings if s.at <= at]
        last = last_reading_in_room(reader, case, plane=payload.plane)
        return check_reading(previous, payload, last_in_room=last)
    if isinstance(payload, Injection):
        earlier = [(s.at, s.value) for s in case.injections]
        question = duplicate_question(earlier, payload, at=at) or _sent_already(case, payload, at=at)
        return (question,) if question else ()
    return ()


def _sent_already(case: Case, new: Injection, *, at: datetime) -> Question | None:
    """The question whether a machine sent this injection before a person entered it."""
    for stamped in case.injections:
        is_alike = (stamped.value.volume_ml, stamped.value.agent) == (new.volume_ml, new.agent)
        if IS_OF_A_FEED in stamped.entry_id and is_alike and abs(at - stamped.at) <= _SENT_AND_ENTERED:
            told = f"{new.volume_ml:g} mL was sent by {stamped.by.name} at nearly this time"
            return Question("duplicate", "injection", f"{told}: the same injection?")
    return None


def loosened_question(before: KidneyAssessment, after: KidneyAssessment) -> Question | None:
    """The question that a higher leading limit raises; None when it did not rise.

    A limit that became unknown is no rise: the headline says so, and nothing is permitted by it.
    """
    if after.leading_limit_ml is None:
        return None
    found = limit_loosened(before, after)
    return Question("change", "contrast limit", f"{found.text} Record it?") if found else None


def last_reading_in_room(reader: LedgerReader, case: Case, *, plane: str) -> ConsoleReading | None:
    """The last console reading of the case before this one in the same room, on the same plane."""
    if case.room is None or case.started_instant is None:
        return None
    before = case.started_instant.isoformat()
    rows = [
        row
        for row in reader.case_totals(to_day=case.started_at[:10] if case.started_at else None)
        if row.room == case.room and row.id != case.id and (row.started_instant or "") < before
    ]
    newest = max(rows, key=lambda row: row.started_instant or "", default=None)
    if newest is None or not extras_of(newest).readings:
        return None
    payloads = [entry.payload for entry in reader.entries(case=newest.id, kinds=["console-reading"])]
    readings = [p for p in payloads if isinstance(p, ConsoleReading) and p.plane == plane]
    return readings[-1] if readings else None
