"""Deciding the follow-up of ended cases, in the transaction that changed them.

Before a transaction ends, every case it touched is decided again, and the later cases of the same
patient that look back on it. A decision is recorded only where it says something else than the
last one of its kind.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from math import isclose

from dosetrack.cases import Case, CaseState, standing
from dosetrack.followup import decide_kidney, decide_skin
from dosetrack.followup.items import KIDNEY, SKIN
from dosetrack.followup.worklist import asks, asks_for_more
from dosetrack.ledger import CaseTotalRow, Transaction
from dosetrack.records.entries import CaseOpened, Entry, NewEntry, PatientChanged, ReportMoved, Withdrawn
from dosetrack.records.follow_up import (
    ContactTried,
    FollowUpAssigned,
    FollowUpClosed,
    FollowUpDecided,
    FollowUpReason,
    FollowUpReopened,
    PatientContact,
    SkinDoseEstimated,
    SkinExamined,
)
from dosetrack.records.people import Actor
from dosetrack.records.report import Patient
from dosetrack.settings import Settings
from dosetrack.tables import edition
from dosetrack.workflow.follow_up_case import settings_of_day, zone_of
from dosetrack.workflow.follow_up_facts import kidney_facts_of, skin_facts_of
from dosetrack.workflow.projector import CaseProjector
from dosetrack.workflow.site import settings_for

_LOG = logging.getLogger(__name__)
_FLOAT_NOISE = 1e-9
_OF_MAP = ("map", "accumulated map", "earlier map")
_ENDED = (CaseState.ENDED, CaseState.CLOSED)
_ABOUT_FOLLOW_UP = (
    FollowUpDecided,
    FollowUpAssigned,
    FollowUpClosed,
    FollowUpReopened,
    ContactTried,
    SkinExamined,
    SkinDoseEstimated,
    PatientContact,
)
"""Entries after which no decision can change."""


def decide_touched(tx: Transaction, projector: CaseProjector, *, actor: Actor, now: datetime) -> None:
    """Decide every case that the entries of this transaction may have changed."""
    touched = dict.fromkeys(
        entry.case
        for entry in tx.appended
        if entry.case is not None and not isinstance(entry.payload, _ABOUT_FOLLOW_UP)
    )
    for case_id in touched:
        _decide_if_ended(tx, projector, case_id, actor=actor, now=now)
    for case_id in _looking_back_on(tx, [case_id for case_id in touched if case_id]):
        _decide_if_ended(tx, projector, case_id, actor=actor, now=now)


def decide_case(
    tx: Transaction, projector: CaseProjector, case_id: str, *, actor: Actor, now: datetime
) -> bool:
    """Decide skin and kidney of an ended case; whether anything new was recorded."""
    case = projector.case_now(tx, case_id)
    if case.state not in _ENDED:
        return False
    settings = settings_of_day(tx, case)
    today = now.astimezone(zone_of(settings)).date()
    is_new = False
    before = {kind: _last_decided(case.entries, kind) for kind in (SKIN, KIDNEY)}
    skin = skin_facts_of(tx, case, settings)
    if skin is not None:
        decided = decide_skin(skin, settings, on=today, standing=before[SKIN])
        is_new |= _record(tx, case, decided, before[SKIN], actor=actor, now=now)
    kidney = kidney_facts_of(tx, case, settings)
    if kidney is not None:
        decided = decide_kidney(kidney, settings, on=today)
        is_new |= _record(tx, case, decided, before[KIDNEY], actor=actor, now=now)
    if is_new:
        projector.refresh(tx, case_id)
    return is_new


def same_decision(one: FollowUpDecided, other: FollowUpDecided) -> bool:
    """Whether two decisions say the same; which settings and version made them is left aside."""

    def told(decided: FollowUpDecided) -> tuple[object, ...]:
        return (decided.tier, decided.due, decided.estimate_due, decided.missing, decided.profile)

    return (
        told(one) == told(other)
        and len(one.reasons) == len(other.reasons)
        and all(_same_reason(a, b) for a, b in zip(one.reasons, other.reasons, strict=True))
    )


def _decide_if_ended(
    tx: Transaction, projector: CaseProjector, case_id: str | None, *, actor: Actor, now: datetime
) -> None:
    row = tx.case_total(case_id) if case_id else None
    if row is not None and row.state in ("ended", "closed"):
        decide_case(tx, projector, row.id, actor=actor, now=now)


def _record(
    tx: Transaction,
    case: Case,
    decided: FollowUpDecided,
    before: FollowUpDecided | None,
    *,
    actor: Actor,
    now: datetime,
) -> bool:
    decided = replace(decided, tables_edition=edition())
    if before is None and not decided.reasons and not asks(decided):
        return False
    if before is not None and (same_decision(decided, before) or _waits_for_a_map(decided, before)):
        return False
    tx.append(NewEntry(payload=decided, actor=actor, happened_at=now, case=case.id))
    if _is_settled(case.entries, decided.kind) and _asks_anew(decided, before):
        again = FollowUpReopened(kind=decided.kind)
        why = "; ".join(reason.text for reason in decided.reasons[:2]) or "decided again"
        tx.append(NewEntry(payload=again, actor=actor, happened_at=now, case=case.id, reason=why))
    return True


def _waits_for_a_map(decided: FollowUpDecided, before: FollowUpDecided) -> bool:
    """A map that no longer holds is made again before its decision is taken back."""
    had = any(reason.basis in _OF_MAP for reason in before.reasons)
    has_none = "map of the skin dose" in decided.missing
    return had and has_none and not asks_for_more(decided, before)


def _asks_anew(decided: FollowUpDecided, before: FollowUpDecided | None) -> bool:
    """Asks for more, or for another reason than the item was settled with."""
    if asks_for_more(decided, before):
        return True
    known = {(r.quantity, r.plane) for r in before.reasons} if before else set()
    return asks(decided) and any((r.quantity, r.plane) not in known for r in decided.reasons)


def _last_decided(entries: Iterable[Entry], kind: str) -> FollowUpDecided | None:
    found = None
    for entry in entries:
        if isinstance(entry.payload, FollowUpDecided) and entry.payload.kind == kind:
            found = entry.payload
    return found


def _is_settled(entries: tuple[Entry, ...], kind: str) -> bool:
    is_settled = False
    for entry in standing(entries):
        if isinstance(entry.payload, FollowUpClosed | FollowUpReopened) and entry.payload.kind == kind:
            is_settled = isinstance(entry.payload, FollowUpClosed)
    return is_settled


def _same_reason(one: FollowUpReason, other: FollowUpReason) -> bool:
    def words(reason: FollowUpReason) -> tuple[object, ...]:
        return (reason.quantity, reason.text, reason.plane, reason.basis, reason.source)

    numbers = (
        (one.value, other.value),
        (one.level, other.level),
        (one.low, other.low),
        (one.high, other.high),
    )
    return words(one) == words(other) and all(_same_number(a, b) for a, b in numbers)


def _same_number(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return isclose(one, other, rel_tol=_FLOAT_NOISE)


# later cases of the same patient ---------------------------------------------------------------


def _looking_back_on(tx: Transaction, case_ids: list[str]) -> Iterator[str]:
    """Cases of the same patients that began later, inside the windows in which earlier dose counts."""
    seen = set(case_ids)
    window: timedelta | None = None
    for case_id in case_ids:
        row = tx.case_total(case_id)
        if row is not None and row.state in ("planned", "running"):
            continue  # it counts when it ends
        window = window or _longest_window(settings_for(tx))
        start = row.started_instant if row is not None else None
        for patient in _patients(tx, case_id):
            for other in _cases_of(tx, patient):
                if other.id not in seen and _is_after(other.started_instant, start, window):
                    seen.add(other.id)
                    yield other.id


def _cases_of(tx: Transaction, patient: Patient) -> tuple[CaseTotalRow, ...]:
    if patient.id is None:
        return ()
    return tx.cases_of_patient(patient_id=patient.id, patient_issuer=patient.id_issuer)


def _is_after(other: str | None, start: str | None, window: timedelta) -> bool:
    """Whether a case looks back on one that began at `start`; None: its reports were moved away."""
    if other is None:
        return False
    if start is None:
        return True
    gap = datetime.fromisoformat(other) - datetime.fromisoformat(start)
    return timedelta() <= gap <= window


def _longest_window(settings: Settings) -> timedelta:
    return max(
        timedelta(days=settings.number("radiation.lookback_days")),
        timedelta(hours=settings.number("contrast.lookback_h")),
    )


def _patients(tx: Transaction, case_id: str) -> tuple[Patient, ...]:
    """Whose case it is; where this transaction may have changed it, all of whom it was ever said to be."""
    found: dict[tuple[str | None, str | None], Patient] = {}
    row = tx.case_total(case_id)
    if row is not None:
        found[(row.patient_id, row.patient_issuer)] = Patient(id=row.patient_id, id_issuer=row.patient_issuer)
        if not any(e.case == case_id and isinstance(e.payload, _CHANGES_PERSON) for e in tx.appended):
            return tuple(found.values())
    for entry in tx.entries(case=case_id, kinds=("case-opened", "patient-changed")):
        if isinstance(entry.payload, CaseOpened | PatientChanged):
            patient = entry.payload.patient
            found[(patient.id, patient.id_issuer)] = patient
    for report in tx.report_rows_of(case_id):
        found[(report.patient_id, report.patient_issuer)] = Patient(
            id=report.patient_id, id_issuer=report.patient_issuer
        )
    return tuple(found.values())


_CHANGES_PERSON = (PatientChanged, ReportMoved, Withdrawn)
