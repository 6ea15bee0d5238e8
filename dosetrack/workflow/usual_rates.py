"""The usual dose rate of comparable cases: the same procedure in the same room, ended before.

The rows of the ledger are gone through once for each running case: what comes in of the past while it
runs does not move its forecast.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from dosetrack.cases import Case
from dosetrack.ledger import LedgerReader
from dosetrack.radiation import UsualRate, usual_rate
from dosetrack.workflow.last_used import LastUsed
from dosetrack.workflow.projector import extras_of

_HELD = 64


@dataclass(frozen=True, slots=True)
class _Found:
    rate: UsualRate | None


def usual_rate_before(reader: LedgerReader, case: Case) -> UsualRate | None:
    """The usual rate of the cases that started before `case`; None where too few are known."""
    if case.procedure is None or case.room is None or case.started_instant is None:
        return None
    key = (case.id, case.procedure, case.room, case.started_instant)
    found = _RATES.get(key)
    if found is None:
        found = _Found(_worked_out(reader, case, before=case.started_instant))
        _RATES.remember(key, found)
    return found.rate


def _worked_out(reader: LedgerReader, case: Case, *, before: datetime) -> UsualRate | None:
    rows = reader.case_totals(state=("ended", "closed"))
    rates = [
        rate
        for row in rows
        if (row.procedure, row.room) == (case.procedure, case.room)
        and row.id != case.id
        and row.started_instant is not None
        and datetime.fromisoformat(row.started_instant) < before
        and (rate := extras_of(row).kerma_per_fluoroscopy_minute_mgy) is not None
    ]
    return usual_rate(rates)


_RATES: LastUsed[tuple[str, str, str, datetime], _Found] = LastUsed(_HELD)
