"""Skin patches in small neighbourhoods, so that a beam looks only at those it can reach.

Patches are split again and again at the middle of their longest extent until a neighbourhood holds
a handful. A neighbourhood is kept for a beam unless its bounding box lies wholly outside one of the
four sides of the field, or all its normals look away from the source. Every such test errs on the
side of keeping, so that nothing is lost; what is kept is then tested patch by patch.
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

BoolArray = NDArray[np.bool_]

# sizes that keep the work arrays within the processor's cache
_HANDFUL = 48
_TESTS_AT_ONCE = 65536  # beams times neighbourhoods
_NEIGHBOURHOODS_AT_ONCE = 512
# a box this near to a side of the field is kept whatever the rounding [mm]
_SLACK_MM = 1e-6
# a source this near to the plane of a patch only grazes it, whatever the rounding [mm]
_GRAZING_MM = 1e-9


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

    def take(self, places: Indices) -> Hits:
        """Those at `places`."""
        x, y, z = self.ray_mm
        return Hits(
            self.index.take(places), self.slot.take(places), (x.take(places), y.take(places), z.take(places))
        )


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """Patches of skin by neighbourhood; axes of `frames.to_table_frame`.

    order : original index of each slot; a patch may stand in two slots to fill a neighbourhood
    slot_of : one slot of each original patch, shape (n,)
    points, normals : of each slot, shape (slots, 3) [mm]
    near : x, y, z and 1 of the patches of each neighbourhood, shape (neighbourhoods, 4, patches) [mm]
    outward : their normals, shape (neighbourhoods, 3, patches)
    plane : a source enters a patch when n.source is above this, shape (neighbourhoods, patches) [mm]
    boxes : centre, half extent and 1 of each neighbourhood, shape (7, neighbourhoods) [mm]
    facing : centre and half extent of the normals, and - the least n.p, shape (7, neighbourhoods)
    """

    order: Indices
    slot_of: Indices
    points: FloatArray
    normals: FloatArray
    near: FloatArray
    outward: FloatArray
    plane: FloatArray
    boxes: FloatArray
    facing: FloatArray

    def at(self, slots: Indices) -> Patches:
        """The patches of some slots, numbered anew from 0."""
        return patches_of(self.points[slots], self.normals[slots])

    def hits(self, still: StillBeams) -> Iterator[Hits]:
        """Every patch in the field and on the entrance side of each still beam, beams in order."""
        to_beam = _to_beam(still)
        at_once = max(1, _TESTS_AT_ONCE // max(1, len(self.near)))
        for first in range(0, len(still), at_once):
            chosen = np.arange(first, min(first + at_once, len(still)))
            beam, near = np.nonzero(self._reached(still, chosen))
            for start in range(0, len(beam), _NEIGHBOURHOODS_AT_ONCE):
                some = slice(start, start + _NEIGHBOURHOODS_AT_ONCE)
                yield self._tested(still, to_beam, index=chosen[beam[some]], near=near[some])

    def _reached(self, still: StillBeams, chosen: Indices) -> BoolArray:
        """Whether a neighbourhood may hold hit patches, shape (chosen beams, neighbourhoods)."""
        source = still.source_mm[chosen]
        one = np.ones((len(chosen), 1))
        facing = np.concatenate([source, np.abs(source), one], axis=-1) @ self.facing
        return boxes_in_field(still, chosen, self.boxes) & (facing >= -_SLACK_MM)

    def _tested(self, still: StillBeams, to_beam: FloatArray, *, index: Indices, near: Indices) -> Hits:
        """The hit patches of neighbourhood `near[i]` for still beam `index[i]`."""
        size = self.near.shape[2]
        place = to_beam.take(index, axis=0) @ self.near.take(near, axis=0)
        depth, across, up = place[:, 0], place[:, 1], place[:, 2]
        inside = np.abs(across) <= still.half_width[index, np.newaxis] * depth
        inside &= np.abs(up) <= still.half_height[index, np.newaxis] * depth
        source = still.source_mm.take(index, axis=0)[:, np.newaxis]
        inside &= (source @ self.outward.take(near, axis=0))[:, 0] > self.plane.take(near, axis=0)
        flat = np.flatnonzero(inside)
        slot = ((near * size)[:, np.newaxis] + np.arange(size)).take(flat)
        beam = index.repeat(size).take(flat)
        ray = self.points.take(slot, axis=0) - still.source_mm.take(beam, axis=0)
        x, y, z = np.ascontiguousarray(ray.T)
        return Hits(beam, slot, (x, y, z))


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
    points, outward = _by_group(points_mm, groups), _by_group(normals, groups)
    plane = (points * outward).sum(axis=0)
    near = np.concatenate([points, np.ones((1, *groups.shape))])
    return Patches(
        order=order,
        slot_of=slot_of,
        points=points_mm.take(order, axis=0),
        normals=normals.take(order, axis=0),
        near=np.ascontiguousarray(near.transpose(1, 0, 2)),
        outward=np.ascontiguousarray(outward.transpose(1, 0, 2)),
        plane=plane + _GRAZING_MM,
        boxes=np.concatenate([*_box(points), np.ones((1, len(groups)))]),
        facing=np.concatenate([*_box(outward), -plane.min(axis=1)[np.newaxis]]),
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
        points = columns.take(groups, axis=1)
        longest = (points.max(axis=2) - points.min(axis=2)).argmax(axis=0)
        middle = groups.shape[1] // 2
        halves = np.argpartition(points[longest, np.arange(len(groups))], middle, axis=1)
        groups = np.take_along_axis(groups, halves, axis=1).reshape(-1, middle)
    return groups


def boxes_in_field(still: StillBeams, chosen: Indices, boxes: FloatArray) -> BoolArray:
    """Whether a box is not wholly outside one side of the field, shape (chosen beams, n_boxes).

    boxes : centre, half extent and 1 of each, shape (7, n_boxes) [mm]
    """
    source, along = still.source_mm[chosen], still.along[chosen]
    wide = still.half_width[chosen, np.newaxis] * along
    high = still.half_height[chosen, np.newaxis] * along
    across, up = still.across[chosen], still.up[chosen]
    # inward normals of the four sides of the field; all pass through the source
    sides = np.stack([wide - across, wide + across, high - up, high + up])
    offset = -np.einsum("skc,kc->sk", sides, source)[..., np.newaxis]
    reach = np.concatenate([sides, np.abs(sides), offset], axis=-1) @ boxes
    found: BoolArray = reach.min(axis=0) >= -_SLACK_MM
    return found


def _to_beam(still: StillBeams) -> FloatArray:
    """Takes x, y, z, 1 to depth, place across and place up from the source, shape (m, 3, 4)."""
    turn = np.stack([still.along, still.across, still.up], axis=1)
    shift = np.einsum("kac,kc->ka", turn, still.source_mm)[..., np.newaxis]
    return np.concatenate([turn, -shift], axis=-1)


def _by_group(vectors: FloatArray, groups: IntArray) -> FloatArray:
    """Shape (3, groups, patches in each)."""
    return np.ascontiguousarray(vectors.T).take(groups, axis=1)


def _box(columns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Centre and half extent of each group, shape (3, groups) each, from shape (3, groups, m)."""
    low, high = columns.min(axis=2), columns.max(axis=2)
    return (low + high) / 2, (high - low) / 2
