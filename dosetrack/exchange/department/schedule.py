"""Which cases the invented department does, when, where and by whom."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from random import Random

from dosetrack.exchange.department.live_patient import live_patient
from dosetrack.exchange.department.people import SamplePatient, make_patient
from dosetrack.exchange.department.rooms import (
    ZONE,
    SampleOperator,
    SampleProcedure,
    SampleRoom,
    operators,
    procedures,
    rooms,
)
from dosetrack.exchange.department.special import LIVE_PATIENT, SPECIALS, USUAL, Special, Traits

_SLOTS = (time(8, 20), time(10, 5), time(11, 50), time(13, 40), time(15, 25), time(17, 10))
_EMERGENCIES = frozenset({"thrombectomy", "biliary-drainage", "nephrostomy"})
_RETURNING = 0.08  # part of the cases whose patient was treated in this department before
_MONTH_DAYS = 30.4375


@dataclass(frozen=True, slots=True)
class CasePlan:
    """One case before anything is irradiated. `month` counts from the department's start."""

    number: int
    procedure: SampleProcedure
    room: SampleRoom
    started_at: datetime
    month: int
    operators: tuple[SampleOperator, ...]
    patient: SamplePatient
    traits: Traits


@dataclass(frozen=True, slots=True)
class _Booking:
    procedure: SampleProcedure
    room: SampleRoom
    started_at: datetime
    traits: Traits


def plan_cases(*, seed: int, start: date, end: date, scale: float) -> list[CasePlan]:
    """Every case from `start` up to, not including, `end`, in time order.

    scale : 1 for the usual number of cases; the cases that test rules are always there
    """
    rng = Random(f"{seed}:schedule")
    book = _Book(rng)
    bookings = [_special(special, start, end, book) for special in SPECIALS]
    for procedure in procedures().values():
        bookings += _usual(procedure, start, end, scale, rng, book)
    bookings.sort(key=lambda booking: (booking.started_at, booking.room.name))
    return _with_people(bookings, seed=seed, start=start, end=end)


class _Book:
    """Keeps a room from being used twice at one time."""

    def __init__(self, rng: Random) -> None:
        self._rng = rng
        self._taken: set[tuple[str, date, time]] = set()

    def slot(self, room: str, day: date) -> datetime:
        """A free time in `room` on or soon after `day`."""
        while True:
            free = [each for each in _SLOTS if (room, day, each) not in self._taken]
            if free and day.weekday() < 5:
                chosen = self._rng.choice(free)
                self._taken.add((room, day, chosen))
                minutes = timedelta(minutes=self._rng.randrange(15))
                return datetime.combine(day, chosen, ZONE) + minutes
            day += timedelta(days=1)


def _usual(
    procedure: SampleProcedure, start: date, end: date, scale: float, rng: Random, book: _Book
) -> list[_Booking]:
    days = (end - start).days
    expected = procedure.per_month * scale * days / _MONTH_DAYS
    number = max(0, round(rng.gauss(expected, expected**0.5 * 0.5)))
    names, weights = zip(*procedure.rooms, strict=True)
    found = []
    for _ in range(number):
        day = start + timedelta(days=rng.randrange(days))
        room = rooms()[rng.choices(names, weights)[0]]
        if procedure.key in _EMERGENCIES and rng.random() < 0.3:
            at = datetime.combine(day, time(rng.choice((0, 2, 3, 19, 21, 22)), rng.randrange(60)), ZONE)
        else:
            at = book.slot(room.name, day)
        if at.date() < end:
            found.append(_Booking(procedure, room, at, USUAL))
    return found


def _special(special: Special, start: date, end: date, book: _Book) -> _Booking:
    procedure, room = procedures()[special.procedure], rooms()[special.room]
    if special.is_clock_change_night:
        night = datetime.combine(_clocks_back(start, end), time(2, 50), ZONE)
        return _Booking(procedure, room, night, special.traits)
    if special.days_before_end is not None:
        day = end - timedelta(days=special.days_before_end)
        at = datetime.combine(day, time(9, 5), ZONE)
        return _Booking(procedure, room, at, special.traits)
    day = start + timedelta(days=round((special.at or 0) * (end - start).days))
    while day.weekday() >= 5:
        day -= timedelta(days=1)
    return _Booking(procedure, room, book.slot(room.name, day), special.traits)


def _clocks_back(start: date, end: date) -> date:
    """The last night in the span on which the clocks are set back; the last night where there is none."""
    day = end - timedelta(days=1)
    while day >= start:
        before = datetime.combine(day, time(0), ZONE).utcoffset()
        after = datetime.combine(day, time(12), ZONE).utcoffset()
        if before is not None and after is not None and after < before:
            return day
        day -= timedelta(days=1)
    return end - timedelta(days=1)


def _with_people(bookings: list[_Booking], *, seed: int, start: date, end: date) -> list[CasePlan]:
    rng = Random(f"{seed}:people")
    known: dict[str, SamplePatient] = {LIVE_PATIENT: live_patient(end)}
    earlier: dict[str, list[SamplePatient]] = {}
    plans = []
    for number, booking in enumerate(bookings, start=1):
        on = booking.started_at.date()
        patient = _patient(booking, number, on, rng, known, earlier)
        plans.append(
            CasePlan(
                number=number,
                procedure=booking.procedure,
                room=booking.room,
                started_at=booking.started_at,
                month=int((on - start).days / _MONTH_DAYS),
                operators=_team(booking.procedure.group, rng),
                patient=patient,
                traits=booking.traits,
            )
        )
    return plans


def _patient(
    booking: _Booking,
    number: int,
    on: date,
    rng: Random,
    known: dict[str, SamplePatient],
    earlier: dict[str, list[SamplePatient]],
) -> SamplePatient:
    traits, key = booking.traits, booking.procedure.key
    seen = earlier.setdefault(key, [])
    patient = known.get(traits.patient or "")
    if patient is None and traits == USUAL and len(seen) > 5 and rng.random() < _RETURNING:
        return rng.choice(seen)
    if patient is None:
        patient = make_patient(rng, number=number, procedure=key, on=on)
    if traits.name is not None:
        patient = replace(patient, record=replace(patient.record, name=traits.name))
    if traits.creatinine_mg_dl is not None:
        patient = replace(patient, creatinine_mg_dl=traits.creatinine_mg_dl)
    if traits.patient is not None:
        known[traits.patient] = patient
    elif traits == USUAL:
        seen.append(patient)
    return patient


def _team(group: str, rng: Random) -> tuple[SampleOperator, ...]:
    able = [each for each in operators() if each.group == group]
    return tuple(rng.sample(able, 2 if rng.random() < 0.3 and len(able) > 1 else 1))
