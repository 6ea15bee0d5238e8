"""A case as the fold of its ledger entries: who, where, what was given and read, in which state.

`fold` is pure: the same entries and reports give the same case. An entry that was corrected or
withdrawn stays in the ledger and on the timeline; it no longer counts here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from typing import Generic, TypeVar
from zoneinfo import ZoneInfo

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.merging import CountedEvent, MergedReports, merge_reports
from dosetrack.records.entries import (
    CaseClosed,
    CaseEnded,
    CaseOpened,
    CaseStarted,
    ConsoleReading,
    Creatinine,
    Entry,
    FileQuarantined,
    Injection,
    JoinProposed,
    LevelsReached,
    Note,
    OperatorsChanged,
    PatientChanged,
    PatientPlaced,
    PatientSize,
    PromptAnswered,
    PromptShown,
    RenalStatus,
    ReportMoved,
    ReportReceived,
    Withdrawn,
)
from dosetrack.records.people import Actor
from dosetrack.records.report import DoseReport, DoseTotal, Equipment, Patient
from dosetrack.times import instant_of, local_text

T = TypeVar("T")


class CaseState(StrEnum):
    """Where a case stands. EMPTY: its reports were moved to another case."""

    PLANNED = "planned"
    RUNNING = "running"
    ENDED = "ended"
    CLOSED = "closed"
    EMPTY = "empty"


@dataclass(frozen=True, slots=True)
class Stamped(Generic[T]):
    """A payload that counts, with the entry it came in. at: when it happened, zone-aware."""

    value: T
    entry_id: str
    seq: int
    at: datetime
    recorded_at: datetime
    by: Actor


@dataclass(frozen=True, slots=True)
class TimedCountedEvent:
    """A counted event and its instant [UTC]; None when its time is missing or unreadable."""

    counted: CountedEvent
    instant: datetime | None


@dataclass(frozen=True, slots=True)
class Case:
    """One case, whole.

    patient : as entered by people, filled from the reports where people said nothing
    started_at : ISO text, as the machine or the opening entry gave it
    events : each counted once, in order of instant, then of the file
    stated : totals the machines stated, per plane
    """

    id: str
    state: CaseState
    room: str | None = None
    patient: Patient = field(default_factory=Patient)
    procedure: str | None = None
    operators: tuple[str, ...] = ()
    opening: Stamped[CaseOpened] | None = None
    opened_at: datetime | None = None
    started_at: str | None = None
    started_instant: datetime | None = None
    ended_at: datetime | None = None
    ended_how: str | None = None
    renal: RenalStatus = field(default_factory=RenalStatus)
    sizes: tuple[Stamped[PatientSize], ...] = ()
    placed: Stamped[PatientPlaced] | None = None
    creatinines: tuple[Stamped[Creatinine], ...] = ()
    injections: tuple[Stamped[Injection], ...] = ()
    readings: tuple[Stamped[ConsoleReading], ...] = ()
    closing: Stamped[CaseClosed] | None = None
    prompts: tuple[Stamped[LevelsReached], ...] = ()
    shown: tuple[Stamped[PromptShown], ...] = ()
    answers: tuple[Stamped[PromptAnswered], ...] = ()
    proposals: tuple[Stamped[JoinProposed], ...] = ()
    notes: tuple[Stamped[Note], ...] = ()
    reports: tuple[DoseReport, ...] = ()
    report_times: tuple[datetime, ...] = ()
    events: tuple[TimedCountedEvent, ...] = ()
    stated: tuple[DoseTotal, ...] = ()
    findings: tuple[Finding, ...] = ()
    entries: tuple[Entry, ...] = ()

    @property
    def is_open(self) -> bool:
        """Whether the team may still add to it in the room."""
        return self.state in (CaseState.PLANNED, CaseState.RUNNING)


def reports_of_others(case: Case) -> tuple[DoseReport, ...]:
    """The reports of the case that were sent for another patient than the one entered."""
    if case.opening is None and not any(isinstance(e.payload, PatientChanged) for e in case.entries):
        return ()
    return tuple(report for report in case.reports if _is_other_person(case.patient, report.patient))


def standing(entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """The entries that count: not replaced, not withdrawn, not deleted."""
    replaced = {entry.replaces for entry in entries if entry.replaces}
    return tuple(
        entry
        for entry in entries
        if entry.id not in replaced and entry.payload is not None and not isinstance(entry.payload, Withdrawn)
    )


_SAME_WHILE_S = 5
"""Readings of a gateway that follow each other within this many seconds tell the rise of a dose once."""


def telling(readings: Sequence[Stamped[ConsoleReading]]) -> list[Stamped[ConsoleReading]]:
    """The readings (in order of time) that say something a later one does not.

    A reading goes where the next of its plane comes in the same few seconds, counts on from it and is
    nowhere lower: no total is another without it. A machine that reads every second makes 14 400 in a
    long case.
    """
    kept: list[Stamped[ConsoleReading]] = []
    next_of: dict[str, Stamped[ConsoleReading]] = {}
    for stamped in reversed(readings):
        later = next_of.get(stamped.value.plane)
        next_of[stamped.value.plane] = stamped
        if later is None or not _tells_all_of(stamped, later):
            kept.append(stamped)
    return kept[::-1]


def _tells_all_of(one: Stamped[ConsoleReading], later: Stamped[ConsoleReading]) -> bool:
    if one.at.timestamp() // _SAME_WHILE_S != later.at.timestamp() // _SAME_WHILE_S:
        return False
    first, then = one.value, later.value
    if first.is_reset or then.is_reset or _offsets(first) != _offsets(then):
        return False
    return all(
        before is None or (after is not None and after >= before)
        for before, after in (
            (first.reference_air_kerma_mgy, then.reference_air_kerma_mgy),
            (first.dose_area_product_gycm2, then.dose_area_product_gycm2),
            (first.fluoroscopy_time_s, then.fluoroscopy_time_s),
        )
    )


def _offsets(reading: ConsoleReading) -> tuple[float, float, float]:
    return (
        reading.offset_reference_air_kerma_mgy,
        reading.offset_dose_area_product_gycm2,
        reading.offset_fluoroscopy_time_s,
    )


def report_digests(entries: Sequence[Entry]) -> tuple[str, ...]:
    """SHA-256 of the reports that belong to the case, in order of arrival, each once."""
    found: dict[str, None] = {}
    for entry in standing(entries):
        if isinstance(entry.payload, ReportReceived | ReportMoved):
            found[entry.payload.sha256] = None
    return tuple(found)


def fold(
    case_id: str,
    entries: Sequence[Entry],
    reports: Mapping[str, DoseReport],
    *,
    room_of: Mapping[str, str],
    zone: ZoneInfo,
) -> Case:
    """The case that `entries` (in ledger order) make.

    Parameters
    ----------
    reports : by SHA-256, those named by the entries
    room_of : station or serial -> room (a setting)
    zone : of the room, for times sent without an offset
    """
    counting = standing(entries)
    held = [reports[s] for s in report_digests(entries) if s in reports]
    merged = merge_reports(held)
    opening = _last(counting, CaseOpened)
    started_at, started_instant = _start(counting, opening, held, zone)
    ending = _last(counting, CaseEnded)
    closing = _last(counting, CaseClosed)
    changes = _changes_since(closing, entries)
    patient, patient_findings = _patient(counting, opening, held)
    events, time_findings = _timed(merged, zone)
    return Case(
        id=case_id,
        state=_state(counting, opening, held, closing, changes),
        room=opening.value.room if opening else room_of_equipment((r.equipment for r in held), room_of),
        patient=patient,
        procedure=_procedure(opening, held),
        operators=_operators(counting, opening, held),
        opening=opening,
        opened_at=opening.at if opening else None,
        started_at=started_at,
        started_instant=started_instant,
        ended_at=ending.at if ending else None,
        ended_how=ending.value.how if ending else None,
        renal=_renal(counting, opening),
        sizes=_all(counting, PatientSize),
        placed=_last(counting, PatientPlaced),
        creatinines=_all(counting, Creatinine),
        injections=_by_time(_all(counting, Injection)),
        readings=_by_time(_all(counting, ConsoleReading)),
        closing=closing,
        prompts=_all(counting, LevelsReached),
        shown=_all(counting, PromptShown),
        answers=_all(counting, PromptAnswered),
        proposals=_all(counting, JoinProposed),
        notes=_all(counting, Note),
        reports=tuple(held),
        report_times=tuple(s.recorded_at for s in _all(counting, ReportReceived)),
        events=events,
        stated=merged.stated,
        findings=(
            *(f for report in held for f in report.findings),
            *merged.findings,
            *patient_findings,
            *time_findings,
            *_proposal_findings(counting),
            *_closing_findings(closing, changes),
        ),
        entries=tuple(entries),
    )


def _stamp(entry: Entry, payload: T) -> Stamped[T]:
    return Stamped(
        value=payload,
        entry_id=entry.id,
        seq=entry.seq,
        at=entry.happened_at,
        recorded_at=entry.recorded_at,
        by=entry.actor,
    )


def _all(entries: Sequence[Entry], kind: type[T]) -> tuple[Stamped[T], ...]:
    return tuple(_stamp(e, e.payload) for e in entries if isinstance(e.payload, kind))


def _last(entries: Sequence[Entry], kind: type[T]) -> Stamped[T] | None:
    found = _by_time(_all(entries, kind))  # a late correction of an early entry is not the last
    return found[-1] if found else None


def _by_time(stamped: tuple[Stamped[T], ...]) -> tuple[Stamped[T], ...]:
    return tuple(sorted(stamped, key=lambda s: (s.at, s.seq)))


def _state(
    entries: Sequence[Entry],
    opening: Stamped[CaseOpened] | None,
    reports: Sequence[DoseReport],
    closing: Stamped[CaseClosed] | None,
    changes_since: Sequence[str],
) -> CaseState:
    if closing is not None and not changes_since:
        return CaseState.CLOSED
    if closing is not None:
        return CaseState.ENDED  # to be reconciled again
    if _last(entries, CaseEnded):
        return CaseState.ENDED
    if opening is None:
        has_content = bool(reports) or any(isinstance(e.payload, FileQuarantined) for e in entries)
        return CaseState.ENDED if has_content or _all(entries, Injection) else CaseState.EMPTY
    if opening.value.is_planned and not _last(entries, CaseStarted):
        return CaseState.PLANNED
    return CaseState.RUNNING


_RECONCILED: dict[type, str] = {
    ReportReceived: "a dose report",
    ReportMoved: "a dose report moved here",
    ConsoleReading: "a console reading",
    Injection: "an injection",
}
"""What closing a case compares."""


def _changes_since(closing: Stamped[CaseClosed] | None, entries: Sequence[Entry]) -> tuple[str, ...]:
    """What came after the closing and is part of what was compared, in words."""
    if closing is None:
        return ()
    compared = {entry.id for entry in entries if type(entry.payload) in _RECONCILED}
    found: dict[str, None] = {}
    for entry in entries:
        if entry.seq <= closing.seq:
            continue
        if isinstance(entry.payload, ReportReceived):
            found[f"a dose report ({entry.payload.file})"] = None
        elif type(entry.payload) in _RECONCILED:
            found[_RECONCILED[type(entry.payload)]] = None
        elif isinstance(entry.payload, Withdrawn) and entry.replaces in compared:
            found["an entry was taken back"] = None
    return tuple(found)


def _closing_findings(closing: Stamped[CaseClosed] | None, changes: Sequence[str]) -> list[Finding]:
    if closing is None or not changes:
        return []
    return [finding(FindingCode.CHANGED_AFTER_CLOSING, who=closing.by.name, what=", ".join(changes))]


def _start(
    entries: Sequence[Entry],
    opening: Stamped[CaseOpened] | None,
    reports: Sequence[DoseReport],
    zone: ZoneInfo,
) -> tuple[str | None, datetime | None]:
    if opening is not None:
        started = _last(entries, CaseStarted)
        at = started.at if started else opening.at
        return local_text(at, zone), at
    texts: list[str] = []
    for report in reports:
        first_event = next((e.started_at for e in report.events if e.started_at), None)
        text = report.procedure.started_at or first_event or report.report.reported_at
        texts.extend([text] if text else [])
    timed = [(found.utc, text) for text in texts if (found := instant_of(text, zone))]
    if not timed:
        return (texts[0], None) if texts else (None, None)
    instant, text = min(timed)
    return text, instant


def room_of_equipment(machines: Iterable[Equipment], room_of: Mapping[str, str]) -> str | None:
    """The room of the first machine that tells one: by the setting, else the machine's own name."""
    for machine in machines:
        for name in (machine.station, machine.serial):
            if name and name in room_of:
                return room_of[name]
        fallback = machine.station or machine.serial or machine.model
        if fallback:
            return fallback
    return None


def _procedure(opening: Stamped[CaseOpened] | None, reports: Sequence[DoseReport]) -> str | None:
    if opening and opening.value.procedure:
        return opening.value.procedure
    return next((r.procedure.label for r in reports if r.procedure.label), None)


def _operators(
    entries: Sequence[Entry], opening: Stamped[CaseOpened] | None, reports: Sequence[DoseReport]
) -> tuple[str, ...]:
    changed = _last(entries, OperatorsChanged)
    if changed:
        return changed.value.operators
    if opening and opening.value.operators:
        return opening.value.operators
    return tuple(dict.fromkeys(name for report in reports for name in report.operators))


def _renal(entries: Sequence[Entry], opening: Stamped[CaseOpened] | None) -> RenalStatus:
    told = _last(entries, RenalStatus)
    if told:
        return told.value
    if opening:
        return RenalStatus(
            dialysis=opening.value.dialysis,
            is_creatinine_unstable=opening.value.is_creatinine_unstable,
            is_inpatient=opening.value.is_inpatient,
            passes_urine=opening.value.passes_urine,
        )
    return RenalStatus()


def _patient(
    entries: Sequence[Entry], opening: Stamped[CaseOpened] | None, reports: Sequence[DoseReport]
) -> tuple[Patient, list[Finding]]:
    changed = _last(entries, PatientChanged)
    entered = changed.value.patient if changed else opening.value.patient if opening else None
    findings: list[Finding] = []
    patient = entered or Patient()
    for report in reports:
        if entered and _is_other_person(entered, report.patient):
            findings.append(
                finding(
                    FindingCode.PATIENT_DIFFERS,
                    entered=entered.id or "no number",
                    sent=report.patient.id or "no number",
                    file=report.file,
                )
            )
            continue
        patient = _filled(patient, report.patient)
    for size in _all(entries, PatientSize):
        told = {n: getattr(size.value, n) for n in ("weight_kg", "height_cm", "sex", "birth_date")}
        patient = replace(patient, **{name: value for name, value in told.items() if value is not None})
    return patient, findings


def _is_other_person(entered: Patient, sent: Patient) -> bool:
    if entered.id and sent.id:
        if entered.id != sent.id:
            return True
        return bool(entered.id_issuer and sent.id_issuer and entered.id_issuer != sent.id_issuer)
    return False


def _filled(patient: Patient, other: Patient) -> Patient:
    return Patient(*((getattr(patient, n) or getattr(other, n)) for n in Patient.__slots__))


def _timed(merged: MergedReports, zone: ZoneInfo) -> tuple[tuple[TimedCountedEvent, ...], list[Finding]]:
    timed: list[TimedCountedEvent] = []
    findings: list[Finding] = []
    for counted in merged.events:
        text = counted.event.started_at
        found = instant_of(text, zone) if text else None
        if found and found.is_ambiguous:
            findings.append(
                finding(FindingCode.TIME_OCCURS_TWICE, event_uid=counted.event.uid, time=text, zone=zone.key)
            )
        timed.append(TimedCountedEvent(counted=counted, instant=found.utc if found else None))
    # the sort is stable: events without a time keep their place at the end, in order of the file
    timed.sort(key=lambda t: (t.instant is None, t.instant.timestamp() if t.instant else 0.0))
    return tuple(timed), findings


def _proposal_findings(entries: Sequence[Entry]) -> list[Finding]:
    return [
        finding(FindingCode.MAY_BELONG_TO_OTHER_CASE, other=s.value.other_case, why=s.value.why)
        for s in _all(entries, JoinProposed)
    ]
