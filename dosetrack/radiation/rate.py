"""How fast a running total grows, and when it may reach the next level.

The same arithmetic serves dose and contrast: it sees amounts and instants only. Only what came
before `now` is looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import exp, log, sqrt
from statistics import NormalDist, fmean, stdev

from dosetrack.radiation.account import RadiationAccount
from dosetrack.radiation.curve import PlaneCurve
from dosetrack.records.levels import LevelLine
from dosetrack.tables import constants

_SECONDS_PER_MINUTE = 60.0


@dataclass(frozen=True, slots=True)
class Step:
    """The total grew by `amount` at `instant`."""

    instant: datetime
    amount: float


@dataclass(frozen=True, slots=True)
class UsualRate:
    """Growth per minute of fluoroscopy in comparable past cases.

    per_minute : geometric mean over the cases [unit of the quantity / min]
    spread : standard deviation of the logarithm between cases
    cases : how many cases it rests on
    """

    per_minute: float
    spread: float
    cases: int


@dataclass(frozen=True, slots=True)
class Forecast:
    """When `level` may be reached, as a range; the ranges are None and `reason` says why when unknown.

    level : the level ahead
    clock_minutes : (earliest, latest) from now on the clock [min]
    beam_on_minutes : the same in minutes of fluoroscopy of the plane, the dose of runs between them
        included [min]; None where fluoroscopy time is not known
    rate_per_minute : growth over the window on the clock [unit of the quantity / min]
    beam_on_rate : growth over the window per minute of fluoroscopy
    usual : the rate of comparable cases that went in
    """

    level: LevelLine
    clock_minutes: tuple[float, float] | None = None
    beam_on_minutes: tuple[float, float] | None = None
    rate_per_minute: float | None = None
    reason: str | None = None
    beam_on_rate: float | None = None
    usual: UsualRate | None = None


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


def kerma_per_fluoroscopy_minute(account: RadiationAccount) -> float | None:
    """Reference air kerma of the worst plane per minute of its fluoroscopy [mGy/min]; None unknown."""
    worst = account.worst_plane
    kerma = worst.reference_air_kerma_mgy.higher if worst else None
    time = worst.fluoroscopy_time_s.higher if worst else None
    if kerma is None or time is None or time.value <= 0 or kerma.value <= 0:
        return None
    return kerma.value / (time.value / _SECONDS_PER_MINUTE)


def usual_rate(rates: Sequence[float]) -> UsualRate | None:
    """The usual rate of comparable cases; None where there are too few (`forecast.csv`)."""
    table = constants("forecast")
    logs = [log(rate) for rate in rates if rate > 0]
    if len(logs) < table["fewest_usual"].number:
        return None
    spread = max(stdev(logs), table["usual_spread_least"].number)
    return UsualRate(per_minute=exp(fmean(logs)), spread=spread, cases=len(logs))


def forecast(
    steps: Sequence[Step],
    *,
    value: float,
    level: LevelLine,
    now: datetime,
    fluoroscopy: Sequence[Step] = (),
    usual: UsualRate | None = None,
) -> Forecast:
    """When a total that stands at `value` may reach `level`, if the last minutes go on.

    Parameters
    ----------
    steps : increases in order of time, in the unit of the level
    fluoroscopy : increases of the fluoroscopy time of the same plane [s]; empty: no range in its minutes
    usual : rate of comparable cases per minute of fluoroscopy; it steadies that range

    Notes
    -----
    Steps are taken as a compound Poisson process. With sum S and sum of squares Q of the steps of
    the window, the rate has the relative variance Q / S²; reaching a further amount D takes a time of
    relative variance (Q / S) / D. Both add; the range is log-normal with the table's coverage; on
    the clock it is narrowed by the table's factor. Per minute of fluoroscopy the drift of the table
    adds to the variance of the recent rate, and recent and usual rate are joined on the log scale,
    each weighted by the inverse of its variance.

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
    known, ahead = squares / total**2, squares / total / distance
    clock = _range(distance / rate, sqrt(table["clock_variance"].number * (known + ahead)))
    beam_rate = _per_fluoroscopy_minute(total, fluoroscopy, start=now - timedelta(minutes=minutes), now=now)
    beam = None
    if beam_rate is not None:
        joined, variance = _joined(beam_rate, known + table["drift"].number ** 2, usual)
        beam = _range(distance / joined, sqrt(variance + ahead))
    clock_reason, beam_reason = _too_wide(clock), _too_wide(beam)
    return Forecast(
        level,
        clock_minutes=None if clock_reason else clock,
        beam_on_minutes=None if beam_reason else beam,
        rate_per_minute=rate,
        reason=clock_reason if clock_reason and (beam is None or beam_reason) else None,
        beam_on_rate=beam_rate,
        usual=usual if beam_rate is not None else None,
    )


def _joined(rate: float, variance: float, usual: UsualRate | None) -> tuple[float, float]:
    """Recent and usual rate joined, and the relative variance of the result."""
    if usual is None:
        return rate, variance
    widening = constants("forecast")["usual_widening"].number
    own, other = 1.0 / variance, 1.0 / (widening * usual.spread) ** 2
    return exp((own * log(rate) + other * log(usual.per_minute)) / (own + other)), 1.0 / (own + other)


def _too_wide(found: tuple[float, float] | None) -> str | None:
    """Why a range is not shown; None where it may be, or where there is none."""
    table = constants("forecast")
    if found is None:
        return None
    if found[1] / found[0] > table["widest_ratio"].number:
        return "too irregular lately to tell"
    return "too far ahead to tell" if found[1] > table["farthest"].number else None


def _recent(steps: Sequence[Step], now: datetime) -> tuple[list[Step], float]:
    """The steps of the window and its length [min]; shorter while the case is younger."""
    past = [s for s in steps if s.instant <= now]
    window = constants("forecast")["window"].number
    if not past:
        return [], window
    start = max(now - timedelta(minutes=window), past[0].instant)
    recent = [s for s in past if s.instant > start]
    return recent, (now - start).total_seconds() / _SECONDS_PER_MINUTE


def _range(middle: float, spread: float) -> tuple[float, float]:
    coverage = constants("forecast")["coverage"].number
    stretch = exp(NormalDist().inv_cdf(0.5 + coverage / 2) * spread)
    return (middle / stretch, middle * stretch)


def _per_fluoroscopy_minute(
    total: float, fluoroscopy: Sequence[Step], *, start: datetime, now: datetime
) -> float | None:
    seconds = sum(step.amount for step in fluoroscopy if start < step.instant <= now)
    return total / (seconds / _SECONDS_PER_MINUTE) if seconds > 0 else None
