"""How often the range of the forecast holds the truth, on cases of an invented department.

    python tests/benchmarks/bench_forecast.py [seed] [months]

Every case is walked through as it happened. At the moment at which the worst plane reached one level
of a ladder, the next one is forecast from what was known by then: the events so far, and the usual
rate of the cases of the same procedure and room that had ended before this one began. A case that
ends before the level was slower than that at least: it counts as cut off. The share inside is told
twice: of the levels that were reached, and of all with those cut off taken in by the estimate of
Kaplan and Meier (J Am Stat Assoc 1958; 53: 457-481, from memory), since slow cases are cut off more
often. Nothing is decided here; 70 to 90 % inside is what the range promises.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date
from math import log

from dosetrack.exchange.department import SampleCase, department_cases
from dosetrack.radiation import (
    PlaneCurve,
    TimedEvent,
    forecast,
    kerma_per_fluoroscopy_minute,
    plane_curves,
    radiation_account,
    steps_of,
    usual_rate,
)
from dosetrack.records.levels import LevelLine
from dosetrack.times import instant_of, zone_named

KERMA, TIME = "reference_air_kerma_mgy", "fluoroscopy_time_s"
LADDERS_MGY = (150.0, 300.0, 1000.0)
ZONE = zone_named("Europe/Lisbon")
PROMISED = (0.70, 0.90)


@dataclass
class Tried:
    """Forecasts of one kind: how many were hidden, and (place of the truth, whether it was reached)."""

    hidden: int = 0
    places: list[tuple[float, bool]] = field(default_factory=list)


def timed_events(case: SampleCase) -> list[TimedEvent]:
    """The events of the case's last report, in order of time."""
    if not case.reports:
        return []
    found = []
    for event in case.reports[-1].record.events:
        at = instant_of(event.started_at, ZONE) if event.started_at else None
        if at is not None and event.reference_air_kerma_mgy is not None:
            found.append(TimedEvent(at.utc, event))
    return sorted(found, key=lambda t: t.instant)


def worst(curves: tuple[PlaneCurve, ...]) -> PlaneCurve | None:
    """The plane with most kerma."""
    known = [c for c in curves if c.points[-1].reference_air_kerma_mgy]
    return max(known, key=lambda c: c.points[-1].reference_air_kerma_mgy or 0.0, default=None)


def walk(case: SampleCase, usual: object, ladder: float, counts: dict[str, Tried]) -> None:
    """Forecast every level of the ladder at the moment the one before it was reached."""
    events = timed_events(case)
    curve = worst(plane_curves(events, [])) if events else None
    if curve is None:
        return
    points = [p for p in curve.points if p.reference_air_kerma_mgy is not None]
    end = points[-1]
    number = 1
    for at, point in enumerate(points):
        value = point.reference_air_kerma_mgy or 0.0
        if value < number * ladder:
            continue
        number = int(value // ladder) + 1
        line = LevelLine(KERMA, number * ladder, "next", "notification", "invented")
        known = [t for t in events if t.instant < point.instant]
        so_far = next(c for c in plane_curves(known, []) if c.plane == curve.plane)
        so_far = PlaneCurve(so_far.plane, tuple(p for p in so_far.points if p.instant <= point.instant))
        found = forecast(
            steps_of(so_far, KERMA),
            value=value,
            level=line,
            now=point.instant,
            fluoroscopy=steps_of(so_far, TIME),
            usual=usual,  # type: ignore[arg-type]
        )
        later = next((p for p in points[at:] if (p.reference_air_kerma_mgy or 0) >= line.value), None)
        until = later or end
        clock = (until.instant - point.instant).total_seconds() / 60
        beam = ((until.fluoroscopy_time_s or 0) - (point.fluoroscopy_time_s or 0)) / 60
        judge(counts["clock"], found.clock_minutes, clock, is_reached=later is not None)
        judge(counts["fluoroscopy"], found.beam_on_minutes, beam, is_reached=later is not None)


def judge(count: Tried, told: tuple[float, float] | None, truth: float, *, is_reached: bool) -> None:
    """Note one forecast: where in the range the truth fell, from -1 (low end) to 1 (high end)."""
    if told is None:
        count.hidden += 1
        return
    middle, half = (log(told[0]) + log(told[1])) / 2, (log(told[1]) - log(told[0])) / 2
    count.places.append(((log(truth) - middle) / half if truth > 0 else -99.0, is_reached))


def below(places: list[tuple[float, bool]], at: float) -> float:
    """Share of truths at or below `at`, those cut off taken in (Kaplan-Meier)."""
    surviving, standing = 1.0, len(places)
    for place, is_reached in sorted(places, key=lambda p: (p[0], not p[1])):
        if place > at:
            break
        if is_reached:
            surviving *= 1 - 1 / standing
        standing -= 1
    return 1 - surviving


def report(name: str, tried: Tried) -> str:
    """One line of what was tried."""
    reached = [place for place, is_reached in tried.places if is_reached]
    inside = sum(abs(place) <= 1 for place in reached) / max(1, len(reached))
    whole = below(tried.places, 1.0) - below(tried.places, -1.0)
    early, late = sum(p < -1 for p in reached), sum(p > 1 for p in reached)
    kept = all(PROMISED[0] <= share <= PROMISED[1] for share in (inside, whole))
    return (
        f"{name}: {inside:5.1%} of {len(reached)} reached inside, {whole:5.1%} with "
        f"{len(tried.places) - len(reached)} cut off ({'as promised' if kept else 'NOT as promised'}); "
        f"earlier {early}, later {late}, hidden {tried.hidden}"
    )


def main() -> None:
    """Print the share inside for each ladder."""
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    months = int(sys.argv[2]) if len(sys.argv) > 2 else 14
    cases = list(department_cases(seed=seed, start=date(2025, 1, 1), months=months))
    past: dict[tuple[str, str], list[float]] = defaultdict(list)
    counts = {ladder: {"clock": Tried(), "fluoroscopy": Tried()} for ladder in LADDERS_MGY}
    seen = 0
    for case in cases:
        key = (case.procedure, case.room)
        events = timed_events(case)
        usual = usual_rate(past[key])
        if len(past[key]) >= 5:
            seen += 1
            for ladder in LADDERS_MGY:
                walk(case, usual, ladder, counts[ladder])
        rate = kerma_per_fluoroscopy_minute(radiation_account([t.event for t in events], [], []))
        if rate is not None:
            past[key].append(rate)
    print(f"seed {seed}: {len(cases)} cases, {seen} of them after 5 comparable ones")
    for ladder, by_unit in counts.items():
        for unit, count in by_unit.items():
            print(report(f"every {ladder:4.0f} mGy, minutes of {unit:11s}", count))


if __name__ == "__main__":
    main()
