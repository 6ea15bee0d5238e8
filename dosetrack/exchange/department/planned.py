"""The schedule of the invented department: of its cases, of two that never came, and of one day ahead."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from random import Random

from dosetrack.exchange.department.live_case import LIVE_ROOM, live_opening
from dosetrack.exchange.department.people import make_patient
from dosetrack.exchange.department.records import SampleCase
from dosetrack.exchange.department.rooms import ZONE
from dosetrack.records.entries import ProcedureScheduled
from dosetrack.records.report import Patient

SOURCE = "invented schedule"
_KEPT_DAYS = 70
_OFFICE_HOURS = range(7, 18)  # what came at night was an emergency: nobody planned it
_GRID_MIN = 15
_SLOTS = (time(8, 15), time(10, 30), time(13, 0), time(15, 15))
_FIRST_FREE_NUMBER = 95001
_RETURNS_WITHIN_DAYS = 60


def department_schedule(
    cases: Sequence[SampleCase], *, seed: int, today: date
) -> tuple[ProcedureScheduled, ...]:
    """What was planned in the last weeks and what is planned for `today`, in order of time."""
    rng = Random(f"{seed}:planned")
    recent = [case for case in cases if 0 < (today - case.started_at.date()).days <= _KEPT_DAYS]
    found = [_of_case(case) for case in recent if case.started_at.hour in _OFFICE_HOURS]
    found += [_never_came(case, number) for number, case in enumerate(found[5::40][:2], start=1)]
    found += _of_today(recent, rng, today)
    return tuple(sorted(found, key=lambda planned: (planned.scheduled_at or "", planned.key)))


def _of_case(case: SampleCase) -> ProcedureScheduled:
    begun = case.started_at.replace(second=0, microsecond=0)
    return ProcedureScheduled(
        key=case.accession_number,
        patient=_person(case.patient),
        scheduled_at=_text(begun - timedelta(minutes=begun.minute % _GRID_MIN)),
        room=case.room,
        procedure=case.procedure,
        operators=case.operators,
        accession_number=case.accession_number,
        source=SOURCE,
    )


def _never_came(like: ProcedureScheduled, number: int) -> ProcedureScheduled:
    """A procedure that was planned, and of which neither case nor report is held."""
    accession = f"DEMO-N{number:06d}"
    patient = Patient(id=f"DEMO-{90900 + number}", id_issuer=like.patient.id_issuer, name="Ivy-Demo^Ines")
    return ProcedureScheduled(
        key=accession,
        patient=patient,
        scheduled_at=like.scheduled_at,
        room=like.room,
        procedure=like.procedure,
        accession_number=accession,
        source=SOURCE,
    )


def _of_today(recent: Sequence[SampleCase], rng: Random, today: date) -> list[ProcedureScheduled]:
    """Each room has a day of its own; in each, one who was here some weeks ago and had most dose then."""
    live = live_opening(datetime.combine(today, _SLOTS[0], ZONE))
    found = [
        ProcedureScheduled(
            key=live.accession_number or LIVE_ROOM,
            patient=_person(live.patient),
            scheduled_at=_text(datetime.combine(today, _SLOTS[0], ZONE)),
            room=LIVE_ROOM,
            procedure=live.procedure,
            operators=live.operators,
            accession_number=live.accession_number,
            source=SOURCE,
        )
    ]
    number = _FIRST_FREE_NUMBER
    for room in sorted({case.room for case in recent}):
        here = [case for case in recent if case.room == room and case.reports]
        returning = max(
            (c for c in here if (today - c.started_at.date()).days <= _RETURNS_WITHIN_DAYS),
            key=lambda case: len(case.reports[-1].record.events),
            default=None,
        )
        for place, slot in enumerate(_SLOTS[room == LIVE_ROOM :]):
            like = returning if place == 1 and returning else rng.choice(here)
            patient = like.patient
            if like is not returning:
                patient = make_patient(rng, number=number, procedure="", on=today).record
            found.append(_today(like, patient, number, datetime.combine(today, slot, ZONE)))
            number += 1
    return [*found, _without_room(found[-1])]


def _today(like: SampleCase, patient: Patient, number: int, at: datetime) -> ProcedureScheduled:
    accession = f"DEMO-P{number:06d}"
    return ProcedureScheduled(
        key=accession,
        patient=_person(patient),
        scheduled_at=_text(at),
        room=like.room,
        procedure=like.procedure,
        operators=like.operators,
        accession_number=accession,
        source=SOURCE,
    )


def _without_room(like: ProcedureScheduled) -> ProcedureScheduled:
    """A procedure that whichever room is free will take."""
    accession = "DEMO-P095999"
    return ProcedureScheduled(
        key=accession,
        patient=Patient(
            id="DEMO-95999",
            id_issuer=like.patient.id_issuer,
            name="Quince-Demo^Kora",
            sex="F",
            birth_date="1949-08-30",
        ),
        scheduled_at=(like.scheduled_at or "")[:10],
        procedure="Nephrostomy",
        accession_number=accession,
        source=SOURCE,
        station="INVENTED-ANY",
    )


def _person(patient: Patient) -> Patient:
    """What a schedule tells of a person: nothing that is measured on the day."""
    return Patient(
        id=patient.id,
        id_issuer=patient.id_issuer,
        name=patient.name,
        sex=patient.sex,
        birth_date=patient.birth_date,
    )


def _text(moment: datetime) -> str:
    return moment.replace(tzinfo=None).isoformat(timespec="seconds")
