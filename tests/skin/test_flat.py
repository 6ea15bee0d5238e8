"""The skin laid flat: doses keep their place and their size."""

from __future__ import annotations

import numpy as np
import pytest

from dosetrack.skin.body import patient_surface
from dosetrack.skin.flat import MOST_CELLS, flat_grid
from dosetrack.skin.model import FloatArray, Surface
from dosetrack.skin.setup import PatientSetup


def strip(across: tuple[float, float], along: tuple[float, float], step: float = 10.0) -> FloatArray:
    x, z = np.meshgrid(np.arange(*across, step) + step / 2, np.arange(*along, step) + step / 2)
    return np.column_stack((x.ravel(), z.ravel()))


def surface(*strips: tuple[str, FloatArray]) -> Surface:
    unrolled = np.vstack([places for _, places in strips])
    n = len(unrolled)
    part = np.concatenate([np.full(len(p), i, dtype=np.int32) for i, (_, p) in enumerate(strips)])
    return Surface(
        "body", np.zeros((n, 3)), np.tile([0.0, 1.0, 0.0], (n, 1)), np.full(n, 100.0), part,
        tuple(name for name, _ in strips), unrolled, np.zeros((0, 3), dtype=np.int32), 1700.0,
    )  # fmt: skip


def test_a_linear_dose_stays_linear() -> None:
    """Interpolation between patches is exact for a plane: dose = 3 across - 2 along + 500."""
    on = surface(("trunk", strip((-200, 200), (800, 1300))))
    grid = flat_grid(on, cell_mm=4.0)
    seen = grid.values(3 * on.unrolled_mm[:, 0] - 2 * on.unrolled_mm[:, 1] + 5000)
    x, z = np.meshgrid(grid.across_mm, grid.along_mm)
    inner = (np.abs(x) < 194) & (z > 806) & (z < 1294)
    assert seen[inner] == pytest.approx((3 * x - 2 * z + 5000)[inner], rel=1e-9)


def test_dose_times_area_is_kept() -> None:
    on = surface(("trunk", strip((-200, 200), (800, 1300))))
    grid = flat_grid(on, cell_mm=5.0)
    dose = np.exp(-((on.unrolled_mm - (0, 1050)) ** 2).sum(axis=1) / 60**2)
    assert np.nansum(grid.values(dose)) * 25.0 == pytest.approx((dose * on.area_mm2).sum(), rel=1e-3)


def test_no_value_leaves_the_range_of_the_patches_and_nothing_stands_off_the_skin() -> None:
    on = surface(("trunk", strip((-200, 200), (800, 1300))), ("head", strip((-60, 60), (1400, 1600))))
    grid = flat_grid(on)
    seen = grid.values(np.random.default_rng(3).uniform(100, 900, len(on.unrolled_mm)))
    assert np.nanmin(seen) >= 100
    assert np.nanmax(seen) <= 900
    between = seen[(grid.along_mm > 1305) & (grid.along_mm < 1395)]
    assert np.isnan(between).all()
    assert np.isnan(seen[grid.along_mm > 1450][:, np.abs(grid.across_mm) > 70]).all()


def test_strips_that_would_lie_on_one_another_are_moved_apart() -> None:
    legs = [("left leg", strip((-100, 100), (0, 800))), ("right leg", strip((-100, 100), (0, 800)))]
    on = surface(("trunk", strip((-200, 200), (810, 1300))), *legs)
    trunk, left, right = flat_grid(on).strips[:3]
    assert trunk.part == "trunk"
    assert trunk.shift_mm == 0
    ends = sorted((s.outline_mm[:, 0].min(), s.outline_mm[:, 0].max()) for s in (left, right))
    assert ends[0][1] < ends[1][0]
    assert left.middle_mm > right.middle_mm or left.shift_mm == 0


def test_a_row_of_one_patch_and_one_row_alone_are_drawn() -> None:
    on = surface(("sheet", np.array([[0.0, 0.0], [10.0, 0.0], [5.0, 10.0]])))
    assert np.isfinite(flat_grid(on, cell_mm=5.0).values(np.ones(3))).any()
    one = surface(("sheet", np.array([[0.0, 0.0], [10.0, 0.0]])))
    assert np.isfinite(flat_grid(one, cell_mm=5.0).values(np.ones(2))).any() or len(one.unrolled_mm) == 2


@pytest.mark.parametrize("region", ["head", "chest", "pelvis", "legs"])
def test_every_patch_of_a_body_is_found_again_on_its_map(region: str) -> None:
    on = patient_surface(PatientSetup(170.0, 70.0, "F", region=region, arms="beside"), spacing_mm=12.0)  # type: ignore[arg-type]
    grid = flat_grid(on)
    assert grid.inside.size <= MOST_CELLS * 1.02
    # the crown of the head and the finger tips end in slivers narrower than a cell
    whole = np.flatnonzero(on.area_mm2 > 0.5 * np.median(on.area_mm2))
    chosen = np.random.default_rng(5).choice(whole, 60, replace=False)
    for patch in chosen:
        dose = np.zeros(len(on.points_mm))
        dose[patch] = 1.0
        seen = np.nan_to_num(grid.values(dose))
        row, column = np.unravel_index(int(seen.argmax()), seen.shape)
        x, z = grid.places_mm[patch]
        assert abs(grid.across_mm[column] - x) < 12.0
        assert abs(grid.along_mm[row] - z) < 12.0
