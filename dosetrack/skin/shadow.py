"""Skin behind another part of the body: a second leg or an arm in the beam shades what lies behind it.

Each part is taken as convex: the space on the inner side of the planes that touch it at its patches,
cut off at its own bounding box. A ray enters that space at the last plane it passes inward and
leaves it at the first it passes outward. A part that is hollow somewhere counts as smaller there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dosetrack.skin.model import FloatArray, IntArray
from dosetrack.skin.patches import Hits, neighbourhoods
from dosetrack.skin.still_beams import StillBeams

_PLANES = 256
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


def convex_parts(points_mm: FloatArray, normals: FloatArray, part: IntArray) -> dict[int, ConvexPart]:
    """Each part by its number; about 256 planes for one, spread evenly over its patches."""
    found = {}
    for number in np.unique(part):
        points, outward = points_mm[part == number], normals[part == number]
        chosen = neighbourhoods(points, max(1, len(points) // _PLANES))[:, 0]
        found[int(number)] = ConvexPart(
            low=points.min(axis=0),
            high=points.max(axis=0),
            outward=outward[chosen],
            offset=np.einsum("ic,ic->i", points[chosen], outward[chosen]),
        )
    return found


def is_shaded(
    still: StillBeams, hits: Hits, part: IntArray, parts: dict[int, ConvexPart]
) -> NDArray[np.bool_]:
    """Whether another part than its own lies between the source and each hit patch, shape (n,).

    part : number of the part of each hit patch, shape (n,)
    """
    shaded = np.zeros(len(part), dtype=np.bool_)
    source = still.source_mm[hits.index]
    ray = np.stack(hits.ray_mm, axis=-1)
    for number, body in parts.items():
        others = np.flatnonzero((part != number) & ~shaded)
        if not len(others):
            continue
        near = others[_inside_box(source[others], ray[others], body) > _TOUCHING_MM]
        for start in range(0, len(near), _RAYS_AT_ONCE):
            some = near[start : start + _RAYS_AT_ONCE]
            shaded[some] = _inside_planes(source[some], ray[some], body) > _TOUCHING_MM
    return shaded


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
    slope = ray @ outward.T
    height = offset - source @ outward.T
    slope[slope == 0] = np.finfo(np.float64).tiny
    with np.errstate(over="ignore"):
        at = height / slope
    enter = np.where(slope < 0, at, -np.inf).max(axis=1)
    leave = np.where(slope > 0, at, np.inf).min(axis=1)
    return _length(enter, leave, ray)


def _length(enter: FloatArray, leave: FloatArray, ray: FloatArray) -> FloatArray:
    inside = np.minimum(leave, 1.0) - np.maximum(enter, 0.0)
    length: FloatArray = np.maximum(inside, -1.0) * np.linalg.norm(ray, axis=1)
    return length
