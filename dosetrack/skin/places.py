"""Where on the body: the point taken to lie at the isocentre, and places in words.

Levels are shares of an adult's height (`tables/body_places.csv`); a child's own proportions are
carried to an adult's first. Words are plain anatomy, sides are the patient's.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import atan2, degrees, inf
from typing import get_args

import numpy as np

from dosetrack.errors import InputError, TableError
from dosetrack.skin.beam import Point
from dosetrack.skin.body_size import MM_PER_CM, BodySize, bounds, proportion, typical_weight_kg
from dosetrack.skin.model import Surface
from dosetrack.skin.sections import adult_level, head, legs, neck, section_half_axes_mm, trunk, z_of_level
from dosetrack.skin.setup import BodyRegion
from dosetrack.tables import rows

_PART_OF: dict[BodyRegion, str] = {"head": "head", "neck": "neck", "legs": "left leg"}
# 'femoral access' tells where the sheath went in, not what was examined
_ACCESS = re.compile(
    r"\b(?:trans)?(?:femoral|radial|brachial|axillary|jugular|subclavian|popliteal|pedal|carotid)\s+"
    r"(?:artery\s+|vein\s+)?(?:access|approach|route|puncture|sheath|closure)\b"
)


def landmark(region: BodyRegion, height_mm: float, surface: Surface | None = None) -> Point:
    """The body-frame point taken to lie at the isocentre while this region is examined [mm].

    On the midline, the heart a little to the left; half way from back to front; between the legs.

    Parameters
    ----------
    height_mm : of the patient [mm]
    surface : gives the thickness at that level; None: that of a typical patient of this height
    """
    height_cm = height_mm / MM_PER_CM
    z = z_of_level(proportion(f"landmark_{region}"), height_cm)
    left = proportion("heart_left") * height_mm if region == "chest" else 0.0
    if surface is None or surface.kind == "body":
        return (left, _middle_y(region, z, height_cm, surface), z)
    half_width, half_depth = _typical_half_axes_mm(region, z, height_cm)
    outward = surface.normals[0]
    return (left - half_width * float(outward[0]), -half_depth * float(outward[1]), z)


def place_name(surface: Surface, place: int | Point) -> str:
    """Where a patch lies, for the physician: 'back, right of midline, at the level of the lumbar spine'.

    Parameters
    ----------
    place : number of a patch, or a body-frame point [mm], which takes the name of the patch nearest to it
    """
    return _told(surface, place).name


def place_for_patient(surface: Surface, place: int | Point) -> str:
    """Where a patch lies, for the patient: 'on your back, on the right, at about waist height'."""
    return _told(surface, place).plain


def region_of(procedure: str | None) -> BodyRegion | None:
    """The region a procedure's name tells by the words of the trade, None where it tells none.

    Of several words the first in the name counts, of those at one place the longest. A puncture site
    ('femoral access') does not count.

    Examples
    --------
    >>> region_of("Transcatheter aortic valve implantation, femoral access")
    'chest'
    >>> region_of("Drainage") is None
    True
    """
    text = _ACCESS.sub(" ", re.sub(r"[^\w]+|_", " ", (procedure or "").casefold()))
    found = [
        (match.start(), -len(match.group()), region)
        for pattern, region in _keywords()
        if (match := pattern.search(text))
    ]
    return min(found)[2] if found else None


@cache
def _keywords() -> tuple[tuple[re.Pattern[str], BodyRegion], ...]:
    """Each word or phrase of `tables/body_regions.csv`; a star stands for any ending."""
    known = {region: region for region in get_args(BodyRegion)}
    return tuple(
        (re.compile(rf"\b{re.escape(row['key']).replace(chr(92) + '*', '[^ ]*')}\b"), known[row["region"]])
        for row in rows("body_regions")
    )


@dataclass(frozen=True, slots=True)
class _Place:
    """A row of `tables/body_places.csv`."""

    part: str
    face: str
    from_level: float
    to_level: float
    name: str
    plain: str


@cache
def _places() -> tuple[_Place, ...]:
    return tuple(
        _Place(
            part=row["part"],
            face=row["face"],
            from_level=float(row["from_level"]),
            to_level=float(row["to_level"]) if float(row["to_level"]) < 1 else inf,
            name=row["name"],
            plain=row["plain"],
        )
        for row in rows("body_places")
    )


def _told(surface: Surface, place: int | Point) -> _Place:
    """The row that holds for a patch, its words filled in."""
    index = _index(surface, place)
    part = surface.parts[int(surface.part[index])]
    x, _, z = (float(number) for number in surface.points_mm[index])
    outward = surface.normals[index]
    kind = part.rpartition(" ")[2]
    face = "pad" if kind == "sheet" else _face(float(outward[0]), float(outward[1]))
    level = adult_level(z, surface.height_mm / MM_PER_CM)
    words = _words(part, face, x=x, outward_x=float(outward[0]), midline_mm=_midline_mm(surface))
    for row in _places():
        if (row.part, row.face) == (kind, face) and row.from_level <= level < row.to_level:
            name, plain = row.name.format(**words), row.plain.format(**words)
            return _Place(row.part, row.face, row.from_level, row.to_level, name, plain)
    raise TableError(f"body_places.csv has no row for {kind}, {face}, level {level:.3f}")


def _midline_mm(surface: Surface) -> float:
    return proportion("midline_half_width") * surface.height_mm


def _face(outward_x: float, outward_y: float) -> str:
    """'back', 'side' or 'front' by the way the skin looks, seen along the body."""
    least, most = bounds("face_angle")
    angle = degrees(atan2(abs(outward_x), outward_y))
    return "back" if angle < least else "front" if angle > most else "side"


def _words(part: str, face: str, *, x: float, outward_x: float, midline_mm: float) -> dict[str, str]:
    """What stands for {side}, {midline}, {short}, {there} and {aspect} in a row."""
    limb, _, _ = part.rpartition(" ")
    is_all_one_side = part == "sheet" and abs(outward_x) > 0.5  # the patient lies on that side
    if is_all_one_side or (face == "side" and not limb):
        sign = outward_x
    else:
        sign = 0.0 if abs(x) <= midline_mm else x
    side = limb or ("left" if sign > 0 else "right")
    is_outer = (outward_x > 0) == (side == "left")
    return {
        "side": side,
        "midline": f"{side} of midline" if sign else "in the midline",
        "short": side if sign else "in the midline",
        "there": f"on the {side}" if sign else "in the middle",
        "aspect": face if face != "side" else "outer side" if is_outer else "inner side",
    }


def _index(surface: Surface, place: int | Point) -> int:
    """Number of a patch, or of the patch nearest to a point."""
    count = len(surface.points_mm)
    if isinstance(place, Sequence | np.ndarray):
        gap = surface.points_mm - np.asarray(place, dtype=np.float64)
        return int(np.einsum("ic,ic->i", gap, gap).argmin())
    if not 0 <= place < count:
        raise InputError(field="patch", given=place, accepted=f"0 to {count - 1}")
    return int(place)


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
