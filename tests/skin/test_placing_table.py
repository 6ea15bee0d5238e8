"""Table readings as displacements of patient and table, and the height over the isocentre."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dosetrack.errors import InputError
from dosetrack.skin import dose_at_points
from dosetrack.skin.setup import SystemSetup, TableAxes
from tests.skin.placing_events import PATIENT, SHEET, VERIFIED, codes, event, events, keys, placed, text_of


def offsets(case: object) -> list[tuple[float, float, float]]:
    """Table displacement of each beam [mm]."""
    return [placed_beam.beam.table_offset_mm for placed_beam in case.beams]  # type: ignore[attr-defined]


def test_two_events_with_the_table_moved_between_them_on_flat_skin() -> None:
    # worked example: 0.6 Gy each, field 160 x 160 at 1100, skin 100 mm below the isocentre, the second
    # event with the table 60 mm toward the feet. By hand: on either axis 0.6 (600/650)², half way
    # between 1.2 x 600² / (650² + 30²); the reading is 100 above the one with the pad at the isocentre
    moved = events(
        {"reference_air_kerma_mgy": 600.0, "table_height_mm": -50.0},
        {"reference_air_kerma_mgy": 600.0, "table_height_mm": -50.0, "table_longitudinal_mm": 240.0},
    )
    system = replace(VERIFIED, isocentre_height_mm=-150.0)
    case = placed(moved, system=system, surface=SHEET)
    assert offsets(case) == [(0, 0, 0), (0, 0, -60)]
    assert case.table is not None
    assert case.table.top_y_mm == pytest.approx(125.0)  # pad of 25 mm below the skin at 100
    beams = [replace(one.beam, backscatter=1.0, medium_ratio=1.0) for one in case.beams]
    z = case.origin_mm[2]
    body = np.array([(0.0, 0.0, z), (0.0, 0.0, z + 60.0), (0.0, 0.0, z + 30.0), (0.0, 0.0, z - 47.2)])
    dose = dose_at_points(beams, body - case.origin_mm, np.tile((0.0, 1.0, 0.0), (4, 1)))
    axis, both = 600.0 * (600 / 650) ** 2, 1200.0 * 600**2 / (650**2 + 30**2)
    assert (axis, both) == pytest.approx((511.243, 1020.312), abs=1e-3)
    edge = 600.0 * 600**2 / (650**2 + 47.2**2)  # half field on the skin: 80 x 650 / 1100 = 47.27
    assert dose == pytest.approx([axis, axis, both, edge], rel=1e-6)


@pytest.mark.parametrize(
    ("axes", "expected"),
    [
        (TableAxes(is_verified=True), (2.0, 3.0, 5.0)),
        (TableAxes("+x", "+z", "+y", is_verified=True), (5.0, 3.0, 2.0)),  # as the standard words it
        (TableAxes("-z", "-x", "-y", is_verified=True), (-2.0, -3.0, -5.0)),
    ],
)
def test_the_axes_of_the_system_say_which_way_a_reading_grows(
    axes: TableAxes, expected: tuple[float, ...]
) -> None:
    moved = events({}, {"table_longitudinal_mm": 305.0, "table_lateral_mm": 12.0, "table_height_mm": -47.0})
    assert offsets(placed(moved, system=replace(VERIFIED, table_axes=axes)))[1] == pytest.approx(expected)


def test_axes_that_name_one_direction_twice_are_refused() -> None:
    with pytest.raises(InputError, match="once each"):
        TableAxes("+z", "-z", "+y")


def test_axes_not_tried_are_said() -> None:
    assert "not verified on this system" in text_of(placed([event()], system=SystemSetup()), "table-axes")
    assert "table-axes" not in keys(placed([event()]))


def test_a_reading_called_longitudinal_that_runs_across_the_table_is_doubted() -> None:
    system = replace(VERIFIED, table_axes=TableAxes("+x", "+z", "+y"))
    case = placed(events({}, {"table_longitudinal_mm": 900.0}), system=system)
    assert codes(case) == ["table-axes-doubtful"]
    assert "600 mm across the table" in case.findings[0].text
    assert codes(placed(events({}, {"table_longitudinal_mm": 900.0}))) == []


def test_a_table_that_moves_during_an_event_gives_equal_parts_along_the_way() -> None:
    case = placed([event(type="stepping", table_longitudinal_end_mm=275.0)])
    # 25 mm in steps of at most 10: three parts, each at the middle of its way
    assert [z for _, _, z in offsets(case)] == pytest.approx([-25 / 6, -12.5, -125 / 6])
    assert [one.beam.reference_air_kerma_mgy for one in case.beams] == pytest.approx([10 / 3] * 3)
    assert {one.uid for one in case.beams} == {"1.1"}
    assert case.mapped_fraction == 1.0


def test_an_arc_with_a_moving_table_is_swept_part_by_part() -> None:
    case = placed(
        [event(primary_angle_deg=-30.0, primary_end_angle_deg=30.0, table_longitudinal_end_mm=320.0)]
    )
    arcs = [(b.beam.primary_angle_deg, b.beam.primary_end_angle_deg) for b in case.beams]
    assert arcs == [(-30.0, 0.0), (0.0, 30.0)]


def test_a_reading_missing_in_one_event_is_carried_on_from_where_the_table_last_was() -> None:
    case = placed(
        events(
            {"table_longitudinal_end_mm": 308.0},
            {"table_longitudinal_mm": None},
            {"table_longitudinal_mm": 290.0},
        )
    )
    assert [z for _, _, z in offsets(case)] == pytest.approx([4.0, 8.0, -10.0])
    assert "taken as before, in 1 of 3 events" in text_of(case, "table-position")
    assert case.is_table_known


NOWHERE = {"table_longitudinal_mm": None, "table_lateral_mm": None, "table_height_mm": None}
AT_ZERO = dict.fromkeys(NOWHERE, 0.0)


@pytest.mark.parametrize("facts", [NOWHERE, AT_ZERO], ids=["none", "all at zero"])
def test_a_table_that_no_event_tells_has_not_moved_as_far_as_is_known(facts: dict[str, object]) -> None:
    case = placed(events(facts, facts), system=replace(VERIFIED, isocentre_height_mm=-150.0))
    assert offsets(case) == [(0.0, 0.0, 0.0)] * 2
    assert not case.is_table_known
    assert "table-movement" in keys(case)
    assert "position" in keys(case)  # and a measured height is of no use


def test_one_direction_that_stands_at_zero_is_told() -> None:
    case = placed(events({"table_lateral_mm": 0.0}, {"table_lateral_mm": 0.0}))
    assert case.is_table_known
    assert "table-movement" not in keys(case)


def test_ends_that_are_always_zero_are_no_ends() -> None:
    ends = {"table_longitudinal_end_mm": 0.0, "table_lateral_end_mm": 0.0, "table_height_end_mm": 0.0}
    assert len(placed(events(ends, ends)).beams) == 2


def test_positions_from_the_isocentre_are_used_before_readings_and_give_the_height() -> None:
    # DICOM PS3.17 FFF.1.2: x left, y down, z head; the table's origin lies on the table top
    told = {"table_x_to_isocenter_mm": 4.0, "table_y_to_isocenter_mm": 140.0, "table_z_to_isocenter_mm": 7.0}
    case = placed(events(told, told | {"table_z_to_isocenter_mm": -20.0}), system=SystemSetup(pad_mm=30.0))
    assert offsets(case) == [(0, 0, 0), (0, 0, -27)]
    assert case.table is not None
    assert case.table.top_y_mm == pytest.approx(140.0)
    assert {"position", "table-axes"}.isdisjoint(keys(case))


def test_source_to_table_of_an_upright_beam_gives_the_height() -> None:
    # source 750 below the isocentre, table 615 above the source: 135 below the isocentre
    steep, upright = events(
        {"primary_angle_deg": 40.0, "source_to_table_mm": 700.0},
        {"source_to_table_mm": 615.0, "table_height_mm": -30.0},
    )
    case = placed([steep, upright])
    assert case.table is not None
    # at the anchor the table stood 20 mm higher
    assert case.table.top_y_mm == pytest.approx(115.0)
    assert "table-anchor" in keys(case)


@pytest.mark.parametrize("name", ["table_rotation_deg", "table_head_tilt_deg", "table_cradle_tilt_deg"])
def test_a_turned_table_is_not_placed(name: str) -> None:
    case = placed(events({name: 5.0}, {name: 0.4}, {name: -0.2}))
    assert [one.uid for one in case.not_mapped] == ["1"]
    assert "pivot" in case.not_mapped[0].reason
    assert case.mapped_fraction == pytest.approx(2 / 3)
    assert codes(case) == ["events-not-mapped"]


def test_the_table_reaches_past_the_end_of_the_body() -> None:
    case = placed([event()], patient=replace(PATIENT, region="head"))
    assert case.table is not None
    top_of_head = 1700.0 - case.origin_mm[2]
    assert case.table.z_max_mm == pytest.approx(top_of_head + 100.0)
    assert case.table.z_max_mm - case.table.z_min_mm == pytest.approx(2800.0)
