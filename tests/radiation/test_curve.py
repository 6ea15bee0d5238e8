"""Dose on the clock: by hand for a few events, by properties for many."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.radiation import (
    BeamOn,
    TimedEvent,
    TimedReading,
    beam_on,
    plane_curves,
    radiation_account,
)
from dosetrack.records.entries import ConsoleReading
from dosetrack.records.report import IrradiationEvent

START = datetime(2026, 3, 2, 9, 12, tzinfo=UTC)


def at(seconds: float) -> datetime:
    return START + timedelta(seconds=seconds)


def event(
    seconds: float,
    kerma: float | None,
    *,
    duration: float | None = 10.0,
    kind: str = "fluoroscopy",
    plane: str = "a",
) -> TimedEvent:
    return TimedEvent(
        at(seconds),
        IrradiationEvent(
            plane=plane,  # type: ignore[arg-type]
            type=kind,
            reference_air_kerma_mgy=kerma,
            dose_area_product_gycm2=None if kerma is None else kerma / 10,
            duration_s=duration,
        ),
    )


def reading(seconds: float, kerma: float, *, plane: str = "single") -> TimedReading:
    return TimedReading(at(seconds), ConsoleReading(plane=plane, reference_air_kerma_mgy=kerma))  # type: ignore[arg-type]


def test_dose_rises_inside_an_event_and_stands_between() -> None:
    (curve,) = plane_curves([event(0, 20.0), event(60, 5.0, kind="stationary")], [])
    assert [(p.instant, p.reference_air_kerma_mgy, p.fluoroscopy_time_s) for p in curve.points] == [
        (at(0), None, None),
        (at(10), 20.0, 10.0),
        (at(60), 20.0, 10.0),
        (at(70), 25.0, 10.0),
    ]


def test_events_that_overlap_share_the_clock() -> None:
    (curve,) = plane_curves([event(0, 20.0), event(5, 10.0)], [])
    assert [p.reference_air_kerma_mgy for p in curve.points] == [None, 10.0, pytest.approx(25.0), 30.0]


def test_a_late_reading_lifts_the_curve_and_an_early_one_moves_nothing() -> None:
    (curve,) = plane_curves([event(0, 20.0)], [reading(5, 3.0), reading(100, 50.0)])
    assert [(p.reference_air_kerma_mgy, p.basis) for p in curve.points] == [
        (None, "summed"),
        (3.0, "typed"),
        (20.0, "summed"),
        (50.0, "typed"),
    ]
    assert curve.plane == "a"


def test_planes_have_curves_of_their_own() -> None:
    curves = plane_curves([event(0, 20.0), event(0, 7.0, plane="b")], [reading(50, 9.0, plane="b")])
    assert [(c.plane, c.points[-1].reference_air_kerma_mgy) for c in curves] == [("a", 20.0), ("b", 9.0)]


def test_an_event_without_duration_is_a_step_and_without_dose_adds_nothing() -> None:
    (curve,) = plane_curves([event(0, 20.0, duration=None), event(30, None)], [])
    assert [p.reference_air_kerma_mgy for p in curve.points] == [20.0, 20.0, 20.0]
    assert plane_curves([], []) == ()


def test_beam_on_strip() -> None:
    strips = beam_on(
        [event(60, 5.0, kind="rotational", plane="b"), event(0, 1.0), event(90, 1.0, duration=None)]
    )
    assert strips == (
        BeamOn(at(0), at(10), "fluoroscopy", "a"),
        BeamOn(at(60), at(70), "acquisition", "b"),
        BeamOn(at(90), None, "fluoroscopy", "a"),
    )


TIMED = st.builds(
    event,
    st.integers(0, 1000),
    st.none() | st.floats(0, 500),
    duration=st.none() | st.floats(0, 300),
    plane=st.sampled_from(["a", "b"]),
    kind=st.sampled_from(["fluoroscopy", "stationary"]),
)


@given(
    st.lists(TIMED, max_size=8),
    st.lists(st.builds(reading, st.integers(0, 1000), st.floats(0, 2000), plane=st.just("a")), max_size=4),
)
def test_curves_never_fall_and_end_at_the_account(
    events: list[TimedEvent], readings: list[TimedReading]
) -> None:
    readings = sorted(readings, key=lambda r: r.instant)
    account = radiation_account([t.event for t in events], [], [r.reading for r in readings])
    for curve in plane_curves(events, readings):
        for name in ("reference_air_kerma_mgy", "dose_area_product_gycm2", "fluoroscopy_time_s"):
            values = [v for p in curve.points if (v := getattr(p, name)) is not None]
            assert values == sorted(values)
            plane = account.plane(curve.plane)
            higher = getattr(plane, name).higher if plane else None
            last = getattr(curve.points[-1], name)
            assert (last is None) == (higher is None)
            assert higher is None or last == pytest.approx(higher.value, rel=1e-9)
