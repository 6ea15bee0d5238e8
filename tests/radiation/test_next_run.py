"""One more run like the last three: least and most, by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from dosetrack.radiation import NextRun, Step, TimedEvent, next_run
from dosetrack.records.report import IrradiationEvent

NOW = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)


def at(minutes: float, seconds: float = 0.0) -> datetime:
    return NOW + timedelta(minutes=minutes, seconds=seconds)


def run(minutes: float, kerma: float, *, plane: str = "a", kind: str = "stationary") -> TimedEvent:
    return TimedEvent(
        at(minutes),
        IrradiationEvent(plane=plane, type=kind, reference_air_kerma_mgy=kerma, duration_s=6.0),  # type: ignore[arg-type]
    )


RUNS = [run(-50, 300.0), run(-40, 70.0), run(-30, 90.0), run(-20, 80.0), run(-10, 500.0, plane="b")]


def test_the_last_three_runs_of_the_plane_and_their_injections() -> None:
    given = [Step(at(-45), 30.0), Step(at(-40, -5), 12.0), Step(at(-30), 10.0), Step(at(-20, 20), 14.0)]
    found = next_run(RUNS, given, plane="a", now=NOW)
    assert found == NextRun(
        runs=3, plane="a", kerma_mgy=(70.0, 90.0), contrast_ml=(10.0, 14.0), is_tied=True, last_run_at=at(-20)
    )


def test_injections_that_fed_no_run_stand_in_as_the_last_three() -> None:
    given = [Step(at(-45), 30.0), Step(at(-35), 8.0), Step(at(-25), 6.0), Step(at(-5), 7.0)]
    found = next_run(RUNS, given, plane="a", now=NOW)
    assert (found.contrast_ml, found.is_tied) == ((6.0, 8.0), False)


def test_fewer_than_three_are_hidden_with_the_reason() -> None:
    found = next_run(RUNS[:2], [], plane="a", now=NOW)
    assert (found.kerma_mgy, found.reason) == (None, "2 runs reported so far; 3 are needed")
    assert next_run([], [], plane=None, now=NOW).reason == "no run reported so far; 3 are needed"
    without = next_run(RUNS, [Step(at(-5), 7.0)], plane="a", now=NOW)
    assert (without.contrast_ml, without.contrast_reason) == (None, "fewer than 3 injections so far")


def test_fluoroscopy_and_what_comes_later_are_no_runs() -> None:
    more = [*RUNS, run(-5, 900.0, kind="fluoroscopy"), run(5, 900.0)]
    assert next_run(more, [], plane="a", now=NOW).kerma_mgy == (70.0, 90.0)


def test_a_console_that_names_the_one_plane_otherwise_changes_nothing() -> None:
    single = [run(m, 50.0, plane="single") for m in (-30, -20, -10)]
    assert next_run(single, [], plane="a", now=NOW).kerma_mgy == (50.0, 50.0)
