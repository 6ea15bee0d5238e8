"""What moves the peak: each input at both ends against closed forms, and the map made anew."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dosetrack.skin.body import patient_surface
from dosetrack.skin.mapping import skin_map
from dosetrack.skin.model import Influence, SkinMap
from dosetrack.skin.setup import PatientSetup
from dosetrack.skin.variations import (
    mirrored,
    shifted,
    with_field,
    with_other_angle_frame,
    with_transmission,
)
from tests.skin.map_cases import TABLE, beam, case, flat, tube
from tests.skin.test_map import some_beams


def named(found: SkinMap) -> dict[str, Influence]:
    return {one.key: one for one in found.influences}


def test_table_transmission_scales_a_beam_at_a_right_angle() -> None:
    found = skin_map([case([beam()], table=TABLE, assumed=("table-transmission",))], flat())
    one = named(found)["table-transmission"]
    assert found.peak_mgy is not None
    # from 0.80 to 0.65 and 0.95
    assert (one.low_mgy, one.high_mgy) == pytest.approx(
        (found.peak_mgy * 0.65 / 0.80, found.peak_mgy * 0.95 / 0.80)
    )


def test_a_measured_transmission_is_no_influence() -> None:
    assert "table-transmission" not in named(skin_map([case([beam()], table=TABLE)], flat()))


def test_body_up_or_down_follows_the_inverse_square() -> None:
    found = skin_map([case([beam(1000.0)])], flat())
    one = named(found)["position-up-down"]
    # skin 100 mm below the isocentre, 650 mm from the source; 20 mm either way
    assert (one.low_mgy, one.high_mgy) == pytest.approx((1000 * (600 / 670) ** 2, 1000 * (600 / 630) ** 2))
    # along a flat back nothing changes when the body slides
    assert {"position-left-right", "position-head-feet", "patient-size"} & set(named(found)) == set()


def test_girth_of_a_body_placed_by_its_middle_brings_the_skin_nearer() -> None:
    body = tube(across_mm=160.0, depth_mm=115.0)
    made = case([beam(1000.0)], origin_mm=(0.0, -115.0, 1100.0), assumed=("position",))
    one = named(skin_map([made], body))["patient-size"]
    # back at 115 mm from the isocentre, 10 % nearer or farther
    assert one.high_mgy == pytest.approx(1000 * (600 / (750 - 1.1 * 115)) ** 2)
    assert one.low_mgy == pytest.approx(1000 * (600 / (750 - 0.9 * 115)) ** 2)


def test_girth_of_a_body_placed_by_the_pad_leaves_the_back_where_it_is() -> None:
    body = tube(across_mm=160.0, depth_mm=115.0)
    found = skin_map([case([beam(1000.0)], origin_mm=(0.0, -115.0, 1100.0))], body)
    assert "patient-size" not in named(found)


def test_a_meter_that_is_not_calibrated_is_told_with_its_width() -> None:
    found = skin_map([case([beam()], assumed=("calibration",))], flat())
    one = named(found)["calibration"]
    assert found.peak_mgy is not None
    assert (one.low_mgy, one.high_mgy) == pytest.approx((0.65 * found.peak_mgy, 1.35 * found.peak_mgy))
    assert found.influences[0] == one


def test_table_axes_not_tried_are_turned_round() -> None:
    # two fields that meet with the table as set, and lie on each other with it the other way
    apart = [
        beam(600.0, secondary_angle_deg=0.0),
        beam(600.0, secondary_angle_deg=20.0, table_offset_mm=(0.0, 0.0, -36.0)),
    ]
    made = case(apart, assumed=("table-axes",))
    one = named(skin_map([made], flat()))["table-axes-along"]
    other_way = replace(apart[1], table_offset_mm=(0.0, 0.0, 36.0))
    anew = skin_map([case([apart[0], other_way])], flat())
    now = skin_map([case(apart)], flat())
    assert sorted((one.low_mgy, one.high_mgy)) == pytest.approx(sorted((anew.peak_mgy, now.peak_mgy)))  # type: ignore[type-var]
    assert "table-axes-across" not in named(skin_map([made], flat()))  # it never moved across


def test_a_table_that_did_not_move_has_no_axes_to_mistake() -> None:
    found = skin_map([case([beam(), beam()], assumed=("table-axes",))], flat())
    assert not [key for key in named(found) if key.startswith("table-axes")]
    assert "directions" not in {part.key for part in found.doubts}


@pytest.mark.parametrize(
    ("position", "angles"),
    # detector direction (sin A cos S, -cos A cos S, sin S), patient turned by half a turn about z, y, x
    [("HFP", (190.0, 20.0)), ("FFS", (-10.0, -20.0)), ("FFP", (170.0, -20.0)), ("HFS", (10.0, 20.0))],
)
def test_angle_frame_the_other_way(position: str, angles: tuple[float, float]) -> None:
    made = case([beam(primary_angle_deg=10.0, secondary_angle_deg=20.0)], position=position)
    turned = with_other_angle_frame(made)
    one = turned.beams[0].beam
    assert (one.primary_angle_deg, one.secondary_angle_deg) == angles
    again = with_other_angle_frame(turned).beams[0].beam
    assert again.primary_angle_deg % 360 == pytest.approx(10.0)
    assert again.secondary_angle_deg == 20.0


def test_influences_agree_with_whole_maps_made_anew() -> None:
    body = patient_surface(
        PatientSetup(height_cm=172.0, weight_kg=78.0, sex="F", region="chest"), spacing_mm=10.0
    )
    made = case(
        some_beams(60),
        origin_mm=(0.0, -110.0, 1250.0),
        table=TABLE,
        assumed=("table-transmission", "table-axes"),
    )
    found = named(skin_map([made], body))
    changes = {
        "position-up-down": [shifted(made, axis=(0.0, 1.0, 0.0), distance_mm=d) for d in (-20.0, 20.0)],
        "position-left-right": [shifted(made, axis=(1.0, 0.0, 0.0), distance_mm=d) for d in (-20.0, 20.0)],
        "table-transmission": [with_transmission(made, transmission=t) for t in (0.65, 0.95)],
        "table-axes-across": [made, mirrored(made, axis=(1.0, 0.0, 0.0))],
        "table-axes-along": [made, mirrored(made, axis=(0.0, 0.0, 1.0))],
        "field": [with_field(made, factor=f) for f in (0.95, 1.05)],
    }
    peak = skin_map([made], body, detail="peak").peak_mgy
    for key, both in changes.items():
        anew = sorted(skin_map([one], body, detail="peak").peak_mgy for one in both)  # type: ignore[type-var]
        if key in found:
            assert (found[key].low_mgy, found[key].high_mgy) == pytest.approx(anew, rel=0.02), key
        else:
            assert anew == pytest.approx([peak, peak], rel=0.02), key


def test_influences_stand_in_order_of_size() -> None:
    made = case(
        some_beams(20), table=TABLE, assumed=("table-transmission", "calibration", "position", "table-axes")
    )
    widths = [one.high_mgy - one.low_mgy for one in skin_map([made], flat()).influences]
    assert len(widths) >= 4
    assert widths == sorted(widths, reverse=True)
