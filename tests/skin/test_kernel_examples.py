"""Five worked examples of skin dose, each from a closed form written out beside it.

mm, Gy, room axes x left, y down, z head. Source to isocentre 750, to detector 1100, to the reference
point 600 unless said; backscatter times medium 1 and no table unless said.
"""

from __future__ import annotations

from dataclasses import replace
from math import atan, cos, degrees, hypot, pi, radians, sin, sqrt, tan

import numpy as np
import pytest

from dosetrack.skin import Beam, TableTop, dose_at_points

MGY_PER_GY = 1000.0
BEAM = Beam(
    reference_air_kerma_mgy=MGY_PER_GY,
    source_to_isocenter_mm=750.0,
    source_to_detector_mm=1100.0,
    field_width_mm=160.0,
    field_height_mm=160.0,
    backscatter=1.0,
    medium_ratio=1.0,
)
TABLE = TableTop(top_y_mm=115.0, half_width_mm=225.0, z_min_mm=-1500.0, z_max_mm=1000.0, transmission=0.80)


def dose_gy(beams: list[Beam], point: tuple[float, ...], normal: tuple[float, ...], **setup: object) -> float:
    """The dose at one point [Gy]."""
    return float(dose_at_points(beams, [point], [normal], **setup)[0]) / MGY_PER_GY  # type: ignore[arg-type]


# A: beam from under the table, skin flat at y = 90; the reference point follows from 720 - 150 = 570
UNDER_TABLE = replace(
    BEAM,
    reference_air_kerma_mgy=800.0,
    source_to_isocenter_mm=720.0,
    source_to_detector_mm=1050.0,
    field_width_mm=220.0,
    field_height_mm=220.0,
    calibration_factor=0.95,
    backscatter=1.30,
    medium_ratio=1.03,
)


def test_flat_skin_over_the_table_on_the_axis_and_off_it() -> None:
    # the source at (0, 720, 0): depth of the skin 720 - 90 = 630; the table at 115 lies between
    on_axis = 0.8 * 0.95 * (570 / 630) ** 2 * 0.80 * 1.30 * 1.03
    assert on_axis == pytest.approx(0.666427, abs=1e-6)
    assert dose_gy([UNDER_TABLE], (0, 90, 0), (0, 1, 0), table=TABLE) == pytest.approx(on_axis, rel=1e-6)
    square = 630**2 + 50**2 + 30**2  # 400300
    off_axis = 0.8 * 0.95 * 570**2 / square * 0.80 ** (sqrt(square) / 630) * 1.30 * 1.03
    assert off_axis == pytest.approx(0.660137, abs=1e-6)
    assert dose_gy([UNDER_TABLE], (50, 90, 30), (0, 1, 0), table=TABLE) == pytest.approx(off_axis, rel=1e-6)


def test_the_field_ends_where_the_collimator_puts_it_edge_included() -> None:
    # 110 at the detector is 110 * 630 / 1050 = 66 on the skin
    for axis in (0, 2):
        for distance, is_in in ((65.9, True), (66.0, True), (-66.0, True), (66.1, False), (-66.1, False)):
            point = [0.0, 90.0, 0.0]
            point[axis] = distance
            assert (dose_gy([UNDER_TABLE], tuple(point), (0, 1, 0), table=TABLE) > 0) is is_in


def test_lateral_beam_misses_the_table_and_leaves_the_far_side() -> None:
    # B: primary -90, the source at x = +750; ellipse 160 x 115, entry at (160, 0, 0), r = 590
    beam = replace(BEAM, reference_air_kerma_mgy=400.0, primary_angle_deg=-90.0)
    expected = 0.4 * (600 / 590) ** 2
    assert expected == pytest.approx(0.413674, abs=1e-6)
    assert dose_gy([beam], (160, 0, 0), (1, 0, 0), table=TABLE) == pytest.approx(expected, rel=1e-6)
    assert dose_gy([beam], (-160, 0, 0), (-1, 0, 0), table=TABLE) == 0.0


def test_oblique_entry_of_a_cylinder_off_the_isocentre() -> None:
    # C: radius 120 about (0, -30); primary 45. Along the central ray its centre is 750 + 30 cos 45 away,
    # 30 sin 45 to the side, so the ray enters sqrt(120^2 - (30 sin 45)^2) before that
    side = 30 * sin(radians(45))
    entry = 750 + 30 * cos(radians(45)) - sqrt(120**2 - side**2)
    assert entry == pytest.approx(653.103085, abs=1e-6)
    along = 750 - entry  # before the isocentre, toward the source at (-, +)
    point = (-along * sin(radians(45)), along * cos(radians(45)), 0.0)
    assert point == pytest.approx((-68.5165, 68.5165, 0.0), abs=1e-4)
    normal = (point[0] / 120, (point[1] + 30) / 120, 0.0)
    assert hypot(*normal) == pytest.approx(1.0)
    beam = replace(BEAM, primary_angle_deg=45.0)
    assert dose_gy([beam], point, normal) == pytest.approx((600 / entry) ** 2, rel=1e-6)
    assert (600 / entry) ** 2 == pytest.approx(0.843993, abs=1e-6)


def test_peak_of_two_table_positions_lies_in_the_overlap() -> None:
    # D: the skin at y = 100, 650 from the source; half field 80 * 650 / 1100 = 47.273; the table 60
    # toward the feet puts the second axis at z = +60 of the patient
    first = replace(BEAM, reference_air_kerma_mgy=600.0)
    beams = [first, replace(first, table_offset_mm=(0.0, 0.0, -60.0))]
    single = 0.6 * (600 / 650) ** 2
    both = 1.2 * 600**2 / (650**2 + 30**2)
    assert (single, both) == pytest.approx((0.511243, 1.020312), abs=1e-6)
    expected = {0.0: single, 60.0: single, 30.0: both}
    for z, dose in expected.items():
        assert dose_gy(beams, (0, 100, z), (0, 1, 0)) == pytest.approx(dose, rel=1e-6)
    half = 80 * 650 / 1100
    skin = np.array([[0, 100, z] for z in (60 - half - 0.1, 60 - half + 0.1, half - 0.1, half + 0.1)])
    dose = dose_at_points(beams, skin, np.tile([0.0, 1.0, 0.0], (4, 1)))
    assert (dose > 700).tolist() == [False, True, True, False]


def test_half_turn_round_a_cylinder_spreads_the_dose() -> None:
    # E: -90 to +90, cylinder of radius R = 120 about the isocentre, source on a circle F = 750. The
    # back is in the field while R sin th * 1100 / (F - R cos th) <= 80, and
    # integral d th / (F^2 + R^2 - 2 F R cos th) has the closed form below; 1 / pi is the dose per radian
    big, small = 750.0, 120.0
    limit = radians(22.799)
    assert small * sin(limit) * 1100 / (big - small * cos(limit)) == pytest.approx(80.0, rel=1e-4)
    integral = 4 / (big**2 - small**2) * atan((big + small) / (big - small) * tan(limit / 2))
    expected = 600**2 * integral / pi
    assert expected == pytest.approx(0.227100, abs=2e-6)
    arc = replace(BEAM, primary_angle_deg=-90.0, primary_end_angle_deg=90.0)
    assert dose_gy([arc], (0, 120, 0), (0, 1, 0)) == pytest.approx(expected, rel=0.01)
    still = dose_gy([BEAM], (0, 120, 0), (0, 1, 0))
    assert still == pytest.approx((600 / 630) ** 2, rel=1e-6)  # 0.907029
    assert degrees(limit) < 45
