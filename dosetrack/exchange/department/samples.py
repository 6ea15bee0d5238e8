"""A handful of short reports, each with one property a reader must cope with."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from random import Random

from dosetrack.exchange.department.cases import report_of, without_faint_events
from dosetrack.exchange.department.events import BeamPlan, irradiate, stated_totals
from dosetrack.exchange.department.people import make_patient
from dosetrack.exchange.department.rooms import ZONE, operators, procedures, rooms, usual_options
from dosetrack.exchange.department.schedule import CasePlan
from dosetrack.exchange.department.special import Traits
from dosetrack.exchange.encoding import TransferSyntax
from dosetrack.exchange.header import derived_uid
from dosetrack.exchange.rdsr import WriteOptions, write_report
from dosetrack.records.report import DoseReport

_PARTIAL_EVENTS = 7


@dataclass(frozen=True, slots=True)
class SampleFile:
    """One file of the handful: its name, its bytes and the record it was written from."""

    name: str
    content: bytes
    record: DoseReport


def sample_files(*, seed: int) -> Iterator[SampleFile]:
    """The handful, always the same for the same seed."""
    single, options = _case(1, "nephrostomy", "Room 1", 10, 62.0, seed)
    yield _file("single-plane", single, options)

    biplane, options = _case(2, "cerebral-angiography", "Room 3", 10, 540.0, seed)
    yield _file("biplane", biplane, options)

    whole, options = _case(3, "tace", "Room 1", 14, 1180.0, seed)
    part = whole.events[:_PARTIAL_EVENTS]
    partial = replace(
        _renamed(whole, "part", str(whole.events[_PARTIAL_EVENTS].started_at)[:19]),
        events=part,
        totals=stated_totals(part),
    )
    partial = replace(partial, report=replace(partial.report, completion="PARTIAL"))
    yield _file("cumulative-1-of-2", partial, replace(options, scope="procedure step to this point"))
    yield _file("cumulative-2-of-2", whole, options)

    mismatch, options = _case(4, "uterine-embolisation", "Room 2", 14, 700.0, seed)
    yield _file("totals-mismatch", replace(mismatch, events=without_faint_events(mismatch.events)), options)

    no_size, options = _case(5, "biliary-drainage", "Room 2", 10, 170.0, seed)
    patient = replace(no_size.patient, weight_kg=None, height_cm=None)
    yield _file("missing-size", replace(no_size, patient=patient), options)

    implicit, options = _case(6, "coronary-angiography", "Room 4", 10, 430.0, seed)
    yield _file("implicit-vr", implicit, options)

    big, options = _case(7, "lower-limb", "Room 1", 10, 240.0, seed)
    yield _file("big-endian", big, replace(options, syntax=TransferSyntax.EXPLICIT_BIG))


def _case(
    number: int, procedure_key: str, room_name: str, events: int, kerma_mgy: float, seed: int
) -> tuple[DoseReport, WriteOptions]:
    rng = Random(f"{seed}:sample:{number}")
    procedure, room = procedures()[procedure_key], rooms()[room_name]
    started_at = datetime(2025, 3, number, 9, 10, tzinfo=ZONE)
    patient = make_patient(rng, number=number, procedure=procedure_key, on=started_at.date())
    patient = replace(patient, record=replace(patient.record, id=f"DEMO-S{number:04d}"))
    beam = BeamPlan(
        room=room,
        procedure=procedure,
        started_at=started_at,
        reference_air_kerma_mgy=kerma_mgy,
        fluoroscopy_min=procedure.fluoroscopy_min / 2,
        events=events,
        size_cm=patient.size_cm,
        uid_root=f"{seed}:sample:{number}",
    )
    timed = irradiate(beam, rng)
    plan = CasePlan(
        number=number,
        procedure=procedure,
        room=room,
        started_at=started_at,
        month=0,
        operators=tuple(each for each in operators() if each.group == procedure.group)[:1],
        patient=patient,
        traits=Traits(),
    )
    record = report_of(
        plan,
        timed,
        key=f"sample-{number}",
        seed=seed,
        accession_number=f"DEMO-S{number:06d}",
        ended_at=timed[-1].start.replace(microsecond=0),
    )
    return replace(record, patient=patient.record), usual_options(room, procedure)


def _renamed(report: DoseReport, part: str, reported_at: str) -> DoseReport:
    uid = derived_uid("sample part", report.report.sop_instance_uid, part)
    return replace(report, report=replace(report.report, sop_instance_uid=uid, reported_at=reported_at))


def _file(name: str, record: DoseReport, options: WriteOptions) -> SampleFile:
    named = replace(record, file=f"{name}.dcm")
    return SampleFile(named.file, write_report(named, options), named)
