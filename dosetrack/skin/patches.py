"""Skin patches in small neighbourhoods, so that a beam looks only at those it can reach.

Patches are split again and again at the middle of their longest extent until a neighbourhood holds
a handful. A neighbourhood is kept for a beam unless its bounding box lies wholly outside one of the
four sides of the field, or all its normals look away from the source. Every test errs on the side
of keeping, so that nothing is lost; what is kept is then tested patch by patch.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, log2

import numpy as np
from numpy.typing import NDArray

from dosetrack.skin.model import FloatArray, IntArray
from dosetrack.skin.rays import Columns, Indices
from dosetrack.skin.still_beams import StillBeams

NDArrayBool = NDArray[np.bool_]

_HANDFUL = 24
_TESTS_AT_ONCE = 65536  # beams times neighbourhoods
_NEIGHBOURHOODS_AT_ONCE = 1024
# a box this near a field side is kept whatever the rounding [mm]
_SLACK_MM = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Hits:
    """Rays that lie in the field of their beam and enter the skin there.

    index : still beam of each ray, shape (n,)
    slot : place of the patch in `Patches`, shape (n,)
    ray_mm : from the focal spot to the patch [mm]
    """

    index: Indices
    slot: Indices
    ray_mm: Columns

    def where(self, kept: NDArrayBool) -> Hits:
        """Those of them that are kept."""
        x, y, z = self.ray_mm
        return Hits(self.index[kept], self.slot[kept], (x[kept], y[kept], z[kept]))


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """Patches of skin by neighbourhood; axes of `frames.to_table_frame`.

    order : original index of each slot; the last patch of a neighbourhood may stand twice
    slot_of : one slot of each original patch, shape (n,)
    points : x, y, z of each slot, shape (neighbourhoods, patches in each) [mm]
    normals : the same of the outward normals
    boxes : centre, half extent and 1 of each neighbourhood, shape (7, neighbourhoods)
    facing : centre and half extent of the normals, and - the least n.p, shape (7, neighbourhoods)
    """

    order: Indices
    slot_of: Indices
    points: Columns
    normals: Columns
    boxes: FloatArray
    facing: FloatArray

    @property
    def n_slots(self) -> int:
        """Number of slots, those that stand twice included."""
        return len(self.order)

    def at(self, slots: Indices) -> Patches:
        """The patches of some slots, numbered anew from 0."""
        return patches_of(
            np.stack([axis.ravel()[slots] for axis in self.points], axis=-1),
            np.stack([axis.ravel()[slots] for axis in self.normals], axis=-1),
        )

    def hits(self, still: StillBeams) -> Iterator[Hits]:
        """Every patch in the field and on the entrance side of each still beam, beams in order."""
        at_once = max(1, _TESTS_AT_ONCE // max(1, self.boxes.shape[1]))
        for first in range(0, len(still), at_once):
            chosen = np.arange(first, min(first + at_once, len(still)))
            beam, near = np.nonzero(self._reached(still, chosen))
            for start in range(0, len(beam), _NEIGHBOURHOODS_AT_ONCE):
                some = slice(start, start + _NEIGHBOURHOODS_AT_ONCE)
                yield self._tested(still, chosen[beam[some]], near[some])

    def _reached(self, still: StillBeams, chosen: Indices) -> NDArrayBool:
        """Whether a neighbourhood may hold hit patches, shape (chosen beams, neighbourhoods)."""
        source, along = still.source_mm[chosen], still.along[chosen]
        wide = still.half_width[chosen, np.newaxis] * along
        high = still.half_height[chosen, np.newaxis] * along
        across, up = still.across[chosen], still.up[chosen]
        # inward normals of the four sides of the field; all pass through the source
        sides = np.stack([wide - across, wide + across, high - up, high + up])
        offset = -np.einsum("skc,kc->sk", sides, source)[..., np.newaxis]
        reach = np.concatenate([sides, np.abs(sides), offset], axis=-1) @ self.boxes
        one = np.ones((len(chosen), 1))
        facing = np.concatenate([source, np.abs(source), one], axis=-1) @ self.facing
        kept: NDArrayBool = (reach.min(axis=0) >= -_SLACK_MM) & (facing >= -_SLACK_MM)
        return kept

    def _tested(self, still: StillBeams, index: Indices, near: Indices) -> Hits:
        """The hit patches of neighbourhood `near[i]` for still beam `index[i]`."""
        source, along, across, up = (
            getattr(still, name)[index].T[..., np.newaxis] for name in ("source_mm", "along", "across", "up")
        )
        x, y, z = (axis[near] - source[i] for i, axis in enumerate(self.points))
        depth = x * along[0] + y * along[1] + z * along[2]
        inside = np.abs(x * across[0] + y * across[1] + z * across[2]) <= (
            still.half_width[index, np.newaxis] * depth
        )
        inside &= np.abs(x * up[0] + y * up[1] + z * up[2]) <= still.half_height[index, np.newaxis] * depth
        flat = np.flatnonzero(inside)
        row, column = np.divmod(flat, inside.shape[1])
        slot = near[row] * inside.shape[1] + column
        x, y, z = x.ravel()[flat], y.ravel()[flat], z.ravel()[flat]
        n_x, n_y, n_z = (axis.ravel()[slot] for axis in self.normals)
        enters = np.flatnonzero((n_x * x + n_y * y + n_z * z < 0) & (depth.ravel()[flat] > 0))
        return Hits(index[row[enters]], slot[enters], (x[enters], y[enters], z[enters]))


def patches_of(points_mm: FloatArray, normals: FloatArray) -> Patches:
    """Patches by neighbourhood.

    Parameters
    ----------
    points_mm, normals : shape (n, 3), axes of `frames.to_table_frame`
    """
    groups = neighbourhoods(points_mm, _HANDFUL)
    order = groups.ravel()
    slot_of = np.empty(len(points_mm), dtype=np.int64)
    slot_of[order] = np.arange(len(order))
    points = np.ascontiguousarray(points_mm.T)[:, groups]
    outward = np.ascontiguousarray(normals.T)[:, groups]
    plane = (points * outward).sum(axis=0).min(axis=1)
    return Patches(
        order=order,
        slot_of=slot_of,
        points=(points[0], points[1], points[2]),
        normals=(outward[0], outward[1], outward[2]),
        boxes=np.concatenate([*_box(points), np.ones((1, len(groups)))]),
        facing=np.concatenate([*_box(outward), -plane[np.newaxis]]),
    )


def neighbourhoods(points_mm: FloatArray, handful: int) -> IntArray:
    """Indices of near patches in groups of about `handful`, shape (groups, patches in each).

    The number of groups is a power of 2; the last patch fills up where the division leaves a rest.
    """
    n = len(points_mm)
    if n == 0:
        return np.zeros((0, 1), dtype=np.int32)
    columns = np.ascontiguousarray(points_mm.T)
    levels = max(0, ceil(log2(n / handful)))
    size = ceil(n / 2**levels)
    groups = np.minimum(np.arange(size * 2**levels, dtype=np.int32), n - 1).reshape(1, -1)
    for _ in range(levels):
        points = columns[:, groups]
        longest = (points.max(axis=2) - points.min(axis=2)).argmax(axis=0)
        middle = groups.shape[1] // 2
        halves = np.argpartition(points[longest, np.arange(len(groups))], middle, axis=1)
        groups = np.take_along_axis(groups, halves, axis=1).reshape(-1, middle)
    return groups


def _box(columns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Centre and half extent of each group, shape (3, groups) each, from shape (3, groups, m)."""
    low, high = columns.min(axis=2), columns.max(axis=2)
    return (low + high) / 2, (high - low) / 2
