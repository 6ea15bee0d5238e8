"""What if: minutes to a level by hand, footprints and thickness on a cylinder, words."""

from __future__ import annotations

from math import asin, atan2, cos, degrees, exp, hypot, radians, sin

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dosetrack.records.report import IrradiationEvent
from dosetrack.skin.ahead import Ahead, fluoroscopy_rate, look_ahead
from dosetrack.skin.ahead_words import ahead_words, move_words
from dosetrack.skin.body import patient_surface
from dosetrack.skin.mapping import skin_map
from dosetrack.skin.setup import PatientSetup
from tests.skin.map_cases import TABLE, beam, case, flat, placed, tube

PER_KERMA = (600 / 650) ** 2
"""Flat skin 100 mm below the isocentre, on the axis."""


def looked(beams, rate: float | None = 20.0, surface=None, **place: object) -> Ahead:  # type: ignore[no-untyped-def]
    found = look_ahead(
        skin_map([case(beams, **place)], surface or flat(), detail="peak"),  # type: ignore[arg-type]
        rate_mgy_per_min=rate,
    )
    assert found is not None
    return found


def test_minutes_until_the_peak_reaches_the_next_level() -> None:
    found = looked([beam(1000.0)])
    assert found.skin_rate_mgy_per_min == pytest.approx(20 * PER_KERMA)
    assert found.next_level is not None
    assert found.next_level.level_mgy == 2000.0
    # 1000 x 0.852 = 852 mGy there; (2000 - 852) / (20 x 0.852)
    assert found.next_level.minutes == pytest.approx((2000 / PER_KERMA - 1000) / 20)


def test_the_upper_end_of_the_range_comes_first() -> None:
    made = case([beam(1000.0)], assumed=("calibration", "position"))
    on_map = skin_map([made], flat())
    found = look_ahead(on_map, rate_mgy_per_min=20.0)
    assert found is not None
    assert found.next_level is not None
    assert found.next_level_of_upper_end is not None
    factor = on_map.high_mgy / on_map.peak_mgy  # type: ignore[operator]
    assert found.next_level_of_upper_end.minutes == pytest.approx((2000 / factor / PER_KERMA - 1000) / 20)
    assert found.next_level_of_upper_end.minutes < found.next_level.minutes  # type: ignore[operator]


def test_a_calibrated_meter_counts() -> None:
    found = looked([beam(1000.0, calibration_factor=1.2)])
    assert found.skin_rate_mgy_per_min == pytest.approx(1.2 * 20 * PER_KERMA)


def test_fresh_skin_takes_longer_than_hot_skin() -> None:
    moved = beam(100.0, table_offset_mm=(0.0, 0.0, 120.0))
    hot, fresh = looked([beam(2100.0), beam(100.0)]), looked([beam(2100.0), moved])
    assert hot.meets_hot_skin
    assert not fresh.meets_hot_skin
    assert fresh.moves == ()
    assert fresh.next_level is not None
    # 2000 is the level of the hot skin's 1875 + ... ; the fresh patch starts from 100 mGy of air kerma
    assert fresh.next_level.minutes == pytest.approx((2000 / PER_KERMA - 100) / 20)
    assert fresh.next_level.minutes > hot.next_level.minutes  # type: ignore[operator, union-attr]


@given(rate=st.floats(1.0, 200.0), given_mgy=st.floats(1.0, 20_000.0))
@settings(max_examples=25, deadline=None)
def test_the_level_told_is_ahead_and_the_time_is_right(rate: float, given_mgy: float) -> None:
    found = looked([beam(given_mgy)], rate, surface=flat(half_mm=60.0, spacing_mm=20.0))
    peak = given_mgy * PER_KERMA
    if found.next_level is None:
        assert peak >= 15_000
        return
    assert found.next_level.level_mgy > peak
    if found.next_level.minutes is not None:
        assert peak + found.next_level.minutes * rate * PER_KERMA == pytest.approx(found.next_level.level_mgy)


def test_what_is_not_known_is_said() -> None:
    unknown = looked([beam(1000.0)], None)
    assert unknown.next_level is not None
    assert (unknown.next_level.minutes, unknown.next_level.reason) == (None, "fluoroscopy rate not known")
    gone = looked([beam(1000.0), beam(1.0, table_offset_mm=(900.0, 0.0, 0.0))])
    assert gone.next_level is not None
    assert gone.next_level.reason == "the beam meets no skin of the map"
    slow = looked([beam(10.0)], 0.1)
    assert slow.next_level is not None
    assert slow.next_level.minutes is None
    assert look_ahead(skin_map([case([])], flat()), rate_mgy_per_min=10.0) is None


def field_edge_deg(width_mm: float, *, radius_mm: float = 120.0, margin_mm: float = 0.0) -> float:
    """Angle on a cylinder about the isocentre at which a field ends, by the rule of sines.

    The edge leaves the source 750 mm away at an angle e to the axis; it meets the cylinder where
    sin(e + t) = 750 sin(e) / 120, seen from the middle at the angle t.
    """
    edge = atan2((width_mm / 1100 + 2 * margin_mm / 750) / 2, 1.0)
    return degrees(asin(750 * sin(edge) / radius_mm) - edge)


def test_views_told_are_those_whose_field_leaves_the_hot_skin() -> None:
    assert field_edge_deg(160.0) == pytest.approx(22.799, abs=1e-3)  # as worked for example E
    body = tube(across_mm=120.0, depth_mm=120.0, length_mm=600.0, spacing_mm=5.0, turns=360)
    found = looked(
        [beam(1000.0, field_width_mm=120.0, field_height_mm=400.0)],
        surface=body,
        origin_mm=(0.0, -120.0, 1100.0),
    )
    # 16.7 + 21.1 degrees: 30 still touches, 40 does not; along z every view tried still meets it
    limit = field_edge_deg(120.0) + field_edge_deg(120.0, margin_mm=10.0)
    assert 30 < limit < 40
    assert {(m.primary_deg, m.secondary_deg) for m in found.moves} == {(40.0, 0.0), (-40.0, 0.0)}
    assert [m.moved_deg for m in found.moves] == pytest.approx([40.0, 40.0])
    # about a cylinder nothing else changes: the same skin distance, the same thickness
    assert [m.rate_ratio for m in found.moves] == pytest.approx([1.0, 1.0], rel=1e-3)
    assert [m.thickness_mm for m in found.moves] == pytest.approx([240.0, 240.0], rel=1e-3)


def test_a_steep_view_costs_rate_by_the_longer_way_through_the_body() -> None:
    body = tube(across_mm=120.0, depth_mm=120.0, length_mm=900.0, spacing_mm=5.0, turns=180)
    found = looked(
        [beam(1000.0, field_width_mm=300.0, field_height_mm=60.0)],
        surface=body,
        origin_mm=(0.0, -120.0, 1100.0),
    )
    steep = found.moves[0]
    assert steep.primary_deg == 0.0
    angle = radians(steep.secondary_deg)
    assert steep.thickness_mm == pytest.approx(240 / cos(angle), rel=1e-3)
    assert steep.rate_ratio is not None
    # the edge of the field nearest to the upright meets the back 454.5 mm below the source
    edge = atan2(60 / 2, 1100)
    nearest = (750 * cos(angle) - 120) / cos(abs(angle) - edge)
    # against 630 mm now; 0.2 per cm of the longer way
    cost = (630 / nearest) ** 2 * exp(0.02 * (240 / cos(angle) - 240))
    assert steep.rate_ratio == pytest.approx(cost, rel=0.01)
    assert steep.rate_ratio > 1.0


def test_the_table_does_not_make_a_view_look_cheap() -> None:
    """The system makes up for the table, so that the skin behind it gets no less at one detector signal."""
    body = tube(across_mm=120.0, depth_mm=120.0, length_mm=600.0, turns=360)
    one = beam(1000.0, field_width_mm=120.0, field_height_mm=400.0)
    place = {"surface": body, "origin_mm": (0.0, -120.0, 1100.0)}
    without, with_table = looked([one], **place), looked([one], table=TABLE, **place)
    assert [m.rate_ratio for m in with_table.moves] == pytest.approx([m.rate_ratio for m in without.moves])


def test_all_views_on_the_hot_skin_is_a_result() -> None:
    body = tube(across_mm=120.0, depth_mm=120.0, length_mm=600.0)
    found = looked(
        [beam(1000.0, field_width_mm=300.0, field_height_mm=400.0)],
        surface=body,
        origin_mm=(0.0, -120.0, 1100.0),
    )
    assert found.meets_hot_skin
    assert found.moves == ()
    assert found.views_tried > 30
    assert any("every view tried" in sentence for sentence in ahead_words(found))


def test_views_stay_within_the_limits_of_a_c_arm() -> None:
    body = tube(across_mm=120.0, depth_mm=120.0, length_mm=600.0)
    one = beam(1000.0, primary_angle_deg=100.0, field_width_mm=60.0, field_height_mm=60.0)
    found = looked([one], surface=body, origin_mm=(0.0, -120.0, 1100.0))
    assert found.moves
    assert all(abs(m.primary_deg) <= 110 and abs(m.secondary_deg) <= 45 for m in found.moves)


def test_a_patient_on_the_front_is_told_the_angles_of_the_console() -> None:
    body = tube(across_mm=120.0, depth_mm=120.0, length_mm=600.0, turns=360)
    one = beam(1000.0, field_width_mm=120.0, field_height_mm=400.0)
    made = case([one], origin_mm=(0.0, -120.0, 1100.0), position="HFP")
    on_map = skin_map([made], body)
    patient, machine = (
        look_ahead(on_map, rate_mgy_per_min=None, angle_frame=frame)  # type: ignore[arg-type]
        for frame in ("patient", "machine")
    )
    assert patient is not None
    assert machine is not None
    assert {m.primary_deg for m in machine.moves} == {40.0, -40.0}
    # turned by half a turn about z: A becomes A + 180
    assert sorted(m.primary_deg for m in patient.moves) == pytest.approx([-140.0, 140.0])


def test_the_beam_after_an_arc_stands_at_its_end() -> None:
    body = tube(across_mm=120.0, depth_mm=120.0, length_mm=600.0)
    arc = beam(1.0, primary_angle_deg=0.0, primary_end_angle_deg=90.0)
    found = looked([beam(2000.0), arc], surface=body, origin_mm=(0.0, -120.0, 1100.0))
    assert not found.meets_hot_skin


def test_thickness_of_a_built_body_is_that_of_a_patient() -> None:
    body = patient_surface(
        PatientSetup(height_cm=170.0, weight_kg=70.0, sex="M", region="abdomen"), spacing_mm=8.0
    )
    depth = np.ptp(body.points_mm[np.abs(body.points_mm[:, 2] - 1000.0) < 10.0][:, 1])
    one = beam(1000.0, field_width_mm=100.0, field_height_mm=100.0)
    found = looked([one], surface=body, origin_mm=(0.0, -depth / 2, 1000.0))
    assert found.moves
    sideways = max((m for m in found.moves if m.thickness_mm), key=lambda m: abs(m.primary_deg))
    assert depth * 0.9 < sideways.thickness_mm < 500.0  # type: ignore[operator]
    # an oblique way through an elliptic trunk is longer than the straight one, and costs rate
    assert sideways.rate_ratio is not None
    assert sideways.rate_ratio > 1.0


def test_rate_of_the_latest_fluoroscopy() -> None:
    def event(
        kind: str, kerma: float | None, seconds: float | None, plane: str = "single"
    ) -> IrradiationEvent:
        return IrradiationEvent(type=kind, plane=plane, reference_air_kerma_mgy=kerma, duration_s=seconds)  # type: ignore[arg-type]

    events = [
        event("fluoroscopy", 90.0, 60.0),
        event("fluoroscopy", 10.0, 40.0),
        event("stationary", 50.0, 5.0),
    ]
    # the latest 40 s give 10 mGy; the 60 s before are needed to fill a minute: 100 mGy in 100 s
    assert fluoroscopy_rate(events) == pytest.approx(60.0)
    assert fluoroscopy_rate([*events, event("fluoroscopy", 30.0, 60.0)]) == pytest.approx(30.0)
    assert fluoroscopy_rate([event("fluoroscopy", None, 60.0), event("stationary", 5.0, 5.0)]) is None
    assert (
        fluoroscopy_rate(
            [event("fluoroscopy", 6.0, 60.0, "a"), event("fluoroscopy", 9.0, 60.0, "b")], plane="a"
        )
        == 6.0
    )


def test_sentences_tell_cost_and_put_nothing_forward() -> None:
    body = tube(across_mm=120.0, depth_mm=120.0, length_mm=600.0, turns=360)
    found = looked(
        [beam(1000.0, field_width_mm=120.0, field_height_mm=400.0)],
        surface=body,
        origin_mm=(0.0, -120.0, 1100.0),
    )
    said = " ".join(ahead_words(found))
    assert "the peak reaches 2 Gy after about" in said
    assert "LAO 40°" in said
    assert "RAO 40°" in said
    assert "goes on rising" in said
    assert "none is put forward" in said
    assert move_words(found.moves[0]).endswith("times the rate of now.")
    assert hypot(found.moves[0].primary_deg, found.moves[0].secondary_deg) == 40.0


def test_last_placed_beam_may_be_given() -> None:
    on_map = skin_map([case([beam(1000.0)])], flat())
    beside = placed(beam(1.0, table_offset_mm=(0.0, 0.0, 150.0)))
    found = look_ahead(on_map, rate_mgy_per_min=20.0, now=beside)
    assert found is not None
    assert not found.meets_hot_skin
