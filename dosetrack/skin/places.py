"""Where on the body: the point taken to lie at the isocentre, and places in words.

Levels are shares of an adult's height (`tables/body_places.csv`); a child's own proportions are
carried to an adult's first. Words are plain anatomy, sides are the patient's.
"""

from __future__ import annotations

import numpy as np

from dosetrack.skin.beam import Point
from dosetrack.skin.body_size import MM_PER_CM, BodySize, proportion, typical_weight_kg
from dosetrack.skin.model import Surface
from dosetrack.skin.sections import head, legs, neck, section_half_axes_mm, trunk, z_of_level
from dosetrack.skin.setup import BodyRegion

_CM = 1 / MM_PER_CM


def landmark(region: BodyRegion, height_mm: float, surface: Surface | None = None) -> Point:
    """The body-frame point taken to lie at the isocentre while this region is examined [mm].

    On the midline, the heart a little to the left; half way from back to front; between the legs.

    Parameters
    ----------
    height_mm : of the patient [mm]
    surface : gives the thickness at that level; None: that of a typical patient of this height
    """
    height_cm = height_mm * _CM
    z = z_of_level(proportion(f"landmark_{region}"), height_cm)
    left = proportion("heart_left") * height_mm if region == "chest" else 0.0
    if surface is None or surface.kind == "body":
        return (left, _middle_y(region, z, height_cm, surface), z)
    half_width, half_depth = _typical_half_axes_mm(region, z, height_cm)
    outward = surface.normals[0]
    return (left - half_width * float(outward[0]), -half_depth * float(outward[1]), z)


_PART_OF: dict[BodyRegion, str] = {"head": "head", "neck": "neck", "legs": "left leg"}


def _middle_y(region: BodyRegion, z_mm: float, height_cm: float, surface: Surface | None) -> float:
    """Half way from back to front at this height [mm]."""
    part = _PART_OF.get(region, "trunk")
    if surface is None or part not in surface.parts:
        return -_typical_half_axes_mm(region, z_mm, height_cm)[1]
    of_part = surface.points_mm[surface.part == surface.parts.index(part)]
    gap = np.abs(of_part[:, 2] - z_mm)
    ring = of_part[gap <= gap.min() + 1e-6]
    return float(ring[:, 1].min() + ring[:, 1].max()) / 2


def _typical_half_axes_mm(region: BodyRegion, z_mm: float, height_cm: float) -> tuple[float, float]:
    """Half width and half thickness of a patient of this height and typical weight at this level [mm]."""
    size = BodySize(height_cm, typical_weight_kg(height_cm), None)
    tube = {"head": head, "neck": neck}.get(region)
    found = tube(size) if tube else legs(size)[0] if region == "legs" else trunk(size)[0]
    axes = section_half_axes_mm(found, z_mm)
    return axes or (found.half_width_mm, found.half_depth_mm)
