"""The kernel against a slow implementation of the same formulas, written apart from it."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from math import radians
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))
from slow_dose import STEP_DEG, TURNS, SlowDose, slow_dose

from dosetrack.skin import Beam, DoseField, TableTop, dose_at_points, footprints
from dosetrack.skin.kernel import contributions
from dosetrack.skin.quality import field_factors
from dosetrack.skin.still_beams import ARC_STEP_DEG

POINTS = 12


def factors(beam: Beam) -> tuple[Sequence[float], Sequence[float]]:
    """The published factors; the slow way interpolates them by itself."""
    found = field_factors(beam)
    return found.sides_cm.tolist(), found.medium_and_backscatter.tolist()


def number(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high).map(lambda x: round(x, 3))


def maybe(strategy: st.SearchStrategy[float]) -> st.SearchStrategy[float | None]:
    return st.none() | strategy


@st.composite
def beams(draw: st.DrawFn) -> Beam:
    primary, secondary = draw(number(-100, 100)), draw(number(-50, 50))
    turn, tilt = draw(maybe(number(-12, 12))), draw(maybe(number(-6, 6)))
    is_constant = draw(st.booleans())
    return Beam(
        reference_air_kerma_mgy=draw(number(0, 500)),
        source_to_isocenter_mm=draw(number(650, 850)),
        source_to_detector_mm=draw(number(900, 1300)),
        field_width_mm=draw(number(120, 420)),
        field_height_mm=draw(number(120, 420)),
        primary_angle_deg=primary,
        secondary_angle_deg=secondary,
        primary_end_angle_deg=None if turn is None else primary + turn,
        secondary_end_angle_deg=None if tilt is None else secondary + tilt,
        source_to_reference_point_mm=draw(maybe(number(450, 750))),
        table_offset_mm=(draw(number(-60, 60)), draw(number(-60, 60)), draw(number(-60, 60))),
        backscatter=draw(number(1.1, 1.7)) if is_constant else draw(maybe(number(1.1, 1.7))),
        medium_ratio=draw(number(0.9, 1.1)) if is_constant else None,
        kvp=draw(maybe(number(55, 120))),
        al_mm=draw(maybe(number(2.6, 4.4))),
        cu_mm=draw(maybe(number(0, 0.8))),
        calibration_factor=draw(number(0.7, 1.3)),
    )


@st.composite
def tables(draw: st.DrawFn) -> TableTop | None:
    if draw(st.integers(0, 3)) == 0:
        return None
    z_min = draw(number(-900, 0))
    return TableTop(
        top_y_mm=draw(number(-20, 260)),
        half_width_mm=draw(number(80, 300)),
        z_min_mm=z_min,
        z_max_mm=z_min + draw(number(100, 1500)),
        transmission=draw(number(0.5, 1)),
    )


@st.composite
def skins(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """Tilted patches about the isocentre."""
    chance = np.random.default_rng(draw(st.integers(0, 10**6)))
    points = chance.uniform(-90, 90, (POINTS, 3))
    normals = points + chance.normal(0, 60, (POINTS, 3))
    return points, normals / np.linalg.norm(normals, axis=1)[:, np.newaxis]


def slowly(
    some: list[Beam], skin: tuple[np.ndarray, np.ndarray], table: TableTop | None, position: str
) -> list[SlowDose]:
    pairs = zip(skin[0].tolist(), skin[1].tolist(), strict=True)
    return [slow_dose(some, tuple(p), tuple(n), table, position, factors) for p, n in pairs]


def test_both_split_an_arc_alike() -> None:
    assert ARC_STEP_DEG == STEP_DEG


@settings(max_examples=100)
@given(st.lists(beams(), min_size=1, max_size=3), skins(), tables(), st.sampled_from(sorted(TURNS)))
def test_equal_to_the_slow_way(
    some: list[Beam], skin: tuple[np.ndarray, np.ndarray], table: TableTop | None, position: str
) -> None:
    slow = slowly(some, skin, table, position)
    clear = np.array([not one.is_at_an_edge for one in slow])
    expected = np.array([one.dose_mgy for one in slow])
    found = dose_at_points(some, *skin, table, position)  # type: ignore[arg-type]
    np.testing.assert_allclose(found[clear], expected[clear], rtol=1e-9, atol=0)


def test_equal_on_cases_known_to_reach_every_branch() -> None:
    """Seeded cases, where many rays are known to hit, to miss, to pass the table and to pass beside it."""
    chance = np.random.default_rng(4)
    seen = {"hit": 0, "missed": 0, "through the table": 0, "beside the table": 0}
    for case in range(80):
        beam = Beam(
            reference_air_kerma_mgy=chance.uniform(1, 500),
            source_to_isocenter_mm=chance.uniform(650, 850),
            source_to_detector_mm=chance.uniform(900, 1300),
            field_width_mm=chance.uniform(120, 420),
            field_height_mm=chance.uniform(120, 420),
            primary_angle_deg=chance.uniform(-100, 100),
            secondary_angle_deg=chance.uniform(-50, 50),
            table_offset_mm=tuple(chance.uniform(-60, 60, 3)),
            kvp=chance.uniform(55, 120),
        )
        points = chance.uniform(-90, 90, (POINTS, 3))
        skin = points, points + chance.normal(0, 60, (POINTS, 3))
        z_min = chance.uniform(-900, -50)
        table = TableTop(chance.uniform(60, 200), chance.uniform(60, 300), z_min, z_min + 1000, 0.8)
        position = sorted(TURNS)[case % len(TURNS)]
        slow = slowly([beam], skin, table, position)
        assert not any(one.is_at_an_edge for one in slow)
        found = dose_at_points([beam], *skin, table, position)  # type: ignore[arg-type]
        np.testing.assert_allclose(found, [one.dose_mgy for one in slow], rtol=1e-9)
        bare = dose_at_points([beam], *skin, None, position)  # type: ignore[arg-type]
        seen["hit"] += int((found > 0).sum())
        seen["missed"] += int((found == 0).sum())
        seen["through the table"] += int((found < bare).sum())
        seen["beside the table"] += int(((found == bare) & (found > 0)).sum())
    assert min(seen.values()) > 50, seen


@settings(max_examples=20)
@given(st.lists(beams(), min_size=1, max_size=4), skins(), tables(), st.sampled_from(sorted(TURNS)))
def test_contributions_and_footprints_tell_the_same(
    some: list[Beam], skin: tuple[np.ndarray, np.ndarray], table: TableTop | None, position: str
) -> None:
    whole = dose_at_points(some, *skin, table, position)  # type: ignore[arg-type]
    running = DoseField(*skin, table, position)  # type: ignore[arg-type]
    for beam in some:
        running.add(beam)
    np.testing.assert_allclose(running.dose_mgy, whole, rtol=1e-12)
    entered = footprints(some, *skin, position)  # type: ignore[arg-type]
    for index, (point, normal) in enumerate(zip(*skin, strict=True)):
        given_by = contributions(some, point, normal, table, position)  # type: ignore[arg-type]
        assert given_by.sum() == pytest.approx(whole[index], rel=1e-12)
        np.testing.assert_array_equal(given_by, running.contributions(some, index))
        assert (entered[:, index] | (given_by == 0)).all()


@pytest.mark.parametrize("seed", range(3))
def test_neighbourhoods_lose_nothing(seed: int) -> None:
    """Many patches, tested beam by beam over the whole body without any culling."""
    chance = np.random.default_rng(seed)
    points = chance.normal(0, 1, (3000, 3))
    normals = points / np.linalg.norm(points, axis=1)[:, np.newaxis]
    points = normals * [180.0, 120.0, 300.0]
    some = [
        Beam(
            reference_air_kerma_mgy=1.0,
            source_to_isocenter_mm=750.0,
            source_to_detector_mm=1100.0,
            field_width_mm=chance.uniform(5, 400),
            field_height_mm=chance.uniform(5, 400),
            primary_angle_deg=chance.uniform(-180, 180),
            secondary_angle_deg=chance.uniform(-90, 90),
            table_offset_mm=tuple(chance.uniform(-300, 300, 3)),
            backscatter=1.0,
            medium_ratio=1.0,
        )
        for _ in range(40)
    ]
    for beam, found in zip(some, footprints(some, points, normals), strict=True):
        a, s = radians(beam.primary_angle_deg), radians(beam.secondary_angle_deg)
        upward = np.array([np.sin(a) * np.cos(s), -np.cos(a) * np.cos(s), np.sin(s)])
        width = np.array([np.cos(a), np.sin(a), 0.0])
        ray = points + beam.table_offset_mm + 750.0 * upward
        depth = ray @ upward
        inside = np.abs(ray @ width) * 1100 <= beam.field_width_mm / 2 * depth
        inside &= np.abs(ray @ np.cross(upward, width)) * 1100 <= beam.field_height_mm / 2 * depth
        np.testing.assert_array_equal(found, inside & (depth > 0) & ((ray * normals).sum(axis=1) < 0))
