"""What raised the dose: closed forms (inverse square, secant), and no statement where nothing is known."""

from __future__ import annotations

from dataclasses import replace
from math import cos, radians

import pytest

from dosetrack.radiation import drivers
from dosetrack.radiation.drivers import Driver, distance_factor, frame_rate_hz, slab_factor, steepness_deg
from dosetrack.records.report import IrradiationEvent

PLAIN = IrradiationEvent(
    plane="single",
    type="fluoroscopy",
    reference_air_kerma_mgy=100.0,
    dose_area_product_gycm2=5.0,
    duration_s=60.0,
    pulse_rate_hz=7.5,
    primary_angle_deg=0.0,
    secondary_angle_deg=0.0,
    source_to_isocenter_mm=750.0,
    source_to_detector_mm=1050.0,
    field_height_mm=200.0,
    field_width_mm=200.0,
)


def by_kind(*events: IrradiationEvent) -> dict[str, Driver]:
    return {d.kind: d for d in drivers(events)}


def test_reference_conditions_raise_nothing() -> None:
    # the reference point lies 150 mm before the isocentre, at 600 mm
    small = replace(PLAIN, field_height_mm=170.0, field_width_mm=170.0)  # 94 cm² at 600 mm
    assert drivers([small]) == ()


def test_nothing_is_told_where_nothing_is_known() -> None:
    assert drivers([]) == ()
    assert drivers([IrradiationEvent(type="fluoroscopy", reference_air_kerma_mgy=50.0)]) == ()
    assert drivers([replace(PLAIN, reference_air_kerma_mgy=None)]) == ()


def test_receptor_distance_follows_the_inverse_square() -> None:
    # 1260 mm against 750 + 300 mm: (1.2)² = 1.44, so 31 % less at the reference
    found = by_kind(PLAIN, replace(PLAIN, source_to_detector_mm=1260.0))["receptor-distance"]
    assert (found.share, found.factor) == (0.5, pytest.approx(1.44))
    assert found.text == (
        "50% of Ka,r was given with the receptor 51 cm beyond the isocentre on average; at 30 cm the same "
        "image takes 31% less (inverse square)."
    )
    assert found.weight == pytest.approx(0.5 * (1 - 1 / 1.44))


def test_a_table_near_the_tube_follows_the_inverse_square() -> None:
    # reference point 600 mm from the focus, table at 500 mm: (600/500)² = 1.44
    found = by_kind(replace(PLAIN, source_to_table_mm=500.0))["source-distance"]
    assert found.factor == pytest.approx(1.44)
    assert distance_factor(600.0, 500.0) == pytest.approx(1.44)


def test_steep_views_follow_the_secant() -> None:
    event = replace(PLAIN, primary_angle_deg=45.0)
    found = by_kind(PLAIN, replace(event, reference_air_kerma_mgy=300.0))["steep-views"]
    assert (found.share, found.factor) == (0.75, pytest.approx(2**0.5))
    assert "45° on average: a slab is 1.4 times as thick" in found.text
    assert slab_factor(60.0) == pytest.approx(2.0)
    lateral = by_kind(replace(PLAIN, primary_angle_deg=90.0))["steep-views"]
    assert (lateral.factor, "at least 2.0 times" in lateral.text) == (pytest.approx(2.0), True)


def test_steepness_joins_both_angles_and_plane_b_is_straight_from_the_side() -> None:
    both = steepness_deg(replace(PLAIN, primary_angle_deg=30.0, secondary_angle_deg=30.0))
    assert both is not None
    assert cos(radians(both)) == pytest.approx(0.75)  # cos²30°
    assert steepness_deg(replace(PLAIN, plane="b", primary_angle_deg=-90.0)) == pytest.approx(0.0, abs=1e-5)
    assert steepness_deg(replace(PLAIN, primary_angle_deg=None)) is None


def test_rates_are_told_against_the_reference() -> None:
    # 100 mGy at 15 /s and 100 mGy at 7.5 /s: 11.25 /s on average, 1.5 times
    found = by_kind(PLAIN, replace(PLAIN, pulse_rate_hz=15.0))["pulse-rate"]
    assert (found.factor, found.share, found.short) == (pytest.approx(1.5), 1.0, "11.2 pulses/s")
    run = replace(PLAIN, type="stationary", pulse_rate_hz=None, frames=40.0, duration_s=5.0)
    assert frame_rate_hz(run) == 8.0
    assert by_kind(PLAIN, run)["frame-rate"].factor == pytest.approx(2.0)


def test_acquisitions_are_told_with_their_share_and_images() -> None:
    run = replace(PLAIN, type="stationary", reference_air_kerma_mgy=300.0, pulse_rate_hz=None, frames=40.0)
    found = by_kind(PLAIN, run)["acquisitions"]
    assert (found.share, found.factor) == (0.75, pytest.approx(1.5))
    assert found.text.startswith("75% of Ka,r came from 1 acquisitions, 40 images")


def test_a_wide_field_raises_dap_and_a_narrow_one_is_told_without_a_factor() -> None:
    # 300 x 300 mm at 1050 mm is 900 cm² · (600/1050)² = 294 cm² at the reference plane
    wide = by_kind(replace(PLAIN, field_height_mm=300.0, field_width_mm=300.0))["field"]
    assert wide.factor == pytest.approx(9 * (600 / 1050) ** 2)
    narrow = by_kind(replace(PLAIN, field_height_mm=150.0, field_width_mm=150.0))["narrow-fields"]
    assert (narrow.share, narrow.factor, narrow.weight) == (1.0, None, 0.0)


def test_the_weightiest_comes_first_and_a_plane_with_little_dose_is_left_out() -> None:
    far = replace(PLAIN, plane="a", source_to_detector_mm=1260.0, pulse_rate_hz=30.0)
    faint = replace(PLAIN, plane="b", primary_angle_deg=0.0, reference_air_kerma_mgy=5.0)
    found = drivers([far, faint])
    assert {d.plane for d in found} == {"a"}
    assert [d.weight for d in found] == sorted((d.weight for d in found), reverse=True)
    assert found[0].kind == "pulse-rate"  # 30 against 7.5: four times


def test_no_statement_blames_or_permits() -> None:
    far = replace(PLAIN, source_to_detector_mm=1260.0, pulse_rate_hz=30.0, primary_angle_deg=50.0)
    said = " ".join(d.text.lower() for d in drivers([far, replace(far, type="stationary", frames=90.0)]))
    assert not [w for w in ("should", "must", "fault", "too much", "avoid", "safe", "error") if w in said]
