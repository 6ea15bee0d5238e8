"""The skin laid flat: a regular grid over each unrolled part, for maps on screen and on paper.

Every part of the body is a strip of its own, cut open at the front (a limb: opposite its back).
A cell of the grid takes its dose from the four patches around it in the same strip, so one `FlatGrid` serves
every dose of one surface at the cost of a weighted sum.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, sqrt

import numpy as np

from dosetrack.skin.model import FloatArray, IntArray, Surface

MOST_CELLS = 90_000
"""Cells of a grid; a finer one shows nothing that the patches hold."""
_ROW_STEP_MM = 0.5
"""Patches whose places along the body differ by less lie in one row."""
_GAP_MM = 40.0
"""Between strips that would otherwise lie on one another; a matter of drawing alone."""
_OFFSET_ATTEMPTS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """One unrolled part. outline_mm : closed line around it, shape (k, 2); shift_mm : across, to lie free."""

    part: str
    outline_mm: FloatArray
    shift_mm: float

    @property
    def middle_mm(self) -> float:
        """Middle of the strip, across [mm]."""
        return float((self.outline_mm[:, 0].min() + self.outline_mm[:, 0].max()) / 2)

    @property
    def top_mm(self) -> float:
        """Head end of the strip, along [mm]."""
        return float(self.outline_mm[:, 1].max())

    @property
    def bottom_mm(self) -> float:
        """Feet end of the strip, along [mm]."""
        return float(self.outline_mm[:, 1].min())


@dataclass(frozen=True, slots=True, eq=False)
class FlatGrid:
    """A regular grid over the unrolled surface.

    across_mm : centre of each column, rising, positive to the patient's left of the back, shape (nx,)
    along_mm : centre of each row, rising toward the head, shape (ny,)
    inside : whether a cell lies on a strip, shape (ny, nx)
    patches, weights : the patches a cell inside is drawn from, weights adding to 1, shape (cells inside, 4)
    places_mm : place of every patch on the map, shape (n, 2)
    """

    across_mm: FloatArray
    along_mm: FloatArray
    inside: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    patches: IntArray
    weights: FloatArray
    places_mm: FloatArray
    strips: tuple[Strip, ...]

    def values(self, of_patches: FloatArray) -> FloatArray:
        """One number per patch, shape (n,), as a grid of shape (ny, nx); NaN off the skin."""
        grid = np.full(self.inside.shape, np.nan)
        grid[self.inside] = (of_patches[self.patches] * self.weights).sum(axis=1)
        return grid


@dataclass(slots=True)
class _Rows:
    """The patches of one part in rows along the body, each row in order across."""

    along: FloatArray
    members: list[IntArray]
    across: list[FloatArray]
    half_step: FloatArray

    def edges(self) -> tuple[FloatArray, FloatArray]:
        low = np.array([a[0] for a in self.across]) - self.half_step
        high = np.array([a[-1] for a in self.across]) + self.half_step
        return low, high


def flat_grid(surface: Surface, *, cell_mm: float | None = None) -> FlatGrid:
    """The grid over `surface`, with cells of about half a patch unless `cell_mm` is given.

    Examples
    --------
    >>> import numpy as np
    >>> from dosetrack.skin.model import Surface
    >>> place = np.array([[x, z] for z in (0.0, 10.0) for x in (0.0, 10.0, 20.0)])
    >>> sheet = Surface("sheet", np.zeros((6, 3)), np.zeros((6, 3)), np.full(6, 100.0),
    ...                 np.zeros(6, dtype=np.int32), ("sheet",), place, np.zeros((0, 3), dtype=np.int32), 0.0)
    >>> grid = flat_grid(sheet, cell_mm=10.0)
    >>> grid.values(np.arange(6.0)).tolist()
    [[0.0, 1.0, 2.0], [3.0, 4.0, 5.0]]
    """
    rows = {
        index: _rows(surface.unrolled_mm, np.flatnonzero(surface.part == index).astype(np.int32))
        for index in range(len(surface.parts))
        if np.any(surface.part == index)
    }
    shifts = _shifts(surface.parts, rows)
    strips = tuple(Strip(surface.parts[i], _outline(r, shifts[i]), shifts[i]) for i, r in rows.items())
    step = cell_mm or _cell(surface, strips)
    across, along = _axes(strips, step)
    patch = np.full((len(along), len(across), 4), -1, dtype=np.int32)
    weight = np.zeros((len(along), len(across), 4))
    for index, row in rows.items():
        _fill(patch, weight, row, across - shifts[index], along)
    inside = patch[:, :, 0] >= 0
    places = surface.unrolled_mm.copy()
    for index, shift in shifts.items():
        places[surface.part == index, 0] += shift
    return FlatGrid(across, along, inside, patch[inside], weight[inside], places, strips)


def _rows(unrolled: FloatArray, members: IntArray) -> _Rows:
    order = members[np.argsort(unrolled[members, 1], kind="stable")]
    along = unrolled[order, 1]
    starts = np.flatnonzero(np.diff(along, prepend=-np.inf) > _ROW_STEP_MM)
    groups = [g[np.argsort(unrolled[g, 0], kind="stable")] for g in np.split(order, starts[1:])]
    across = [unrolled[g, 0] for g in groups]
    half = np.array([(a[-1] - a[0]) / (2 * max(len(a) - 1, 1)) for a in across])
    return _Rows(along[starts], groups, across, half)


def _half_row(rows: _Rows) -> float:
    return float(np.median(np.diff(rows.along))) / 2 if len(rows.along) > 1 else 0.0


def _outline(rows: _Rows, shift: float) -> FloatArray:
    low, high = rows.edges()
    half = _half_row(rows)
    along = rows.along.copy()
    along[0], along[-1] = along[0] - half, along[-1] + half
    up = np.column_stack((high + shift, along))
    down = np.column_stack((low + shift, along))[::-1]
    return np.vstack((up, down, up[:1]))


def _shifts(parts: tuple[str, ...], rows: dict[int, _Rows]) -> dict[int, float]:
    """How far each strip is moved across so that none lies on another; the widest stays."""
    placed: list[_Box] = []
    shifts: dict[int, float] = {}
    for index, row in sorted(rows.items(), key=lambda item: -_box(item[1]).width):
        box, is_left = _box(row), "left" in parts[index]
        shift = 0.0
        for _ in range(_OFFSET_ATTEMPTS):
            others = [other for other in placed if other.meets(box.moved(shift))]
            if not others:
                break
            beyond = max(o.high for o in others) if is_left else min(o.low for o in others)
            shift = beyond + _GAP_MM - box.low if is_left else beyond - _GAP_MM - box.high
        shifts[index] = shift
        placed.append(box.moved(shift))
    return shifts


@dataclass(frozen=True, slots=True)
class _Box:
    low: float
    high: float
    bottom: float
    top: float

    @property
    def width(self) -> float:
        return self.high - self.low

    def moved(self, shift: float) -> _Box:
        return _Box(self.low + shift, self.high + shift, self.bottom, self.top)

    def meets(self, other: _Box) -> bool:
        is_beside = self.high <= other.low or other.high <= self.low
        return not is_beside and self.bottom < other.top and other.bottom < self.top


def _box(rows: _Rows) -> _Box:
    low, high = rows.edges()
    return _Box(float(low.min()), float(high.max()), float(rows.along[0]), float(rows.along[-1]))


def _cell(surface: Surface, strips: tuple[Strip, ...]) -> float:
    """Half a patch, wider where the grid would get too many cells [mm]."""
    patch = sqrt(float(np.median(surface.area_mm2)))
    ends = np.vstack([s.outline_mm for s in strips])
    whole = float(np.prod(ends.max(axis=0) - ends.min(axis=0)))
    return max(patch / 2, sqrt(whole / MOST_CELLS))


def _axes(strips: tuple[Strip, ...], step: float) -> tuple[FloatArray, FloatArray]:
    ends = np.vstack([s.outline_mm for s in strips])
    low, high = ends.min(axis=0), ends.max(axis=0)
    nx, ny = (max(1, ceil(round((h - w) / step, 6))) for w, h in zip(low, high, strict=True))
    return low[0] + step * (np.arange(nx) + 0.5), low[1] + step * (np.arange(ny) + 0.5)


def _fill(patch: IntArray, weight: FloatArray, rows: _Rows, across: FloatArray, along: FloatArray) -> None:
    """Write patches and weights of one strip into the grid, row of cells by row of cells."""
    half = _half_row(rows)
    low, high = rows.edges()
    left = [_neighbours(a, across) for a in rows.across]
    for j in np.flatnonzero((along >= rows.along[0] - half) & (along <= rows.along[-1] + half)):
        z = along[j]
        upper = int(np.clip(np.searchsorted(rows.along, z), 1, max(len(rows.along) - 1, 1)))
        upper = min(upper, len(rows.along) - 1)
        lower = max(upper - 1, 0)
        span = rows.along[upper] - rows.along[lower]
        t = float(np.clip((z - rows.along[lower]) / span, 0.0, 1.0)) if span > 0 else 0.0
        is_in = (across >= low[lower] + t * (low[upper] - low[lower])) & (
            across <= high[lower] + t * (high[upper] - high[lower])
        )
        for place, (row, share) in enumerate(((lower, 1 - t), (upper, t))):
            first, second, s = left[row]
            members = rows.members[row]
            patch[j, is_in, 2 * place] = members[first[is_in]]
            patch[j, is_in, 2 * place + 1] = members[second[is_in]]
            weight[j, is_in, 2 * place] = share * (1 - s[is_in])
            weight[j, is_in, 2 * place + 1] = share * s[is_in]


def _neighbours(places: FloatArray, across: FloatArray) -> tuple[IntArray, IntArray, FloatArray]:
    """The two places of a row beside each column, and how far it lies toward the second."""
    if len(places) == 1:
        nothing = np.zeros(len(across), dtype=np.int32)
        return nothing, nothing, np.zeros(len(across))
    second = np.clip(np.searchsorted(places, across), 1, len(places) - 1).astype(np.int32)
    first = (second - 1).astype(np.int32)
    span = places[second] - places[first]
    share = np.clip((across - places[first]) / np.where(span > 0, span, 1.0), 0.0, 1.0)
    return first, second, share
