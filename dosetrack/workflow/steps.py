"""What a performed procedure step does to a running case: its end ends the case, a new one goes on with it.

Only a step of the case's own room counts. The room of a machine is told by the setting
`site.rooms`, else it is the machine's own name, as everywhere.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from dosetrack.cases import Case, CaseState, room_of_equipment, standing
from dosetrack.findings import FindingCode
from dosetrack.ledger import Transaction
from dosetrack.records.entries import CaseEnded, Entry, NewEntry, Withdrawn
from dosetrack.records.people import Actor
from dosetrack.records.report import DoseReport
from dosetrack.settings import Settings
from dosetrack.times import instant_of, zone_named

_HOW = "mpps"
_SOURCE = "mpps"


def follow_step(
    tx: Transaction, case: Case, report: DoseReport, *, settings: Settings, actor: Actor, at: datetime
) -> bool:
    """Append what `report`, just taken into `case`, changes of the case's state; whether it did.

    COMPLETED or DISCONTINUED ends a running case, unless another step of it is still in progress. A
    new step in progress takes back an end that a step had brought.
    """
    if report.source != _SOURCE or not _is_of_room(case, report, settings):
        return False
    ending = _ended_by_step(case)
    if _has_ended(report) and case.state is CaseState.RUNNING:
        if _in_progress(case):
            return False
        tx.append(
            NewEntry(
                payload=CaseEnded(how=_HOW),
                actor=actor,
                happened_at=_moment(report, case, settings, at=at),
                case=case.id,
            )
        )
        return True
    if ending is not None and _uid(report) in _in_progress(case):
        tx.append(
            NewEntry(
                payload=Withdrawn(),
                actor=actor,
                happened_at=at,
                case=case.id,
                reason="another procedure step of this case began",
                replaces=ending.id,
            )
        )
        return True
    return False


def _has_ended(report: DoseReport) -> bool:
    so_far = FindingCode.SCOPE_SO_FAR
    return report.report.completion is not None and all(
        found.code != so_far.code for found in report.findings
    )


def _in_progress(case: Case) -> set[str]:
    """The steps of the case that were begun and whose end was not told."""
    steps = [report for report in case.reports if report.source == _SOURCE]
    return {_uid(step) for step in steps} - {_uid(step) for step in steps if _has_ended(step)}


def _uid(report: DoseReport) -> str:
    return report.report.sop_instance_uid or ""


def _is_of_room(case: Case, report: DoseReport, settings: Settings) -> bool:
    """An end (N-SET) names no machine: the messages of the same step in the case do."""
    same_step = [held for held in case.reports if _uid(held) and _uid(held) == _uid(report)]
    machines = (held.equipment for held in (report, *same_step))
    room = room_of_equipment(machines, settings.pairs("site.rooms"))
    return room is not None and room == case.room


def _moment(report: DoseReport, case: Case, settings: Settings, *, at: datetime) -> datetime:
    """When the machine says the step ended, where that lies between the case's start and now."""
    text = report.procedure.ended_at
    found = instant_of(text, zone_named(settings.text("site.time_zone"))) if text else None
    if found is None or found.utc > at or (case.started_instant and found.utc < case.started_instant):
        return at
    return found.utc


def _ended_by_step(case: Case) -> Entry | None:
    if case.state is not CaseState.ENDED:
        return None
    ends: Iterable[Entry] = (e for e in standing(case.entries) if isinstance(e.payload, CaseEnded))
    last = max(ends, key=lambda entry: (entry.happened_at, entry.seq), default=None)
    is_by_step = last is not None and isinstance(last.payload, CaseEnded) and last.payload.how == _HOW
    return last if is_by_step else None
