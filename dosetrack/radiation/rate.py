"""How fast a running total grows, and when it may reach the next level.

The same arithmetic serves dose and contrast: it sees amounts and instants only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import exp, sqrt
from statistics import NormalDist

from dosetrack.radiation.curve import BeamOn, PlaneCurve
from dosetrack.records.levels import LevelLine
from dosetrack.tables import constants

_SECONDS_PER_MINUTE = 60.0


@dataclass(frozen=True, slots=True)
class Step:
    """The total grew by `amount` at `instant`."""

    instant: datetime
    amount: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """When `level` may be reached, as a range; the ranges are None and `reason` says why when unknown.

    level : the level ahead
    clock_minutes : (earliest, latest) from now on the clock [min]
    beam_on_minutes : the same in minutes of beam-on time [min]; None where beam-on is not known
    rate_per_minute : growth over the window [unit of the quantity / min]
    """

    level: LevelLine
    clock_minutes: tuple[float, float] | None = None
    beam_on_minutes: tuple[float, float] | None = None
    rate_per_minute: float | None = None
    reason: str | None = None


def steps_of(curve: PlaneCurve, quantity: str) -> tuple[Step, ...]:
    """The increases of `quantity` along `curve`."""
    steps, last = [], 0.0
    for point in curve.points:
        value: float | None = getattr(point, quantity)
        if value is not None and value > last:
            steps.append(Step(point.instant, value - last))
            last = value
    return tuple(steps)


def recent_rate(steps: Sequence[Step], *, now: datetime) -> float | None:
    """Growth per clock minute over the last minutes (`forecast.csv`, window); None without steps."""
    recent, minutes = _recent(steps, now)
    return sum(s.amount for s in recent) / minutes if recent and minutes > 0 else None


def forecast(
    steps: Sequence[Step],
    *,
    value: float,
    level: LevelLine,
    now: datetime,
    beam_on: Sequence[BeamOn] = (),
) -> Forecast:
    """When a total that stands at `value` may reach `level`, if the last minutes go on.

    Parameters
    ----------
    steps : increases in order of time, in the unit of the level
    beam_on : of the same plane; empty: no range in beam-on minutes

    Notes
    -----
    Steps are taken as a compound Poisson process. With sum S and sum of squares Q of the steps of
    the window, the rate has the relative variance Q / S²; reaching a further amount D takes a time
    of relative variance (Q / S) / D. Both add; the range is log-normal with the table's coverage.

    References
    ----------
    Moments of the compound Poisson and its renewal counting process, e.g. Feller, An Introduction
    to Probability Theory and Its Applications, vol. 2, XI (from memory).
    """
    table = constants("forecast")
    distance = level.value - value
    if distance <= 0:
        return Forecast(level, reason="already reached")
    recent, minutes = _recent(steps, now)
    rate = recent_rate(steps, now=now)
    if rate is None or len(recent) < table["fewest_steps"].number:
        return Forecast(level, rate_per_minute=rate, reason="too few exposures lately to tell")
    silent = (now - recent[-1].instant).total_seconds() / _SECONDS_PER_MINUTE
    if silent > table["stale_after"].number:
        return Forecast(level, rate_per_minute=rate, reason=f"nothing new for {silent:.0f} min")
    total, squares = sum(s.amount for s in recent), sum(s.amount**2 for s in recent)
    spread = sqrt(squares / total**2 + squares / total / distance)
    stretch = exp(NormalDist().inv_cdf(0.5 + table["coverage"].number / 2) * spread)
    clock = _range(distance / rate, stretch)
    if stretch**2 > table["widest_ratio"].number:
        return Forecast(level, rate_per_minute=rate, reason="too irregular lately to tell")
    if clock[1] > table["farthest"].number:
        return Forecast(level, rate_per_minute=rate, reason="too far ahead to tell")
    beam_minutes = _beam_minutes(beam_on, start=now - timedelta(minutes=minutes), now=now)
    beam = _range(distance * beam_minutes / total, stretch) if beam_minutes > 0 else None
    return Forecast(level, clock_minutes=clock, beam_on_minutes=beam, rate_per_minute=rate)


def _recent(steps: Sequence[Step], now: datetime) -> tuple[list[Step], float]:
    """The steps of the window and its length [min]; shorter while the case is younger."""
    past = [s for s in steps if s.instant <= now]
    window = constants("forecast")["window"].number
    if not past:
        return [], window
    start = max(now - timedelta(minutes=window), past[0].instant)
    recent = [s for s in past if s.instant > start]
    return recent, (now - start).total_seconds() / _SECONDS_PER_MINUTE


def _range(middle: float, stretch: float) -> tuple[float, float]:
    return (middle / stretch, middle * stretch)


def _beam_minutes(strips: Sequence[BeamOn], *, start: datetime, now: datetime) -> float:
    seconds = 0.0
    for strip in strips:
        if strip.end is not None:
            seconds += max(0.0, (min(strip.end, now) - max(strip.start, start)).total_seconds())
    return seconds / _SECONDS_PER_MINUTE
