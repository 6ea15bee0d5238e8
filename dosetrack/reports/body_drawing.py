"""The body from the front and from the back with the skin to look at, drawn from the skin dose map."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dosetrack.skin.body import patient_surface
from dosetrack.skin.peak import levels_mgy
from dosetrack.skin.setup import PatientSetup
from dosetrack.tables import constants

if TYPE_CHECKING:
    from dosetrack.skin.model import FloatArray, SkinMap, Surface

Corner = tuple[float, float]
_OUTLINE_MM = 24.0
_EYES_UP, _EYES_APART = 0.55, 0.18
_FACING = 0.15
"""Cosine from which a patch is drawn on a side: those at the edge stand on both."""


@dataclass(frozen=True, slots=True)
class SideDrawing:
    """One side as seen by someone who looks at it; to the reader's right, then up [mm].

    outlines : of the parts of the body
    near, core : triangles of skin to look at; `core` has the most dose
    eyes : on the front, so that it is known for the front
    left_word, right_word : what stands at the reader's left and right
    """

    title: str
    left_word: str
    right_word: str
    outlines: tuple[tuple[Corner, ...], ...]
    near: tuple[tuple[Corner, ...], ...]
    core: tuple[tuple[Corner, ...], ...]
    eyes: tuple[Corner, ...] = ()


@dataclass(frozen=True, slots=True)
class BodyDrawing:
    """Front and back, in one scale. width_mm : of one side; height_mm : of both [mm]."""

    front: SideDrawing
    back: SideDrawing
    width_mm: float
    low_mm: float
    height_mm: float


def body_drawing(skin_map: SkinMap, patient: PatientSetup) -> BodyDrawing | None:
    """The drawing; None where the map is a flat sheet, which is no body, or has no peak.

    The map's surface may be a part of the body only; the outline is that of the whole body of `patient`.

    Skin to look at has at least the lowest dose at which the published bands begin, or a share of the
    peak (`tables/documents.csv`) where the peak is low.
    """
    surface = skin_map.surface
    if surface.kind != "body" or skin_map.peak_mgy is None:
        return None
    core_mgy = constants("documents")["drawn_share"].number * skin_map.peak_mgy
    near_mgy = min(core_mgy, levels_mgy()[0])
    whole = patient_surface(replace(patient, region=None, arms="beside"), spacing_mm=_OUTLINE_MM)
    heights = whole.points_mm[:, 2]
    reach = float(np.abs(whole.points_mm[:, 0]).max())
    front, back = (
        _side(skin_map, whole, is_front=is_front, near_mgy=near_mgy, core_mgy=core_mgy)
        for is_front in (True, False)
    )
    low, high = float(heights.min()), float(heights.max())
    return BodyDrawing(front, back, width_mm=2 * reach, low_mm=low, height_mm=high - low)


def _side(
    skin_map: SkinMap, whole: Surface, *, is_front: bool, near_mgy: float, core_mgy: float
) -> SideDrawing:
    surface = skin_map.surface
    # the patient's left is on the reader's right when seen from the front
    flat, around = (
        np.column_stack([one.points_mm[:, 0] * (1.0 if is_front else -1.0), one.points_mm[:, 2]])
        for one in (surface, whole)
    )
    outward = surface.normals[:, 1] * (-1.0 if is_front else 1.0)  # y grows to the back
    facing = outward > -_FACING
    return SideDrawing(
        title="Front" if is_front else "Back",
        left_word="your right" if is_front else "your left",
        right_word="your left" if is_front else "your right",
        outlines=tuple(_outline(around, whole, n) for n in range(len(whole.parts))),
        near=_triangles(flat, surface, (skin_map.dose_mgy >= near_mgy) & facing),
        core=_triangles(flat, surface, (skin_map.dose_mgy >= core_mgy) & facing),
        eyes=_eyes(around, whole) if is_front else (),
    )


def _eyes(flat: FloatArray, surface: Surface) -> tuple[Corner, ...]:
    if "head" not in surface.parts:
        return ()
    head = flat[surface.part == surface.parts.index("head")]
    (low_x, low_z), (high_x, high_z) = head.min(axis=0), head.max(axis=0)
    middle, up = (low_x + high_x) / 2, low_z + _EYES_UP * (high_z - low_z)
    apart = _EYES_APART * (high_x - low_x)
    return ((float(middle - apart), float(up)), (float(middle + apart), float(up)))


def _triangles(flat: FloatArray, surface: Surface, shown: np.ndarray) -> tuple[tuple[Corner, ...], ...]:
    inside = surface.triangles[shown[surface.triangles].all(axis=1)]
    return tuple(tuple((float(x), float(z)) for x, z in flat[corners]) for corners in inside)


def _outline(flat: FloatArray, surface: Surface, part: int) -> tuple[Corner, ...]:
    """The convex outline of one part; every part is convex (Andrew's monotone chain)."""
    points = sorted({(round(float(x), 1), round(float(z), 1)) for x, z in flat[surface.part == part]})
    lower, upper = _chain(points), _chain(points[::-1])
    return tuple(lower[:-1] + upper[:-1])


def _chain(points: list[Corner]) -> list[Corner]:
    chain: list[Corner] = []
    for point in points:
        while len(chain) > 1 and _turn(chain[-2], chain[-1], point) <= 0:
            chain.pop()
        chain.append(point)
    return chain


def _turn(a: Corner, b: Corner, c: Corner) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
