"""The patient's earlier cases on the skin of a case: which of them, their common map, and keeping it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from dosetrack.cases import Case
from dosetrack.errors import InputError
from dosetrack.ledger import CaseTotalRow, LedgerReader
from dosetrack.settings import Settings
from dosetrack.workflow.projector import CaseProjector, extras_of
from dosetrack.workflow.results import AccumulatedSkin, SameSite, SkinResult
from dosetrack.workflow.skin_jobs import SkinJob, job_of, worked_out

_COUNTED = ("ended", "closed", "running")


@dataclass(frozen=True, slots=True)
class SkinWindow:
    """Ids of earlier cases, oldest first.

    added : inside the look-back window, whose dose is taken as added to the present one
    long : the same for the window of the dated 15 Gy rule; empty where that is off
    old : before the window, with a dose that may have lowered the skin's tolerance
    """

    case: Case
    added: tuple[str, ...]
    long: tuple[str, ...] = ()
    old: tuple[str, ...] = ()

    @property
    def every(self) -> tuple[str, ...]:
        """All of them once."""
        return tuple(dict.fromkeys((*self.old, *self.long, *self.added)))


def earlier_rows(reader: LedgerReader, case: Case, settings: Settings) -> tuple[CaseTotalRow, ...]:
    """Every earlier case of the patient whose day is known, oldest first."""
    del settings
    patient, start = case.patient, case.started_instant
    if patient.id is None or start is None:
        return ()
    rows = reader.cases_of_patient(patient_id=patient.id, patient_issuer=patient.id_issuer)
    return tuple(
        row
        for row in rows
        if row.id != case.id
        and row.day
        and row.started_instant
        and row.state in _COUNTED
        and (datetime.fromisoformat(row.started_instant), row.id) < (start, case.id)
    )


def window_of(reader: LedgerReader, case: Case, settings: Settings) -> SkinWindow:
    """The earlier cases that may lie on the skin of `case`."""
    rows, start = earlier_rows(reader, case, settings), case.started_instant
    if start is None:
        return SkinWindow(case, ())
    level = settings.number("follow_up.earlier_site_mgy")
    added = _since(rows, start, settings.number("radiation.lookback_days"))
    is_long = settings.flag("follow_up.joint_commission_15_gy")
    long = _since(rows, start, settings.number("follow_up.joint_commission_window_days")) if is_long else ()
    old = tuple(
        row.id for row in rows if row.id not in added and (extras_of(row).skin_high_mgy or 0.0) >= level
    )
    return SkinWindow(case, added, long, old)


def _since(rows: Sequence[CaseTotalRow], start: datetime, days: float) -> tuple[str, ...]:
    first = (start - timedelta(days=days)).isoformat()
    return tuple(row.id for row in rows if (row.started_instant or "") >= first)


def window_key(case_id: str) -> str:
    """The name under which the map over the window is kept."""
    return f"{case_id}+earlier"


def window_digest(reader: LedgerReader, window: SkinWindow) -> str | None:
    """A digest of all that goes into the common map; None where there can be none."""
    try:
        jobs = _jobs(reader, (*window.every, window.case.id))
    except InputError:  # table axes of a room that contradict each other
        return None
    told = [*(job.made_from for job in jobs), "added", *window.added, "long", *window.long]
    return hashlib.sha256("\n".join(told).encode()).hexdigest()


def accumulated(reader: LedgerReader, window: SkinWindow) -> AccumulatedSkin | None:
    """The common map of the window worked out now; None where there are no earlier cases or no map."""
    if not window.every:
        return None
    try:
        jobs = {job.case_id: job for job in _jobs(reader, (*window.every, window.case.id))}
    except InputError:
        return None
    present = jobs[window.case.id]
    same_site = [
        SameSite(share.case_id, share.under_last_mgy)
        for share in _shares([*(jobs[one] for one in window.every), present])
        if share.case_id != window.case.id and share.under_last_mgy > 0
    ]
    long = _result([*(jobs[one] for one in window.long), present]) if window.long else None
    return AccumulatedSkin(
        case_id=window.case.id,
        result=_result([*(jobs[one] for one in window.added), present]),
        cases=window.added,
        same_site=tuple(same_site),
        long_result=long,
    )


def _jobs(reader: LedgerReader, case_ids: Sequence[str]) -> list[SkinJob]:
    projector = CaseProjector()
    return [job_of(reader, projector.case(reader, one)[0]) for one in case_ids]


def _shares(jobs: Sequence[SkinJob]):  # type: ignore[no-untyped-def]
    found, _ = worked_out(jobs, detail="peak")
    return found.shares if found else ()


def _result(jobs: Sequence[SkinJob]) -> SkinResult:
    found, reason = worked_out(jobs, detail="peak")
    skin = found.map if found else None
    return SkinResult(
        case_id=jobs[-1].case_id,
        peak_mgy=skin.peak_mgy if skin else None,
        low_mgy=skin.low_mgy if skin else None,
        high_mgy=skin.high_mgy if skin else None,
        site=skin.peak_site if skin else None,
        mapped_fraction=skin.mapped_fraction if skin else None,
        surface=skin.surface.kind if skin else None,
        reason=reason,
    )
