"""What holds for any beams and patches; arcs; parts of the body; input that cannot be used."""

from __future__ import annotations

import subprocess
import sys
import tracemalloc
from dataclasses import replace
from math import nan
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import dosetrack.skin
from dosetrack.errors import InputError
from dosetrack.skin import Beam, DoseField, TableTop, dose_at_points, footprints
from dosetrack.skin.kernel import contributions
from dosetrack.skin.still_beams import still_beam_count

BEAM = Beam(
    reference_air_kerma_mgy=100.0,
    source_to_isocenter_mm=750.0,
    source_to_detector_mm=1100.0,
    field_width_mm=200.0,
    field_height_mm=200.0,
    backscatter=1.0,
    medium_ratio=1.0,
)
TABLE = TableTop(top_y_mm=130.0, half_width_mm=225.0, z_min_mm=-1000.0, z_max_mm=700.0, transmission=0.8)


def ellipse(
    n: int = 60, rows: int = 15, half: tuple[float, float] = (170.0, 115.0)
) -> tuple[np.ndarray, ...]:
    """Points and normals of an elliptic trunk, symmetric about x = 0 and z = 0."""
    angle, z = np.meshgrid((np.arange(n) + 0.5) / n * 2 * np.pi, np.linspace(-140, 140, rows))
    a, b = half
    points = np.stack([a * np.cos(angle), b * np.sin(angle), z], axis=-1).reshape(-1, 3)
    normals = np.stack([np.cos(angle) / a, np.sin(angle) / b, 0 * z], axis=-1).reshape(-1, 3)
    return points, normals / np.linalg.norm(normals, axis=1)[:, np.newaxis]


POINTS, NORMALS = ellipse()


@st.composite
def beams(draw: st.DrawFn) -> Beam:
    primary = draw(st.integers(-110, 110))
    return replace(
        BEAM,
        reference_air_kerma_mgy=draw(st.floats(0, 1000)),
        primary_angle_deg=float(primary),
        secondary_angle_deg=float(draw(st.integers(-45, 45))),
        primary_end_angle_deg=draw(st.none() | st.just(float(primary + 7))),
        field_width_mm=draw(st.floats(30, 300)),
        table_offset_mm=(
            draw(st.floats(-80, 80)),
            draw(st.floats(-80, 80)),
            draw(st.floats(-80, 80)),
        ),
    )


@settings(max_examples=40)
@given(st.lists(beams(), max_size=4), beams())
def test_one_more_beam_never_lowers_a_dose(some: list[Beam], more: Beam) -> None:
    before = dose_at_points(some, POINTS, NORMALS, TABLE)
    after = dose_at_points([*some, more], POINTS, NORMALS, TABLE)
    assert (after >= before * (1 - 1e-12)).all()
    assert (before >= 0).all()


@settings(max_examples=40)
@given(st.lists(beams(), min_size=2, max_size=5), st.randoms(use_true_random=False))
def test_the_order_of_beams_does_not_matter(some: list[Beam], chance: object) -> None:
    mixed = list(some)
    chance.shuffle(mixed)  # type: ignore[attr-defined]
    np.testing.assert_allclose(
        dose_at_points(mixed, POINTS, NORMALS, TABLE),
        dose_at_points(some, POINTS, NORMALS, TABLE),
        rtol=1e-12,
    )


def mirrored(beam: Beam, axis: int) -> Beam:
    """The beam seen in a mirror across x (left and right) or z (head and feet)."""
    offset = list(beam.table_offset_mm)
    offset[axis] *= -1
    changed = {"table_offset_mm": tuple(offset)}
    name = "primary" if axis == 0 else "secondary"
    changed[f"{name}_angle_deg"] = -getattr(beam, f"{name}_angle_deg")
    end = getattr(beam, f"{name}_end_angle_deg")
    if end is not None:
        changed[f"{name}_end_angle_deg"] = -end
    return replace(beam, **changed)  # type: ignore[arg-type]


@settings(max_examples=40)
@given(beams(), st.sampled_from([0, 2]))
def test_mirrored_beams_give_the_mirrored_dose(beam: Beam, axis: int) -> None:
    flip = np.ones(3)
    flip[axis] = -1
    table = replace(TABLE, z_min_mm=-800.0, z_max_mm=800.0)
    here = dose_at_points([beam], POINTS, NORMALS, table)
    there = dose_at_points([mirrored(beam, axis)], POINTS * flip, NORMALS * flip, table)
    np.testing.assert_allclose(there, here, rtol=1e-9)


@pytest.mark.parametrize(
    ("position", "turn"),
    # where x, y, z of the patient point in the room, one row each
    [
        ("HFP", [[-1, 0, 0], [0, -1, 0], [0, 0, 1]]),
        ("FFS", [[-1, 0, 0], [0, 1, 0], [0, 0, -1]]),
        ("FFP", [[1, 0, 0], [0, -1, 0], [0, 0, -1]]),
        ("HFDL", [[0, 1, 0], [-1, 0, 0], [0, 0, 1]]),
        ("FFDR", [[0, -1, 0], [-1, 0, 0], [0, 0, -1]]),
    ],
)
def test_a_position_is_a_turned_patient(position: str, turn: list[list[int]]) -> None:
    beam = replace(
        BEAM, primary_angle_deg=33.0, secondary_angle_deg=-14.0, table_offset_mm=(20.0, -10.0, 30.0)
    )
    here = dose_at_points([beam], POINTS, NORMALS, TABLE, position)  # type: ignore[arg-type]
    there = dose_at_points([beam], POINTS @ np.array(turn), NORMALS @ np.array(turn), TABLE)
    np.testing.assert_allclose(here, there, rtol=1e-12)
    assert (here > 0).any()


def test_a_beam_without_kerma_leaves_a_footprint_and_no_dose() -> None:
    beam = replace(BEAM, reference_air_kerma_mgy=0.0)
    assert dose_at_points([beam], POINTS, NORMALS).max() == 0
    np.testing.assert_array_equal(footprints([beam], POINTS, NORMALS), footprints([BEAM], POINTS, NORMALS))


def test_a_running_dose_is_the_dose_of_all_its_beams() -> None:
    some = [replace(BEAM, primary_angle_deg=float(a)) for a in range(-90, 91, 30)]
    running = DoseField(POINTS, NORMALS, TABLE)
    for beam in some:
        kept = running.dose_mgy
        running.add(beam)
        assert kept is not running.dose_mgy
    np.testing.assert_allclose(running.dose_mgy, dose_at_points(some, POINTS, NORMALS, TABLE), rtol=1e-12)
    peak = int(running.dose_mgy.argmax())
    each = contributions(some, POINTS[peak], NORMALS[peak], TABLE)
    assert each.sum() == pytest.approx(running.dose_mgy[peak], rel=1e-12)
    assert each.shape == (len(some),)


# arcs


def test_an_arc_is_cut_into_steps_of_at_most_a_quarter_of_a_degree() -> None:
    arc = replace(BEAM, primary_angle_deg=-10.0, primary_end_angle_deg=10.1)
    assert still_beam_count(arc) == 81
    assert still_beam_count(replace(arc, secondary_end_angle_deg=-90.0)) == 360
    assert still_beam_count(replace(arc, primary_end_angle_deg=-10.0)) == 1


def test_an_arc_is_swept_as_given_and_never_the_short_way() -> None:
    front, back = (0.0, -115.0, 0.0), (0.0, 115.0, 0.0)
    normals = [(0.0, -1.0, 0.0), (0.0, 1.0, 0.0)]
    # from the right of the front all the way round the back; the field covers some 11 degrees either side
    arc = replace(BEAM, field_width_mm=80.0, primary_angle_deg=-160.0, primary_end_angle_deg=160.0)
    long_way = dose_at_points([arc], [front, back], normals)
    assert long_way[0] == 0
    assert long_way[1] > 0
    backward = replace(arc, primary_angle_deg=160.0, primary_end_angle_deg=-160.0)
    np.testing.assert_allclose(dose_at_points([backward], [front, back], normals), long_way, rtol=1e-9)
    beyond = replace(arc, primary_angle_deg=160.0, primary_end_angle_deg=200.0)
    short_way = dose_at_points([beyond], [front, back], normals)
    assert short_way[0] > 0
    assert short_way[1] == 0


def test_a_secondary_sweep_is_an_arc_too() -> None:
    arc = replace(BEAM, secondary_angle_deg=-20.0, secondary_end_angle_deg=30.0)
    steps = 2000  # a fine sum by hand
    still = [replace(BEAM, secondary_angle_deg=-20 + 50 * (k + 0.5) / steps) for k in range(steps)]
    fine = dose_at_points(still, POINTS, NORMALS) / steps
    coarse = dose_at_points([arc], POINTS, NORMALS)
    # a patch is in or out of whole steps: one of 200 at most at each edge
    np.testing.assert_allclose(coarse, fine, atol=1.5 / 200 * 100)
    assert coarse.sum() == pytest.approx(fine.sum(), rel=2e-3)


def test_many_arcs_take_little_memory_and_are_all_counted() -> None:
    arc = replace(BEAM, primary_angle_deg=-180.0, primary_end_angle_deg=180.0)
    one = dose_at_points([arc], POINTS, NORMALS)
    peak = int(one.argmax())
    field = DoseField(POINTS, NORMALS)
    tracemalloc.start()
    field.add_all([arc] * 60)  # 86 400 still beams
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 100e6
    np.testing.assert_allclose(field.dose_mgy, 60 * one, rtol=1e-12)
    each = field.contributions([arc] * 60, peak)
    np.testing.assert_allclose(each, np.full(60, one[peak]), rtol=1e-12)
    assert (field.footprints([arc] * 30) == (one > 0)).all()


# parts of the body that shade each other


def cylinder(
    *, radius: float, x: float, z: tuple[float, float], n: int = 120, rows: int = 81, y: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    angle, height = np.meshgrid((np.arange(n) + 0.5) / n * 2 * np.pi, np.linspace(*z, rows))
    normals = np.stack([np.cos(angle), np.sin(angle), 0 * height], axis=-1).reshape(-1, 3)
    points = normals * radius
    return points + np.stack([0 * height + x, 0 * height + y, height], axis=-1).reshape(-1, 3), normals


def two_parts(first: tuple[np.ndarray, ...], second: tuple[np.ndarray, ...]) -> tuple[np.ndarray, ...]:
    part = np.repeat([4, 7], [len(first[0]), len(second[0])])
    return np.concatenate([first[0], second[0]]), np.concatenate([first[1], second[1]]), part


def test_the_far_leg_gets_nothing_from_the_side_and_both_get_their_own_from_below() -> None:
    left = cylinder(radius=60.0, x=75.0, z=(-300.0, 300.0))
    right = cylinder(radius=60.0, x=-75.0, z=(-300.0, 300.0))
    points, normals, part = two_parts(left, right)
    side = replace(
        BEAM, primary_angle_deg=-90.0, field_height_mm=150.0, field_width_mm=150.0
    )  # from the left
    field = DoseField(points, normals, part=part)
    field.add(side)
    np.testing.assert_array_equal(field.dose_mgy[part == 4], dose_at_points([side], *left))
    assert field.dose_mgy[part == 7].max() == 0
    assert dose_at_points([side], points, normals)[part == 7].max() > 0  # what would be invented
    np.testing.assert_array_equal(field.footprints([side])[0], field.dose_mgy > 0)
    below = replace(BEAM, field_width_mm=400.0)
    field = DoseField(points, normals, part=part)
    field.add(below)
    np.testing.assert_allclose(field.dose_mgy, dose_at_points([below], points, normals), rtol=1e-12)


@pytest.mark.parametrize("primary", [-90.0, -75.0, -50.0, 20.0])
def test_shade_of_an_arm_is_that_of_a_cylinder(primary: float) -> None:
    # ray against circle and ends: inside where |source + t ray - axis| < R, within the length
    arm = cylinder(radius=45.0, x=230.0, y=20.0, z=(-60.0, 60.0))
    points, normals, part = two_parts(ellipse(n=200, rows=60), arm)
    beam = replace(BEAM, primary_angle_deg=primary, field_width_mm=350.0, field_height_mm=350.0)
    field = DoseField(points, normals, part=part)
    field.add(beam)
    bare = dose_at_points([beam], points, normals)
    trunk = part == 4
    a = np.radians(primary)
    source = -750 * np.array([np.sin(a), -np.cos(a), 0.0])
    ray = points[trunk] - source
    start = source[:2] - (230.0, 20.0)
    q_a = (ray[:, :2] ** 2).sum(axis=1)
    q_b = ray[:, :2] @ start
    inner = q_b**2 - q_a * (start @ start - 45.0**2)
    root = np.sqrt(np.maximum(inner, 0))
    enter, leave = (-q_b - root) / q_a, np.minimum((-q_b + root) / q_a, 1.0)
    steep = np.where(ray[:, 2] == 0, 1e-12, ray[:, 2])
    ends = np.sort(np.stack([(-60 - source[2]) / steep, (60 - source[2]) / steep]), axis=0)
    length = (np.minimum(leave, ends[1]) - np.maximum(enter, ends[0])) * np.linalg.norm(ray, axis=1)
    length[inner <= 0] = -1
    sure = np.abs(length - 5.0) > 2.0  # touching rays count as not shaded below 5 mm
    expected = np.where(length > 5.0, 0.0, bare[trunk])
    np.testing.assert_allclose(field.dose_mgy[trunk][sure], expected[sure], rtol=1e-12)
    assert ((expected == 0) & (bare[trunk] > 0)).any() == (primary < 0)


def test_the_dose_of_each_event_at_a_patch_knows_the_shade() -> None:
    points, normals, part = two_parts(
        cylinder(radius=60.0, x=75.0, z=(-200.0, 200.0)), cylinder(radius=60.0, x=-75.0, z=(-200.0, 200.0))
    )
    some = [replace(BEAM, primary_angle_deg=float(a)) for a in (-90, -60, 0, 60, 90)]
    field = DoseField(points, normals, part=part)
    field.add_all(some)
    for index in np.flatnonzero(field.dose_mgy > 0)[::97]:
        assert field.contributions(some, int(index)).sum() == pytest.approx(field.dose_mgy[index], rel=1e-12)


# input


def test_nothing_in_gives_nothing_out() -> None:
    assert dose_at_points([], POINTS, NORMALS).tolist() == [0.0] * len(POINTS)
    assert dose_at_points([BEAM], np.empty((0, 3)), np.empty((0, 3))).shape == (0,)
    assert dose_at_points([BEAM], [], []).shape == (0,)
    assert dose_at_points([], [], []).shape == (0,)
    assert contributions([], POINTS[0], NORMALS[0]).shape == (0,)
    assert footprints([], POINTS, NORMALS).shape == (0, len(POINTS))


POINT, NORMAL = [[0.0, 100.0, 0.0]], [[0.0, 1.0, 0.0]]


@pytest.mark.parametrize(
    ("arguments", "name"),
    [
        (([BEAM], [[nan, 0.0, 0.0]], NORMAL), r"points_mm\[0, 0\]"),
        (([BEAM], [[0.0, 0.0, np.inf]], NORMAL), r"points_mm\[0, 2\]"),
        (([BEAM], [[0.0, 1e9, 0.0]], NORMAL), r"points_mm\[0, 1\]"),
        (([BEAM], POINT, [[0.0, nan, 0.0]]), r"normals\[0, 1\]"),
        (([BEAM], POINT, [[0.0, 0.0, 0.0]]), r"normals\[0\]"),
        (([BEAM], POINT[0], NORMAL), r"points_mm: 'shape \(3,\)'"),
        (([BEAM], [[1.0, 2.0]], NORMAL), "points_mm: 'shape"),
        (([BEAM], POINT, NORMAL * 2), "normals: 'shape"),
        (([BEAM], [["a", "b", "c"]], NORMAL), "points_mm"),
        (([BEAM], [[1.0], [1.0, 2.0]], NORMAL), "points_mm"),
        ((["beam"], POINT, NORMAL), "beams"),
        ((BEAM, POINT, NORMAL), "beams"),
        (([BEAM], POINT, NORMAL, "table"), "table"),
        (([BEAM], POINT, NORMAL, None, "HFX"), "position"),
        (([replace(BEAM, source_to_isocenter_mm=140.0)], POINT, NORMAL), "source_to_isocenter_mm"),
        (([replace(BEAM, source_to_isocenter_mm=1e300)], POINT, NORMAL), "source_to_isocenter_mm"),
        (([replace(BEAM, table_offset_mm=(0.0, 1e300, 0.0))], POINT, NORMAL), "table_offset_mm"),
        (([replace(BEAM, primary_end_angle_deg=1e12)], POINT, NORMAL), "primary_end_angle_deg"),
        (([replace(BEAM, table_offset_mm=(1.0, 2.0))], POINT, NORMAL), "table_offset_mm"),
    ],
)
def test_what_cannot_be_used_is_named(arguments: tuple[object, ...], name: str) -> None:
    with pytest.raises(InputError, match=name):
        dose_at_points(*arguments)  # type: ignore[arg-type]


@pytest.mark.parametrize("part", [[1], [[1, 2]], [1.5, 2.0], ["a", "b"]])
def test_part_numbers_are_checked(part: object) -> None:
    with pytest.raises(InputError, match="part"):
        DoseField(POINT * 2, NORMAL * 2, part=part)  # type: ignore[arg-type]


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_any_finite_point_has_a_finite_dose(x: float, y: float, z: float) -> None:
    dose = dose_at_points([BEAM, replace(BEAM, backscatter=None)], [[x, y, z]], [[0.0, 1.0, 0.0]], TABLE)
    assert np.isfinite(dose).all()


# the package's own door


def test_every_public_name_is_there_and_the_list_is_sorted() -> None:
    assert dosetrack.skin.__all__ == sorted(dosetrack.skin.__all__)
    for name in dosetrack.skin.__all__:
        assert getattr(dosetrack.skin, name) is not None
    # a module of the same name would take the place of a name once it is imported
    modules = {path.stem for path in Path(dosetrack.skin.__file__).parent.glob("*.py")}
    assert modules & set(dosetrack.skin.__all__) == set()
    with pytest.raises(AttributeError, match="nothing"):
        _ = dosetrack.skin.nothing


def test_asking_for_a_beam_loads_no_arrays() -> None:
    program = "import sys, dosetrack.skin; dosetrack.skin.Beam; print('numpy' in sys.modules)"
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=root, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "False"
