"""A long case, step by step, for playing as if it happened now.

A portosystemic shunt in the biplane room, about three hours. Plane A passes 3 Gy and then 4 Gy; plane B
adds enough for the two together to pass 5 Gy, so that the case ends 'may be above: planes may overlap'.
With the contrast of a CT on the day before, twice the creatinine clearance (116 mL) is passed at about two
thirds of the case. The room sends one report late on the way and the complete one after the end.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from random import Random

from dosetrack.exchange.department.entries import NURSE, RADIOGRAPHER
from dosetrack.exchange.department.events import (
    MOST_CURRENT_MA,
    BeamPlan,
    TimedEvent,
    irradiate,
    significant,
    stated_totals,
)
from dosetrack.exchange.department.live_patient import live_patient
from dosetrack.exchange.department.records import LiveStep, SampleReport
from dosetrack.exchange.department.rooms import ZONE, procedures, rooms, usual_options
from dosetrack.exchange.header import derived_uid
from dosetrack.exchange.rdsr import DOSE_REPORT_CLASS, WriteOptions, write_report
from dosetrack.records.entries import (
    CaseEnded,
    CaseOpened,
    ConsoleReading,
    Creatinine,
    Injection,
    InjectionSite,
    Knowledge,
    PatientSize,
)
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import DoseReport, IrradiationEvent, PlaneName, Procedure, ReportIdentity

MODALITY = Actor("Room 3 (system)", Role.SYSTEM)
LIVE_ROOM = "Room 3"
LIVE_OPERATORS = ("Teasel-Demo^Mara", "Reed-Demo^Noor")

_PLANES: tuple[PlaneName, ...] = ("a", "b")
_KERMA_MGY = {"a": 4200.0, "b": 1050.0}
_FIELD_CM2 = {"a": 60.0, "b": 150.0}  # at the reference point: a tight view below, a wide one from the side
_FLUOROSCOPY_MIN, _IDLE_MIN, _EVENTS = 56.0, 104.0, 96
_FORM_TO_BEAM_S = 240.0
_READING_EVERY_S = 45.0
_QUIET_READING_S = 300.0
_INJECTIONS, _INJECTOR_RUNS = 25, (5, 13, 20)
_CONTRAST_ML, _INJECTOR_ML, _CONCENTRATION = 140.0, 12.0, 320.0
_EARLIER_CT_ML, _EARLIER_CT_IODINE_G = 30.0, 9.0
_PARTIAL_AT, _PARTIAL_COVERS = 0.60, 0.52  # of the case: when the report comes, and how far it goes
_CASE_NUMBER = 900417
_SOME_MORNING = datetime(2026, 1, 15, 9, 0, tzinfo=ZONE)


def live_case_steps(*, seed: int, started_at: datetime = _SOME_MORNING) -> tuple[LiveStep, ...]:
    """The steps of the live case in order of time.

    Parameters
    ----------
    seed : decides every number and UID; another seed is another case
    started_at : when the form is filled in (aware); the times inside the reports count from it, so give
        the start that is played. The offsets of the steps do not depend on it.
    """
    rng = Random(f"{seed}:live")
    beam_at = started_at.astimezone(ZONE) + timedelta(seconds=_FORM_TO_BEAM_S)
    events = _events(beam_at, seed, rng)
    last = max(_end(each) for each in events)
    duration_s = (last - started_at).total_seconds()
    steps = [*_form(started_at), *_readings(events, started_at, duration_s)]
    steps += _injections(events, started_at, duration_s, rng)
    steps += _reports(events, started_at, duration_s, seed)
    steps.append(LiveStep(round(duration_s + 360, 1), CaseEnded(), NURSE))
    return tuple(sorted(steps, key=lambda step: step.offset_s))


def _events(beam_at: datetime, seed: int, rng: Random) -> tuple[TimedEvent, ...]:
    room, procedure = rooms()[LIVE_ROOM], procedures()["tips"]
    plan = BeamPlan(
        room=room,
        procedure=procedure,
        started_at=beam_at,
        reference_air_kerma_mgy=sum(_KERMA_MGY.values()),
        fluoroscopy_min=_FLUOROSCOPY_MIN,
        events=_EVENTS,
        size_cm=live_patient(beam_at.date()).size_cm,
        uid_root=f"{seed}:live",
        idle_min=_IDLE_MIN,
        plane_b_share=0.75,
    )
    events = irradiate(plan, rng)
    factors = {plane: _factors(events, plane) for plane in _PLANES}
    return tuple(
        replace(each, event=_rescaled(each.event, *factors[each.event.plane or "a"])) for each in events
    )


def _factors(events: tuple[TimedEvent, ...], plane: PlaneName) -> tuple[float, float]:
    """What kerma and field area of `plane` are to be multiplied with to reach the script's figures."""
    own = [each.event for each in events if each.event.plane == plane]
    kerma = math.fsum(event.reference_air_kerma_mgy or 0 for event in own)
    product = math.fsum(event.dose_area_product_gycm2 or 0 for event in own)
    return _KERMA_MGY[plane] / kerma, _FIELD_CM2[plane] / (1000 * product / kerma)


def _rescaled(event: IrradiationEvent, kerma_factor: float, field_factor: float) -> IrradiationEvent:
    kerma = round((event.reference_air_kerma_mgy or 0) * kerma_factor, 3)
    height = round((event.field_height_mm or 0) * math.sqrt(field_factor), 1)
    width = round((event.field_width_mm or 0) * math.sqrt(field_factor), 1)
    area_cm2 = round(height * width / 100, 3)
    to_reference = (event.source_to_reference_point_mm or 0) / (event.source_to_detector_mm or 1)
    current_ma = min(MOST_CURRENT_MA, max(0.1, round((event.tube_current_ma or 0) * kerma_factor, 1)))
    return replace(
        event,
        reference_air_kerma_mgy=kerma,
        dose_area_product_gycm2=significant(kerma / 1000 * area_cm2 * to_reference**2),
        field_height_mm=height,
        field_width_mm=width,
        field_area_cm2=area_cm2,
        tube_current_ma=current_ma,
        exposure_uas=round(current_ma * (event.pulse_width_ms or 0) * (event.pulses or 0), 2),
    )


def _end(each: TimedEvent) -> datetime:
    return each.start + timedelta(seconds=each.event.duration_s or 0)


def live_opening(started_at: datetime) -> CaseOpened:
    """The form with which the live case is opened."""
    patient = live_patient(started_at.astimezone(ZONE).date()).record
    return CaseOpened(
        room=LIVE_ROOM,
        patient=replace(patient, weight_kg=None, height_cm=None),
        procedure=procedures()["tips"].label,
        operators=LIVE_OPERATORS,
        concentration_mgi_ml=_CONCENTRATION,
        injection_site=InjectionSite.VENOUS,
        is_inpatient=True,
        dialysis=Knowledge.NO,
        earlier_contrast=Knowledge.YES,
        earlier_contrast_ml=_EARLIER_CT_ML,
        earlier_iodine_g=_EARLIER_CT_IODINE_G,
        arms="at the sides",
        pregnancy=Knowledge.NO,
        accession_number=_accession_number(),
    )


def _form(started_at: datetime) -> Iterator[LiveStep]:
    local = started_at.astimezone(ZONE)
    person = live_patient(local.date())
    patient = person.record
    yield LiveStep(0.0, live_opening(started_at), NURSE)
    size = PatientSize(patient.weight_kg, patient.height_cm, patient.sex, patient.birth_date)
    yield LiveStep(20.0, size, NURSE)
    yesterday = (local.date() - timedelta(days=1)).isoformat()
    yield LiveStep(40.0, Creatinine(f"{person.creatinine_mg_dl:.2f}", "mg/dL", yesterday), NURSE)


def _accession_number() -> str:
    return f"DEMO-A{_CASE_NUMBER:06d}"


def _readings(events: tuple[TimedEvent, ...], started_at: datetime, duration_s: float) -> Iterator[LiveStep]:
    """What the console shows of each plane, when it has changed or long been quiet."""
    shown: dict[PlaneName, tuple[float, ConsoleReading]] = {}
    ticks = math.ceil(duration_s / _READING_EVERY_S) + 1
    for tick in range(ticks + 1):
        offset_s = _FORM_TO_BEAM_S - 30 + tick * _READING_EVERY_S
        moment = started_at + timedelta(seconds=offset_s)
        for plane in _PLANES:
            reading = _console(events, plane, moment)
            before = shown.get(plane)
            is_quiet = before is not None and before[1] == reading
            if before is not None and is_quiet and offset_s - before[0] < _QUIET_READING_S:
                continue
            shown[plane] = (offset_s, reading)
            yield LiveStep(offset_s, reading, RADIOGRAPHER)


def _console(events: tuple[TimedEvent, ...], plane: PlaneName, moment: datetime) -> ConsoleReading:
    kerma = product = seconds = 0.0
    for each in events:
        event = each.event
        if event.plane != plane or each.start >= moment:
            continue
        length = event.duration_s or 0.0
        done = min(length, (moment - each.start).total_seconds())
        kerma += (event.reference_air_kerma_mgy or 0) * done / length
        product += (event.dose_area_product_gycm2 or 0) * done / length
        seconds += done if event.type == "fluoroscopy" else 0.0
    return ConsoleReading(
        plane=plane,
        reference_air_kerma_mgy=float(round(kerma)),
        dose_area_product_gycm2=round(product, 1),
        fluoroscopy_time_s=float(round(seconds)),
    )


def _injections(
    events: tuple[TimedEvent, ...], started_at: datetime, duration_s: float, rng: Random
) -> Iterator[LiveStep]:
    """Hand injections of a few millilitres and some injector runs, each just before a beam."""
    starts = sorted({each.start for each in events})
    hand = [rng.uniform(0.85, 1.4) for _ in range(_INJECTIONS)]
    hand_ml = _CONTRAST_ML - _INJECTOR_ML * len(_INJECTOR_RUNS)
    hand_sum = sum(part for number, part in enumerate(hand) if number not in _INJECTOR_RUNS)
    left_ml = _CONTRAST_ML
    for number, part in enumerate(hand):
        is_injector = number in _INJECTOR_RUNS
        volume = _INJECTOR_ML if is_injector else round(hand_ml * part / hand_sum, 1)
        if number == _INJECTIONS - 1:
            volume = round(left_ml, 1)
        left_ml -= volume
        wanted = started_at + timedelta(seconds=duration_s * (0.14 + 0.81 * number / (_INJECTIONS - 1)))
        start = min(starts, key=lambda moment: abs(moment - wanted))
        starts.remove(start)
        offset_s = round((start - started_at).total_seconds() - rng.uniform(2, 6), 1)
        injection = Injection(
            volume_ml=volume,
            concentration_mgi_ml=_CONCENTRATION,
            site=InjectionSite.VENOUS,
            from_injector=is_injector,
        )
        yield LiveStep(offset_s, injection, NURSE)


def _reports(
    events: tuple[TimedEvent, ...], started_at: datetime, duration_s: float, seed: int
) -> Iterator[LiveStep]:
    whole = tuple(each.event for each in events)
    covered = started_at + timedelta(seconds=duration_s * _PARTIAL_COVERS)
    part = tuple(each.event for each in events if _end(each) <= covered)
    usual = usual_options(rooms()[LIVE_ROOM], procedures()["tips"])
    so_far = replace(usual, scope="procedure step to this point")
    yield _report_step(part, so_far, started_at, round(duration_s * _PARTIAL_AT, 1), seed, "PARTIAL")
    step = replace(usual, scope="performed procedure step")
    yield _report_step(whole, step, started_at, round(duration_s + 540, 1), seed, "COMPLETE")


def _report_step(
    events: tuple[IrradiationEvent, ...],
    options: WriteOptions,
    started_at: datetime,
    offset_s: float,
    seed: int,
    completion: str,
) -> LiveStep:
    local, procedure = started_at.astimezone(ZONE), procedures()["tips"]
    arrives_at = local + timedelta(seconds=offset_s)
    is_complete = completion == "COMPLETE"
    record = DoseReport(
        file=f"live-case-{completion.lower()}.dcm",
        sha256="",
        source="rdsr",
        report=ReportIdentity(
            sop_class_uid=DOSE_REPORT_CLASS,
            sop_instance_uid=derived_uid("live report", str(seed), completion),
            study_instance_uid=derived_uid("live study", str(seed)),
            accession_number=_accession_number(),
            completion=completion,
            reported_at=arrives_at.isoformat(timespec="seconds"),
        ),
        patient=live_patient(local.date()).record,
        equipment=rooms()[LIVE_ROOM].equipment,
        procedure=Procedure(
            label=procedure.label,
            code=procedure.code,
            coding_scheme="99DEMO",
            started_at=local.isoformat(timespec="seconds"),
            ended_at=arrives_at.isoformat(timespec="seconds") if is_complete else None,
        ),
        operators=LIVE_OPERATORS,
        totals=stated_totals(events),
        events=events,
    )
    return LiveStep(
        offset_s, SampleReport(record.file, write_report(record, options), arrives_at, record), MODALITY
    )
