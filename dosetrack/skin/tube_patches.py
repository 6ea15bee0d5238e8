"""The skin of one tube of the body cut into patches, and the mesh between their middles."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, pi

import numpy as np

from dosetrack.skin.model import FloatArray, IntArray
from dosetrack.skin.sections import Tube

_FINE = 720
"""Steps of the numerical arc length round a section and along a tube."""
_LEAST_ROUND, _LEAST_ALONG = 8, 2
"""Fewest patches round a section and along a tube, however coarse the spacing."""


@dataclass(frozen=True, slots=True, eq=False)
class TubePatches:
    """The patches of one tube, row by row from the feet end, each row from front round the back to front.

    along, around : number of rows and of patches in a row
    points, normals, area : as in `Surface`
    across : arc length from the middle of the back, positive to the patient's left [mm]
    """

    along: int
    around: int
    points: FloatArray
    normals: FloatArray
    area: FloatArray
    across: FloatArray


def tube_patches(tube: Tube, spacing_mm: float) -> TubePatches:
    """The skin of a tube cut into rings of equal length along it and columns of equal arc length round it.

    With p = centre + (scale a sin q, scale b cos q, z), q from the back to the patient's left, the
    vector dp/du x dp/dq points outwards and its length is the area of a patch per du dq.
    """
    rings, step_mm = _rings(tube, spacing_mm)
    angle_edges, angles, arc = _columns(tube, spacing_mm)
    at, slope = tube.at(rings)
    (z, scale, cx, cy), (dz, dscale, dcx, dcy) = (table.T[:, :, None] for table in (at, slope))
    sin, cos = np.sin(angles), np.cos(angles)
    a, b = tube.half_width_mm, tube.half_depth_mm
    points = np.stack(np.broadcast_arrays(cx + scale * a * sin, cy + scale * b * cos, z), axis=-1)
    dx, dy = dcx + dscale * a * sin, dcy + dscale * b * cos
    outward = np.stack([dz * b * sin, dz * a * cos, -b * sin * dx - a * cos * dy], axis=-1)
    length = np.linalg.norm(outward, axis=-1, keepdims=True)
    # of a ring in u: its length over the speed of its middle, right also where a head's curve changes pace
    height_in_u = step_mm / np.hypot(dz, (a + b) / 2 * dscale)
    cells = height_in_u * np.diff(angle_edges)
    area = length[..., 0] * scale * cells
    return TubePatches(
        along=len(rings),
        around=len(angles),
        points=points.reshape(-1, 3),
        normals=(outward / length).reshape(-1, 3),
        area=area.ravel(),
        across=(scale * arc).ravel(),
    )


def _rings(tube: Tube, spacing_mm: float) -> tuple[FloatArray, float]:
    """Middles, in u, of rings of equal length along the outer side of a tube, and that length [mm]."""
    u = np.linspace(0.0, 1.0, _FINE + 1)
    at, _ = tube.at(u)
    mean = (tube.half_width_mm + tube.half_depth_mm) / 2
    steps = np.hypot(np.diff(at[:, 0]), mean * np.diff(at[:, 1]))
    length = np.concatenate([[0.0], np.cumsum(steps)])
    count = max(_LEAST_ALONG, ceil(length[-1] / spacing_mm))
    step_mm = float(length[-1]) / count
    return np.interp((np.arange(count) + 0.5) * step_mm, length, u), step_mm


def _columns(tube: Tube, spacing_mm: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Edges and middles of columns of equal arc length round a section of scale 1, and the arc length.

    Angles from the middle of the back, positive to the patient's left, from -pi to pi; the midlines of
    back and front are edges, so that left mirrors right. Arc length of the middles, same signs [mm].
    """
    half = np.linspace(0.0, pi, _FINE + 1)
    middle = (half[1:] + half[:-1]) / 2
    speed = np.hypot(tube.half_width_mm * np.cos(middle), tube.half_depth_mm * np.sin(middle))
    arc = np.concatenate([[0.0], np.cumsum(speed) * (pi / _FINE)])
    around = max(_LEAST_ROUND, 2 * round(arc[-1] / spacing_mm))
    marks = np.linspace(-arc[-1], arc[-1], 2 * around + 1)
    angles = np.sign(marks) * np.interp(np.abs(marks), arc, half)
    return angles[::2], angles[1::2], marks[1::2]


def mesh(along: int, around: int, *, first: int, is_round: bool) -> IntArray:
    """Triangles between the middles of neighbouring patches, seen from outside anticlockwise."""
    row, column = np.meshgrid(
        np.arange(along - 1), np.arange(around if is_round else around - 1), indexing="ij"
    )
    right = (column + 1) % around
    here, beside = first + row * around + column, first + row * around + right
    above, across = here + around, beside + around
    lower = np.stack([here, above, beside], axis=-1).reshape(-1, 3)
    upper = np.stack([beside, above, across], axis=-1).reshape(-1, 3)
    return np.concatenate([lower, upper]).astype(np.int32)


def lid(piece: TubePatches, first: int) -> IntArray:
    """Triangles that close the last ring, which is less than a patch across."""
    ring = first + (piece.along - 1) * piece.around + np.arange(piece.around)
    fan = [np.full(piece.around - 2, ring[0]), ring[2:], ring[1:-1]]
    return np.column_stack(fan).astype(np.int32)
