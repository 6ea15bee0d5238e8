"""The forecast of the next level: by hand, and its coverage against simulated cases."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from math import exp, log, sqrt

import pytest

from dosetrack.radiation import Forecast, Step, UsualRate, forecast, recent_rate, usual_rate
from dosetrack.records.levels import LevelLine

NOW = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)
LEVEL = LevelLine("reference_air_kerma_mgy", 4000.0, "Ka,r 4 Gy", "notification", "invented")


def ago(minutes: float) -> datetime:
    return NOW - timedelta(minutes=minutes)


def even_steps(amount: float = 50.0, every: float = 1.0, count: int = 25) -> list[Step]:
    return [Step(ago(every * n), amount) for n in reversed(range(count))]


def test_even_steps_by_hand() -> None:
    # 20 steps of 50 in the last 20 min: 50 a minute; 500 to go: 10 min.
    # Relative variance: 20·50²/1000² + (20·50²/1000)/500 = 0.05 + 0.1, on the clock times 0.85;
    # z(80 %) = 1.2816 (normal table)
    found = forecast(even_steps(), value=3500.0, level=LEVEL, now=NOW)
    stretch = exp(1.2816 * sqrt(0.85 * 0.15))
    assert found.rate_per_minute == pytest.approx(50.0)
    assert found.clock_minutes == (
        pytest.approx(10 / stretch, rel=1e-4),
        pytest.approx(10 * stretch, rel=1e-4),
    )
    assert found.beam_on_minutes is None
    assert found.reason is None


def test_fluoroscopy_minutes_follow_the_share_of_time_with_beam() -> None:
    half = even_steps(amount=30.0)  # 30 s of each minute
    found = forecast(even_steps(), value=3500.0, level=LEVEL, now=NOW, fluoroscopy=half)
    assert found.clock_minutes is not None
    # half the minutes; the variance without the clock's factor, with the drift: 0.15 + 0.25²
    stretch = exp(1.2816 * sqrt(0.15 + 0.25**2))
    assert found.beam_on_minutes == (
        pytest.approx(5 / stretch, rel=1e-4),
        pytest.approx(5 * stretch, rel=1e-4),
    )


def test_usual_rate_steadies_the_range_by_the_inverse_of_its_variance() -> None:
    # recent: 1000 in 10 min of fluoroscopy, 100 a minute, variance 0.05 + 0.25² = 0.1125; usual: 50 a minute,
    # spread 0.2 widened twofold, variance 0.16. Weights 8.8889 and 6.25: log rate is their mean.
    usual = UsualRate(per_minute=50.0, spread=0.2, cases=9)
    half = even_steps(amount=30.0)
    found = forecast(even_steps(), value=3500.0, level=LEVEL, now=NOW, fluoroscopy=half, usual=usual)
    joined = exp((8.8889 * log(100) + 6.25 * log(50)) / 15.1389)
    stretch = exp(1.2816 * sqrt(1 / 15.1389 + 0.1))
    assert found.beam_on_minutes == (
        pytest.approx(500 / joined / stretch, rel=1e-4),
        pytest.approx(500 / joined * stretch, rel=1e-4),
    )
    assert found.usual == usual


def test_usual_rate_needs_enough_cases_and_is_their_geometric_mean() -> None:
    assert usual_rate([40.0, 50.0, 60.0, 70.0]) is None
    found = usual_rate([25.0, 50.0, 100.0, 50.0, 50.0])
    assert found is not None
    assert (found.per_minute, found.cases) == (pytest.approx(50.0), 5)
    # logs differ from their mean by ±ln 2 twice and 0 else: s² = 2·0.4805/4
    assert found.spread == pytest.approx(sqrt(2 * 0.480453 / 4), rel=1e-4)


def test_a_range_looks_at_nothing_that_comes_later() -> None:
    later = Step(NOW + timedelta(minutes=1), 400.0)
    known = forecast(even_steps(), value=3500.0, level=LEVEL, now=NOW)
    assert forecast([*even_steps(), later], value=3500.0, level=LEVEL, now=NOW) == known


@pytest.mark.parametrize(
    ("steps", "value", "reason"),
    [
        ([], 3500.0, "too few exposures lately to tell"),
        (even_steps(count=3), 3500.0, "too few exposures lately to tell"),
        (
            [Step(s.instant - timedelta(minutes=12), s.amount) for s in even_steps()],
            3500.0,
            "nothing new for 12 min",
        ),
        (even_steps(amount=1.0), 3500.0, "too far ahead to tell"),
        ([*even_steps(amount=1.0, count=5), Step(NOW, 900.0)], 3500.0, "too irregular lately to tell"),
        (even_steps(), 4000.0, "already reached"),
    ],
)
def test_no_forecast_where_it_would_be_a_guess(steps: list[Step], value: float, reason: str) -> None:
    found = forecast(steps, value=value, level=LEVEL, now=NOW)
    assert (found.clock_minutes, found.beam_on_minutes, found.reason) == (None, None, reason)


def test_rate_of_nothing_is_unknown() -> None:
    assert recent_rate([], now=NOW) is None
    assert recent_rate([Step(ago(40), 5.0)], now=NOW) is None


def test_ranges_hold_about_four_in_five_simulated_cases() -> None:
    """Compound Poisson exposures with skewed amounts, made by chance here and not by the package."""
    chance = random.Random(20260302)
    inside = told = 0
    for _ in range(400):
        pace, scale = chance.uniform(0.8, 2.5), chance.uniform(10.0, 40.0)
        clock, value, steps = -30.0, 0.0, []
        reached_at = None
        distance = chance.uniform(200.0, 800.0)
        while reached_at is None:
            clock += chance.expovariate(pace)
            amount = scale * chance.gammavariate(2.0, 0.5)
            if clock <= 0:
                steps.append(Step(NOW + timedelta(minutes=clock), amount))
            else:
                value += amount
                reached_at = clock if value >= distance else None
        found: Forecast = forecast(steps, value=4000.0 - distance, level=LEVEL, now=NOW)
        if found.clock_minutes is not None:
            told += 1
            inside += found.clock_minutes[0] <= reached_at <= found.clock_minutes[1]
    assert told > 300
    assert 0.74 < inside / told < 0.90  # 80 % intended; chance alone moves 400 cases by ± 4 %
