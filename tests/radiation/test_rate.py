"""The forecast of the next level: by hand, and its coverage against simulated cases."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from math import exp, sqrt

import pytest

from dosetrack.radiation import BeamOn, Forecast, Step, forecast, recent_rate
from dosetrack.records.levels import LevelLine

NOW = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)
LEVEL = LevelLine("reference_air_kerma_mgy", 4000.0, "Ka,r 4 Gy", "notification", "invented")


def ago(minutes: float) -> datetime:
    return NOW - timedelta(minutes=minutes)


def even_steps(amount: float = 50.0, every: float = 1.0, count: int = 25) -> list[Step]:
    return [Step(ago(every * n), amount) for n in reversed(range(count))]


def test_even_steps_by_hand() -> None:
    # 20 steps of 50 in the last 20 min: 50 a minute; 500 to go: 10 min.
    # Relative variance: 20·50²/1000² + (20·50²/1000)/500 = 0.05 + 0.1; z(80 %) = 1.2816 (normal table)
    found = forecast(even_steps(), value=3500.0, level=LEVEL, now=NOW)
    stretch = exp(1.2816 * sqrt(0.15))
    assert found.rate_per_minute == pytest.approx(50.0)
    assert found.clock_minutes == (
        pytest.approx(10 / stretch, rel=1e-4),
        pytest.approx(10 * stretch, rel=1e-4),
    )
    assert found.beam_on_minutes is None
    assert found.reason is None


def test_beam_on_minutes_follow_the_share_of_time_with_beam() -> None:
    strips = [BeamOn(ago(n), ago(n - 0.5), "fluoroscopy", "a") for n in range(30, 0, -1)]
    found = forecast(even_steps(), value=3500.0, level=LEVEL, now=NOW, beam_on=strips)
    assert found.clock_minutes is not None
    assert found.beam_on_minutes == tuple(pytest.approx(m / 2) for m in found.clock_minutes)


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
