"""Closed forms of a single beam: distance, oblique paths, field, what is kept over a whole surface."""

from __future__ import annotations

from dataclasses import replace
from math import asin, cos, log, pi, radians, sin, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import dblquad

from dosetrack.skin import Beam, TableTop, dose_at_points
from dosetrack.skin.quality import field_factors

BEAM = Beam(
    reference_air_kerma_mgy=100.0,
    source_to_isocenter_mm=750.0,
    source_to_detector_mm=1100.0,
    field_width_mm=160.0,
    field_height_mm=160.0,
    backscatter=1.0,
    medium_ratio=1.0,
)
WIDE = TableTop(top_y_mm=150.0, half_width_mm=2000.0, z_min_mm=-2000.0, z_max_mm=2000.0, transmission=0.75)


def one(beam: Beam, point: object, normal: object, **setup: object) -> float:
    return float(dose_at_points([beam], [point], [normal], **setup)[0])  # type: ignore[list-item, arg-type]


def toward_source(primary: float, distance: float) -> tuple[np.ndarray, np.ndarray]:
    """Point on the axis at `distance` from a source 750 from the isocentre, and the normal toward it."""
    normal = np.array([-sin(radians(primary)), cos(radians(primary)), 0.0])
    return (750 - distance) * normal, normal


@given(st.floats(300, 1200), st.floats(-180, 180))
def test_the_dose_falls_with_the_square_of_the_distance(distance: float, primary: float) -> None:
    beam = replace(BEAM, primary_angle_deg=primary)
    assert one(beam, *toward_source(primary, distance)) == pytest.approx(
        100 * (600 / distance) ** 2, rel=1e-9
    )


def test_a_stated_reference_point_overrides_the_usual_one() -> None:
    # 10 mm at 600 are 3.3 % of the dose
    usual, stated = (
        one(replace(BEAM, source_to_reference_point_mm=d), (0, 100, 0), (0, 1, 0)) for d in (None, 610.0)
    )
    assert stated / usual == pytest.approx((610 / 600) ** 2, rel=1e-12)


def test_calibration_and_constant_factors_multiply() -> None:
    beam = replace(BEAM, calibration_factor=0.9, backscatter=1.4, medium_ratio=1.05)
    plain = one(BEAM, (0, 100, 0), (0, 1, 0))
    assert one(beam, (0, 100, 0), (0, 1, 0)) == pytest.approx(plain * 0.9 * 1.4 * 1.05, rel=1e-12)


def test_a_tilted_patch_gets_no_cosine() -> None:
    tilted = (0.0, cos(radians(80)), sin(radians(80)))
    assert one(BEAM, (0, 100, 0), tilted) == one(BEAM, (0, 100, 0), (0, 1, 0))


@given(st.floats(-65, 65))
def test_a_slab_is_crossed_on_a_longer_path_at_an_angle(primary: float) -> None:
    # at 60 degrees the path doubles: 0.75 becomes 0.5625; along the axis the path is 1 / cos A
    beam = replace(BEAM, primary_angle_deg=primary)
    point, normal = toward_source(primary, 730.0)
    ratio = one(beam, point, normal, table=WIDE) / one(beam, point, normal)
    assert ratio == pytest.approx(0.75 ** (1 / cos(radians(primary))), rel=1e-9)
    assert 0.75 ** (1 / cos(radians(60))) == pytest.approx(0.5625)


@pytest.mark.parametrize(
    ("change", "crosses"),
    [
        ({}, True),
        ({"half_width_mm": 29.0}, False),  # the ray passes the plane at x = 30
        ({"half_width_mm": 31.0}, True),
        ({"z_min_mm": 19.0}, True),  # and at z = 20
        ({"z_min_mm": 21.0}, False),
        ({"z_max_mm": 19.0}, False),
        ({"top_y_mm": 751.0}, False),  # source on the patient's side
        ({"top_y_mm": 50.0}, True),  # skin that rests on the plane
        ({"top_y_mm": 49.0}, False),  # skin beneath the plane
    ],
)
def test_only_a_ray_that_passes_the_rectangle_is_weakened(change: dict[str, float], crosses: bool) -> None:
    # source (0, 750, 0), skin (35, 50, 70/3): at y = 150 the ray is 600/700 of the way: x = 30, z = 20
    table, point = replace(WIDE, **change), (35.0, 50.0, 70 / 3)
    ratio = one(BEAM, point, (0, 1, 0), table=table) / one(BEAM, point, (0, 1, 0))
    path = sqrt(700**2 + 35**2 + (70 / 3) ** 2) / 700
    assert ratio == pytest.approx(0.75**path if crosses else 1.0, rel=1e-9)


def test_the_rectangle_moves_with_the_patient() -> None:
    # moved 100 to the left: the ray to the same room point passes at x = 30 - 100 of the table
    moved = replace(BEAM, table_offset_mm=(100.0, 0.0, 0.0))
    point = (35.0 - 100.0, 50.0, 0.0)
    assert one(moved, point, (0, 1, 0)) == pytest.approx(one(BEAM, (35, 50, 0), (0, 1, 0)), rel=1e-12)
    for half_width, crosses in ((69.0, False), (71.0, True)):
        table = replace(WIDE, half_width_mm=half_width)
        ratio = one(moved, point, (0, 1, 0), table=table) / one(moved, point, (0, 1, 0))
        assert (ratio < 1) is crosses


@settings(max_examples=50)
@given(st.floats(-180, 180), st.floats(-60, 60), st.floats(-60, 60), st.floats(60, 200))
def test_entry_of_a_cylinder(primary: float, x: float, y: float, radius: float) -> None:
    # the central ray meets a circle about (x, y) at c - sqrt(R^2 - s^2), c along and s across the beam
    normal_way = np.array([-sin(radians(primary)), cos(radians(primary))])  # isocentre to source
    c = 750 - float(np.dot((x, y), normal_way))
    s = x * cos(radians(primary)) + y * sin(radians(primary))
    if abs(s) > 0.99 * radius:
        return
    entry, leave = (c + sign * sqrt(radius**2 - s**2) for sign in (-1, 1))
    points = [np.append((750 - at) * normal_way, 0.0) for at in (entry, leave)]
    normals = [(p - (x, y, 0.0)) / radius for p in points]
    found = dose_at_points([replace(BEAM, primary_angle_deg=primary)], points, normals)
    np.testing.assert_allclose(found, [100 * (600 / entry) ** 2, 0.0], rtol=1e-9)


def test_factors_of_the_tables_follow_the_field_carried_to_the_patch() -> None:
    """Linear in ln side between the sides of the table, level beyond its ends."""
    for size, distance in ((20.0, 400.0), (160.0, 650.0), (300.0, 650.0), (300.0, 800.0), (900.0, 1000.0)):
        beam = replace(
            BEAM, field_width_mm=size, field_height_mm=2 * size, backscatter=None, medium_ratio=None
        )
        found = one(beam, *toward_source(0, distance)) / (100 * (600 / distance) ** 2)
        curve = field_factors(beam)
        # 2ab / (a + b) of a by 2a is 4a / 3
        side = 4 / 3 * size * distance / 1100 / 10
        expected = np.interp(log(side), np.log(curve.sides_cm), curve.medium_and_backscatter)
        assert found == pytest.approx(expected, rel=1e-9)


def test_the_field_is_taken_at_the_distance_of_the_patch_not_of_the_axis() -> None:
    beam = replace(BEAM, field_width_mm=400.0, field_height_mm=400.0, backscatter=None, medium_ratio=None)
    x = 110.0
    r = sqrt(650**2 + x**2)
    curve = field_factors(beam)
    side = 40 * r / 1100
    factor = np.interp(log(side), np.log(curve.sides_cm), curve.medium_and_backscatter)
    assert one(beam, (x, 100, 0), (0, 1, 0)) == pytest.approx(100 * 600**2 / r**2 * factor, rel=1e-9)


# what is kept over a whole surface


def solid_angle(beam: Beam) -> float:
    """Of a rectangular pyramid, half widths a and b at unit depth: 4 asin(ab / sqrt((1+a^2)(1+b^2)))."""
    a = beam.field_width_mm / 2 / beam.source_to_detector_mm
    b = beam.field_height_mm / 2 / beam.source_to_detector_mm
    return 4 * asin(a * b / sqrt((1 + a**2) * (1 + b**2)))


@pytest.mark.parametrize("depth", [500.0, 650.0, 800.0])
def test_dose_times_area_of_a_plane_field_is_the_dose_area_product_at_any_depth(depth: float) -> None:
    beam = replace(BEAM, field_width_mm=200.0, field_height_mm=140.0)
    # midpoints of 400 x 400 cells that fill the field exactly
    a, b = 100 / 1100, 70 / 1100
    grid = (np.arange(400) + 0.5) / 200 - 1
    x, z = (axis.ravel() for axis in np.meshgrid(a * depth * grid, b * depth * grid))
    points = np.stack([x, np.full_like(x, 750 - depth), z], axis=-1)
    dose = dose_at_points([beam], points, np.tile([0.0, 1.0, 0.0], (len(points), 1)))
    assert (dose > 0).all()
    product = dose.sum() * (2 * a * depth / 400) * (2 * b * depth / 400)
    # the meter's plane: K_ref d_ref^2 over its rectangle, by another quadrature
    meter, _ = dblquad(lambda w, u: 1 / (1 + u * u + w * w), -a, a, -b, b)
    assert product == pytest.approx(100 * 600**2 * meter, rel=1e-5)
    # a narrow beam: K_ref times the area at the reference point, less the fall toward the corners
    assert product == pytest.approx(100 * (200 * 600 / 1100) * (140 * 600 / 1100), rel=0.01)


def test_dose_through_a_curved_surface_adds_up_to_the_solid_angle() -> None:
    # dose x area x cosine of incidence is K_ref d_ref^2 dOmega, whatever the shape that stops the beam
    beam = replace(BEAM, primary_angle_deg=25.0, secondary_angle_deg=12.0)
    around, along = np.meshgrid((np.arange(800) + 0.5) / 800 * 2 * pi, np.linspace(-150, 150, 301))
    normals = np.stack([np.cos(around), np.sin(around), 0 * around], axis=-1).reshape(-1, 3)
    points = normals * 120.0 + np.stack([0 * along, 0 * along, along], axis=-1).reshape(-1, 3)
    dose = dose_at_points([beam], points, normals)
    a, s = radians(25.0), radians(12.0)
    source = -750 * np.array([sin(a) * cos(s), -cos(a) * cos(s), sin(s)])
    ray = points - source
    cosine = -(ray * normals).sum(axis=1) / np.linalg.norm(ray, axis=1)
    area = 120 * 2 * pi / 800 * 1.0
    # the rim is counted by whole cells: half a cell of some 90 mm
    assert (dose * cosine).sum() * area == pytest.approx(100 * 600**2 * solid_angle(beam), rel=0.005)


@pytest.mark.parametrize("primary", [90.0, -90.0, 270.0])
def test_a_beam_along_a_flat_skin_does_not_enter_it(primary: float) -> None:
    # the source lies in the plane of the skin but for the rounding of the cosine of 90 degrees
    beam = replace(BEAM, primary_angle_deg=primary)
    for normal in ((0, 1, 0), (0, -1, 0)):
        assert one(beam, (10, 0, 5), normal) == 0.0


def test_a_patch_at_the_source_gets_nothing_rather_than_infinity() -> None:
    assert one(BEAM, (0, 750, 0), (0, 1, 0)) == 0.0
