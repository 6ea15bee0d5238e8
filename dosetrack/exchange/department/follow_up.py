"""What the invented department did about its follow-up: calls, looks, results, and some left undone."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal

from dosetrack.exchange.department.rooms import ZONE
from dosetrack.records.entries import Creatinine, Payload
from dosetrack.records.follow_up import (
    ContactTried,
    FollowUpAssigned,
    FollowUpClosed,
    FollowUpDecided,
    PatientContact,
    SkinDoseEstimated,
    SkinExamined,
)
from dosetrack.records.people import Actor, Role

CALLER = Actor("Invented Caller", Role.FOLLOW_UP)
PHYSICIST = Actor("Invented Physicist", Role.PHYSICS)
_SCALE = "CTCAE 5.0, radiation dermatitis"
_LANGUAGES = ("Portuguese", "Arabic", None, None, None, None)


@dataclass(frozen=True, slots=True)
class SampleFollowUp:
    """One thing that was done about an item, at a time of the department's day."""

    happened_at: datetime
    payload: Payload
    actor: Actor
    reason: str | None = None


def follow_up_history(
    decided: FollowUpDecided,
    *,
    case_key: str,
    until: date,
    baseline: Creatinine | None = None,
    contact_days: Sequence[str] = (),
) -> tuple[SampleFollowUp, ...]:
    """What was done about one item up to and without the day `until`; the same key gives the same.

    About one item in five is left as it was decided.

    Parameters
    ----------
    case_key : any name of the case that stays the same
    baseline : creatinine before the case
    contact_days : of an item that only waits for an estimate, YYYY-MM-DD
    """
    chance = random.Random(f"follow-up {case_key} {decided.kind}")
    if chance.random() < 0.2:
        return ()
    days = [date.fromisoformat(day) for day in decided.due or contact_days]
    if decided.kind == "kidney":
        steps = _kidney(chance, days, baseline)
    elif decided.tier is None:
        steps = _estimate(chance, decided)
    else:
        steps = _skin(chance, days)
    done = sorted(steps, key=lambda step: step.happened_at)
    return tuple(step for step in done if step.happened_at.date() < until)


def _skin(chance: random.Random, days: Sequence[date]) -> Iterator[SampleFollowUp]:
    first = days[0] - timedelta(days=12)
    yield _step(chance, first, FollowUpAssigned("skin", CALLER.name))
    yield _step(
        chance,
        first,
        PatientContact(
            phone=f"+00 555 01{chance.randrange(100):02d}",
            consents_to=("phone", "letter"),
            interpreter=chance.choice(_LANGUAGES),
        ),
    )
    way = chance.random()
    if way < 0.12:
        for turn in range(3):
            yield _step(chance, days[0] + timedelta(days=2 * turn), ContactTried("skin", "not reached"))
        return
    if way < 0.18:
        yield _step(chance, days[0], ContactTried("skin", "declined", note="feels well, wants no more calls"))
        return
    if way < 0.22:
        yield _step(chance, days[0], ContactTried("skin", "transferred", note="lives in another town"))
        return
    if chance.random() < 0.4:
        yield _step(chance, days[0] - timedelta(days=1), ContactTried("skin", "not reached"))
    last = days[0]
    for day in days if way < 0.85 else days[:1]:
        late = timedelta(days=chance.choice((0, 0, 1, 3, 9)))
        last = day + late
        yield _step(chance, last, ContactTried("skin", "reached"))
        yield _step(chance, last, _look(chance, last), later=timedelta(hours=2))
    if way < 0.7:
        closed = last + timedelta(days=1)
        yield _step(chance, closed, FollowUpClosed("skin"), reason="all looks done, nothing to follow")


def _look(chance: random.Random, day: date) -> SkinExamined:
    has_reddening = chance.random() < 0.15
    return SkinExamined(
        seen_on=day.isoformat(),
        examiner="Invented Doctor",
        grade=1 if has_reddening else 0,
        scale=_SCALE,
        place="back, left of the spine" if has_reddening else None,
        is_at_predicted_site=True if has_reddening else None,
    )


def _estimate(chance: random.Random, decided: FollowUpDecided) -> Iterator[SampleFollowUp]:
    if decided.estimate_due is None:
        return
    day = date.fromisoformat(decided.estimate_due) - timedelta(days=chance.randrange(1, 4))
    estimate = SkinDoseEstimated("no call", peak_skin_dose_mgy=float(chance.randrange(1200, 2600)))
    why = "views spread over the skin; peak below every level"
    yield _step(chance, day, estimate, actor=PHYSICIST, reason=why)
    yield _step(chance, day, FollowUpClosed("skin"), actor=PHYSICIST, reason=why, later=timedelta(minutes=1))


def _kidney(
    chance: random.Random, days: Sequence[date], baseline: Creatinine | None
) -> Iterator[SampleFollowUp]:
    day = days[0] + timedelta(days=chance.choice((0, 0, 1, 5)))
    yield _step(chance, days[0] - timedelta(days=1), FollowUpAssigned("kidney", CALLER.name))
    if baseline is None or chance.random() < 0.15:
        yield _step(chance, day, ContactTried("kidney", "not reached"))
        return
    rise = Decimal(chance.choice(("0.95", "1.0", "1.0", "1.05", "1.1", "1.2", "1.6")))
    value = (Decimal(baseline.value) * rise).quantize(Decimal(baseline.value))
    result = Creatinine(str(value), baseline.unit, day.isoformat())
    yield _step(chance, day, result)
    if rise < Decimal("1.1") and chance.random() < 0.7:
        closed = day + timedelta(days=1)
        yield _step(chance, closed, FollowUpClosed("kidney"), reason="result read; the patient was told")


def _step(
    chance: random.Random,
    day: date,
    payload: Payload,
    *,
    actor: Actor = CALLER,
    reason: str | None = None,
    later: timedelta = timedelta(),
) -> SampleFollowUp:
    # the hour is that of the day, so that what follows on one day keeps its order
    at = datetime.combine(day, time(9, chance.randrange(60)), tzinfo=ZONE)
    if isinstance(payload, SkinExamined | FollowUpClosed):
        at = at.replace(minute=59)
    return SampleFollowUp(at + later, payload, actor, reason)
