"""Skin behind another part of the body: a second leg or an arm in the beam shades what lies behind it.

Each part is taken as convex: the space on the inner side of the planes that touch it at its patches,
cut off at its own bounding box. A ray enters that space at the last plane it passes inward and
leaves it at the first it passes outward. A part that is hollow somewhere counts as smaller there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dosetrack.skin.model import FloatArray, IntArray
from dosetrack.skin.patches import BoolArray, Hits, boxes_in_field
from dosetrack.skin.still_beams import StillBeams

_PLANES = 96
_GOLDEN = (5**0.5 - 1) / 2
_RAYS_AT_ONCE = 2048
# less than this inside another part is taken as two parts that touch, not as shade [mm]
_TOUCHING_MM = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class ConvexPart:
    """One part: box corners and touching planes n.p <= offset, axes of `frames.to_table_frame`."""

    low: FloatArray
    high: FloatArray
    outward: FloatArray
    offset: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """The parts of one body.

    numbers : of each part, ascending
    boxes : centre, half extent and 1 of each, shape (7, parts) [mm]
    """

    numbers: tuple[int, ...]
    bodies: tuple[ConvexPart, ...]
    boxes: FloatArray

    def __len__(self) -> int:
        return len(self.numbers)

    def shade(self, still: StillBeams, hits: Hits, part: IntArray) -> BoolArray:
        """Whether another part than its own lies between the source and each hit patch, shape (n,).

        part : number of the part of each hit patch, shape (n,)
        """
        shaded = np.zeros(len(part), dtype=np.bool_)
        if not len(part):
            return shaded
        first = hits.index.min()
        in_field = boxes_in_field(still, np.arange(first, hits.index.max() + 1), self.boxes)
        ray_x, ray_y, ray_z = hits.ray_mm
        for column, (number, body) in enumerate(zip(self.numbers, self.bodies, strict=True)):
            others = np.flatnonzero(in_field[hits.index - first, column] & (part != number) & ~shaded)
            if not len(others):
                continue
            ray = np.stack([ray_x[others], ray_y[others], ray_z[others]], axis=-1)
            source = still.source_mm[hits.index[others]]
            near = np.flatnonzero(_inside_box(source, ray, body) > _TOUCHING_MM)
            for start in range(0, len(near), _RAYS_AT_ONCE):
                some = near[start : start + _RAYS_AT_ONCE]
                shaded[others[some]] = _inside_planes(source[some], ray[some], body) > _TOUCHING_MM
        return shaded


def convex_parts(points_mm: FloatArray, normals: FloatArray, part: IntArray) -> Parts:
    """The parts by their numbers, none where there is only one; some hundred planes for each."""
    numbers = tuple(int(number) for number in np.unique(part))
    if len(numbers) < 2:  # nothing else to shade it
        return Parts((), (), np.zeros((7, 0)))
    bodies = []
    for number in numbers:
        points, outward = points_mm[part == number], normals[part == number]
        # steps of the golden ratio spread over rings and along the part alike
        chosen = np.unique((np.arange(_PLANES) * _GOLDEN % 1 * len(points)).astype(np.int64))
        bodies.append(
            ConvexPart(
                low=points.min(axis=0),
                high=points.max(axis=0),
                outward=outward[chosen],
                offset=np.einsum("ic,ic->i", points[chosen], outward[chosen]),
            )
        )
    boxes = [np.concatenate([(b.low + b.high) / 2, (b.high - b.low) / 2, [1.0]]) for b in bodies]
    return Parts(numbers, tuple(bodies), np.array(boxes).reshape(-1, 7).T)


def _inside_box(source: FloatArray, ray: FloatArray, body: ConvexPart) -> FloatArray:
    """Length of each ray from source to skin inside the box of a part, below 0 if it misses [mm]."""
    steep = np.where(ray == 0, np.finfo(np.float64).tiny, ray)
    with np.errstate(over="ignore"):  # a ray along a face: infinity is right
        at_low, at_high = (body.low - source) / steep, (body.high - source) / steep
    enter = np.minimum(at_low, at_high).max(axis=1)
    leave = np.maximum(at_low, at_high).min(axis=1)
    return _length(enter, leave, ray)


def _inside_planes(source: FloatArray, ray: FloatArray, body: ConvexPart) -> FloatArray:
    """Length of each ray from source to skin inside planes and box, below 0 if it misses [mm]."""
    outward = np.concatenate([body.outward, np.eye(3), -np.eye(3)])
    offset = np.concatenate([body.offset, body.high, -body.low])
    slope = outward @ ray.T
    at = offset[:, np.newaxis] - outward @ source.T
    slope[slope == 0] = np.finfo(np.float64).tiny
    with np.errstate(over="ignore"):
        at /= slope
    inward = slope < 0
    enter = np.where(inward, at, -np.inf).max(axis=0)
    leave = np.where(inward, np.inf, at).min(axis=0)
    return _length(enter, leave, ray)


def _length(enter: FloatArray, leave: FloatArray, ray: FloatArray) -> FloatArray:
    inside = np.minimum(leave, 1.0) - np.maximum(enter, 0.0)
    length: FloatArray = np.maximum(inside, -1.0) * np.linalg.norm(ray, axis=1)
    return length
