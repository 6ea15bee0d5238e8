"""The invented department's cases, from schedule to DICOM bytes and typed entries."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from random import Random

from dosetrack.exchange.department.entries import case_entries
from dosetrack.exchange.department.events import BeamPlan, TimedEvent, irradiate, stated_totals
from dosetrack.exchange.department.records import SampleCase, SampleReport
from dosetrack.exchange.department.rooms import usual_options
from dosetrack.exchange.department.schedule import CasePlan, plan_cases
from dosetrack.exchange.header import derived_uid
from dosetrack.exchange.rdsr import DOSE_REPORT_CLASS, WriteOptions, write_report
from dosetrack.records.report import DoseReport, IrradiationEvent, Procedure, ReportIdentity

_RECENT_DAYS = 60
_MOST_EVENTS, _FEWEST_EVENTS = 150, 8
_LATE_DAYS = 23
_RESENT_DAYS = 2
_DROPPED_SHARE = 0.06  # of the dose-area product, in events that the mismatching report leaves out
_MOST_KERMA_MGY = 4600.0  # of a case that is not meant to be high


def department_cases(
    *, seed: int, start: date, months: int = 14, scale: float = 1.0, until: date | None = None
) -> Iterator[SampleCase]:
    """The cases of the invented department, in time order.

    The same arguments always give the same cases, byte for byte.

    Parameters
    ----------
    start : first day
    months : length of the department's record where `until` does not say it
    scale : 1 for about fifty cases a month; the cases that test rules are always among them
    until : the day after the last one; the live case's day, so that its patient was here 40 days before
    """
    end = until or _months_after(start, months)
    for plan in plan_cases(seed=seed, start=start, end=end, scale=scale):
        is_recent = (end - plan.started_at.date()).days <= _RECENT_DAYS
        yield build_case(plan, seed=seed, is_recent=is_recent)


def _months_after(start: date, months: int) -> date:
    year, month = divmod(start.month - 1 + months, 12)
    return date(start.year + year, month + 1, 1) + timedelta(days=start.day - 1)


def build_case(plan: CasePlan, *, seed: int, is_recent: bool) -> SampleCase:
    """The case of `plan`, irradiated, reported and charted."""
    rng = Random(f"{seed}:case:{plan.number}:{plan.procedure.key}")
    key = f"case-{plan.number:04d}"
    accession_number = f"DEMO-A{plan.number:06d}"
    events = irradiate(_beam_plan(plan, f"{seed}:{key}", rng), rng)
    ended_at = events[-1].start + timedelta(seconds=events[-1].event.duration_s or 0, minutes=8)
    ended_at = ended_at.replace(microsecond=0)
    entries, contrast = case_entries(
        plan, events, accession_number=accession_number, ended_at=ended_at, is_recent=is_recent, rng=rng
    )
    whole = report_of(plan, events, key=key, seed=seed, accession_number=accession_number, ended_at=ended_at)
    return SampleCase(
        key=key,
        room=plan.room.name,
        patient=plan.patient.record,
        procedure=plan.procedure.label,
        operators=tuple(each.name for each in plan.operators),
        accession_number=accession_number,
        started_at=plan.started_at,
        ended_at=ended_at,
        reports=tuple(_reports(plan, whole, ended_at)),
        entries=entries,
        tags=plan.traits.tags,
        contrast_ml=contrast.contrast_ml,
        iodine_g=contrast.iodine_g,
    )


def _beam_plan(plan: CasePlan, uid_root: str, rng: Random) -> BeamPlan:
    procedure, operator = plan.procedure, plan.operators[0]
    difficulty = rng.gauss(0, 1)  # a hard case needs more of everything
    own = rng.gauss(0, 1)
    spread = math.log(procedure.spread)
    kerma = procedure.reference_air_kerma_mgy * math.exp(spread * (0.75 * difficulty + 0.66 * own))
    kerma *= math.exp(procedure.size_effect_per_cm * plan.patient.size_cm)
    kerma *= operator.kerma_factor * plan.room.dose_factor(plan.month)
    if kerma > _MOST_KERMA_MGY:
        kerma = _MOST_KERMA_MGY * (kerma / _MOST_KERMA_MGY) ** 0.2
    number = round(procedure.events * math.exp(0.22 * difficulty + rng.gauss(0, 0.12)))
    fluoroscopy_min = procedure.fluoroscopy_min * operator.time_factor * math.exp(0.4 * difficulty)
    return BeamPlan(
        room=plan.room,
        procedure=procedure,
        started_at=plan.started_at,
        reference_air_kerma_mgy=plan.traits.reference_air_kerma_mgy or kerma,
        fluoroscopy_min=fluoroscopy_min,
        events=min(_MOST_EVENTS, max(_FEWEST_EVENTS, number)),
        size_cm=plan.patient.size_cm,
        uid_root=uid_root,
        dap_factor=plan.room.dap_factor(plan.month),
    )


def report_of(
    plan: CasePlan,
    events: tuple[TimedEvent, ...],
    *,
    key: str,
    seed: int,
    accession_number: str,
    ended_at: datetime,
) -> DoseReport:
    """What the room's system says of the whole case."""
    patient = plan.patient.record
    if not plan.traits.has_size or plan.number % 3 == 0:  # a third of the reports come without size
        patient = replace(patient, weight_kg=None, height_cm=None)
    records = tuple(each.event for each in events)
    totals = stated_totals(records)
    return DoseReport(
        file=f"{key}.dcm",
        sha256="",
        source="rdsr",
        report=ReportIdentity(
            sop_class_uid=DOSE_REPORT_CLASS,
            sop_instance_uid=derived_uid("report", str(seed), key),
            study_instance_uid=derived_uid("study", str(seed), key),
            accession_number=accession_number,
            completion="COMPLETE",
            reported_at=_room_time(plan, ended_at),
        ),
        patient=patient,
        equipment=plan.room.equipment,
        procedure=Procedure(
            label=plan.procedure.label,
            code=plan.procedure.code,
            coding_scheme="99DEMO",
            started_at=_room_time(plan, plan.started_at),
            ended_at=_room_time(plan, ended_at),
        ),
        operators=tuple(each.name for each in plan.operators),
        totals=totals,
        events=records,
    )


def _room_time(plan: CasePlan, moment: datetime) -> str:
    return (moment if plan.room.sends_offset else moment.replace(tzinfo=None)).isoformat(timespec="seconds")


def _reports(plan: CasePlan, whole: DoseReport, ended_at: datetime) -> Iterator[SampleReport]:
    """The files the room sends about the case, in the order they arrive."""
    options = usual_options(plan.room, plan.procedure)
    if plan.traits.dose_area_product_unit is not None:
        options = replace(options, units={"dose_area_product": plan.traits.dose_area_product_unit})
    soon = ended_at + timedelta(minutes=6)
    match plan.traits.reports:
        case "none":
            return
        case "late":
            yield _written(whole, options, ended_at + timedelta(days=_LATE_DAYS))
        case "mismatch":
            yield _written(replace(whole, events=without_faint_events(whole.events)), options, soon)
        case "totals-only":
            yield _written(replace(whole, events=_without_dose(whole.events)), options, soon)
        case "cumulative-resent":
            yield from _cumulative(plan, whole, options, soon)
        case _:
            yield _written(whole, options, soon)


def _written(report: DoseReport, options: WriteOptions, arrives_at: datetime) -> SampleReport:
    return SampleReport(report.file, write_report(report, options), arrives_at, report)


def _cumulative(
    plan: CasePlan, whole: DoseReport, options: WriteOptions, soon: datetime
) -> Iterator[SampleReport]:
    """Three reports, each repeating the events before; then the last once more as a new object."""
    count = len(whole.events)
    for part, last in enumerate((count // 3, 2 * count // 3), start=1):
        moment = datetime.fromisoformat(str(whole.events[last].started_at))
        arrives_at = moment if moment.tzinfo else moment.replace(tzinfo=plan.started_at.tzinfo)
        partial = replace(
            _renamed(whole, part, _room_time(plan, arrives_at)),
            events=whole.events[:last],
            totals=stated_totals(whole.events[:last]),
        )
        partial = replace(partial, report=replace(partial.report, completion="PARTIAL"))
        so_far = replace(options, scope="procedure step to this point")
        yield _written(partial, so_far, arrives_at)
    yield _written(_renamed(whole, 3, str(whole.report.reported_at)), options, soon)
    again = soon + timedelta(days=_RESENT_DAYS)
    yield _written(_renamed(whole, 4, _room_time(plan, again)), options, again)


def _renamed(report: DoseReport, part: int, reported_at: str) -> DoseReport:
    identity = replace(
        report.report,
        sop_instance_uid=derived_uid("part", report.report.sop_instance_uid, str(part)),
        reported_at=reported_at,
    )
    return replace(report, file=report.file.replace(".dcm", f"-{part}.dcm"), report=identity)


def without_faint_events(events: tuple[IrradiationEvent, ...]) -> tuple[IrradiationEvent, ...]:
    """`events` without the faintest ones, up to a small share of the dose-area product."""
    doses = {event.uid: event.dose_area_product_gycm2 or 0.0 for event in events}
    left = _DROPPED_SHARE * sum(doses.values())
    dropped = set()
    for uid, dose in sorted(doses.items(), key=lambda pair: pair[1]):
        left -= dose
        if left < 0:
            break
        dropped.add(uid)
    return tuple(event for event in events if event.uid not in dropped)


def _without_dose(events: tuple[IrradiationEvent, ...]) -> tuple[IrradiationEvent, ...]:
    return tuple(
        replace(event, dose_area_product_gycm2=None, reference_air_kerma_mgy=None)
        for event in events
        if event.type == "fluoroscopy"
    )
