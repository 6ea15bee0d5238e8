"""The body as tubes of elliptic sections, sized from height, weight and sex.

Every tube is convex, so that its entrance side is exact: all sections of one tube are alike in shape,
their scale is a concave curve along z, and centres move no faster than the scale allows. A waist is
therefore not drawn in, which puts the flank at most about a centimetre too far out.

Recipe of the trunk: its volume is a share of the weight, its length a share of the height; the mean
section has that area, and thickness to width is a fixed ratio (segment fractions after Dempster and
Winter). Legs and arms: circular, radius from their share of the weight. Constants and their sources:
`tables/body_proportions.csv`, `body_growth.csv` (children), `body_profile.csv` (shape along z).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import asin, pi, sqrt

import numpy as np

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.skin.body_size import BodySize, at_height, bounds, growth, proportion
from dosetrack.skin.model import FloatArray
from dosetrack.tables import rows

_MM3_PER_LITRE = 1e6
_FINE = 400
"""Steps of a numerical integral along a tube."""
LANDMARKS = ("ankle", "knee", "crotch", "hip", "shoulder", "chin")
"""Heights above the soles that `body_growth.csv` gives, from the feet up."""


@dataclass(frozen=True, slots=True, eq=False)
class Tube:
    """One convex part of the body, all of whose sections at one height are alike ellipses.

    half_width_mm, half_depth_mm : of a section of scale 1, along x and y [mm]
    controls : shape (n, 4): z, scale, centre x, centre y of the control points of a quadratic
        B-spline, from the feet end to the head end; z, x, y in the body frame [mm]
    is_top_closed : whether the head end runs to a point; such a tube is half an ellipsoid above and a
        flatter one below its largest section, and its two controls are its ends
    """

    name: str
    half_width_mm: float
    half_depth_mm: float
    controls: FloatArray
    is_top_closed: bool = False

    def at(self, u: FloatArray) -> tuple[FloatArray, FloatArray]:
        """z, scale, centre x, centre y at `u`, and how they grow with u; both shape (n, 4).

        Parameters
        ----------
        u : shape (n,), 0 at the feet end to 1 at the head end
        """
        return _ellipsoid(self.controls, u) if self.is_top_closed else _spline(self.controls, u)


def _spline(controls: FloatArray, u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points and slopes of the clamped uniform quadratic B-spline: as convex as its control points."""
    if len(controls) == 2:
        controls = np.array([controls[0], controls.mean(axis=0), controls[1]])
    spans = len(controls) - 2
    span = np.minimum((u * spans).astype(int), spans - 1)
    t = (u * spans - span)[:, None]
    middles = (controls[1:-2] + controls[2:-1]) / 2
    starts = np.vstack([controls[:1], middles])[span]
    ends = np.vstack([middles, controls[-1:]])[span]
    bend = controls[1:-1][span]
    points = (1 - t) ** 2 * starts + 2 * t * (1 - t) * bend + t**2 * ends
    slopes = 2 * spans * ((1 - t) * (bend - starts) + t * (ends - bend))
    return points, slopes


def _ellipsoid(ends: FloatArray, u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points and slopes of a head: largest section half way between chin and crown."""
    base_z, base_scale, x, y = ends[0]
    above = (ends[1, 0] - base_z) / 2
    below = above / sqrt(1 - base_scale**2)
    first = -asin(sqrt(1 - base_scale**2))
    t = first + (pi / 2 - first) * u
    stretch = np.where(t < 0, below, above)
    z, scale = base_z + above + stretch * np.sin(t), np.cos(t)
    points = np.column_stack([z, scale, np.full_like(u, x), np.full_like(u, y)])
    still = np.zeros_like(u)
    slopes = (pi / 2 - first) * np.column_stack([stretch * np.cos(t), -np.sin(t), still, still])
    return points, slopes


def volume_litre(tube: Tube) -> float:
    """Volume of a tube between its ends: integral of its sections along z [L]."""
    u = np.linspace(0.0, 1.0, _FINE + 1)
    points, _ = tube.at(u)
    area = pi * tube.half_width_mm * tube.half_depth_mm * points[:, 1] ** 2
    return float(np.trapezoid(area, points[:, 0])) / _MM3_PER_LITRE


def adult_level(z_mm: float, height_cm: float) -> float:
    """Share of the height at which an adult has what lies at `z_mm` above the soles of this person.

    Linear between the heights of ankle, knee, crotch, hip, shoulder, chin and crown.
    """
    own, adult = _levels(height_cm)
    return float(np.interp(z_mm / (height_cm * 10), own, adult, left=0.0, right=1.0))


def z_of_level(level: float, height_cm: float) -> float:
    """Height above the soles of what an adult has at the share `level` of the height [mm]."""
    own, adult = _levels(height_cm)
    return float(np.interp(level, adult, own)) * height_cm * 10


def _levels(height_cm: float) -> tuple[list[float], list[float]]:
    own = [0.0, *(at_height(name, height_cm) for name in LANDMARKS), 1.0]
    adult = [0.0, *(float(growth()[name][-1]) for name in LANDMARKS), 1.0]
    return own, adult


def trunk_half_axes_mm(size: BodySize) -> tuple[float, float]:
    """Half width and half thickness of the mean section of the trunk, before any clamp [mm].

    Examples
    --------
    >>> [round(axis) for axis in trunk_half_axes_mm(BodySize(170, 70, None))]
    [184, 119]
    """
    volume_mm3 = at_height("trunk_mass", size.height_cm) * size.weight_kg / proportion("trunk_density") * 1e6
    length_mm = at_height("trunk_length", size.height_cm) * size.height_mm
    ratio = at_height("trunk_depth_to_width", size.height_cm)
    half_width = sqrt(volume_mm3 / length_mm / pi / ratio)
    return half_width, ratio * half_width


def clamped_half_axes_mm(size: BodySize) -> tuple[float, float, tuple[Finding, ...]]:
    """As `trunk_half_axes_mm`, the thickness within its bounds and the area kept, with a finding if so."""
    half_width, half_depth = trunk_half_axes_mm(size)
    least, most = bounds("depth_clamp")
    used = min(half_depth, most) if not size.is_adult_sized else min(max(half_depth, least), most)
    if used == half_depth:
        return half_width, half_depth, ()
    said = finding(
        FindingCode.BODY_DEPTH_CLAMPED, recipe=f"{2 * half_depth / 10:.0f}", used=f"{2 * used / 10:.0f}"
    )
    return half_width * half_depth / used, used, (said,)


def trunk(size: BodySize) -> tuple[Tube, tuple[Finding, ...]]:
    """The trunk from the crotch to the base of the neck, its largest section on the pad."""
    half_width, half_depth, findings = clamped_half_axes_mm(size)
    levels, scales = _profile(size)
    z = np.array([z_of_level(level, size.height_cm) for level in levels])
    controls = np.column_stack([z, scales, np.zeros_like(z), np.zeros_like(z)])
    u = np.linspace(0.0, 1.0, _FINE + 1)
    points, _ = _spline(controls, u)
    shoulder = at_height("shoulder", size.height_cm) * size.height_mm
    hip = shoulder - at_height("trunk_length", size.height_cm) * size.height_mm
    over = np.linspace(hip, shoulder, _FINE + 1)
    squares = np.interp(over, points[:, 0], points[:, 1]) ** 2
    to_recipe = 1 / sqrt(float(np.trapezoid(squares, over)) / (shoulder - hip))
    largest = float(points[:, 1].max())
    controls[:, 1] /= largest
    width, depth = half_width * largest * to_recipe, half_depth * largest * to_recipe
    controls[:, 3] = -depth * (1 - proportion("centre_shift") * (1 - controls[:, 1]))
    return Tube("trunk", width, depth, controls), findings


def _profile(size: BodySize) -> tuple[FloatArray, FloatArray]:
    """Levels and scales of the control points of the trunk."""
    table = rows("body_profile")
    levels = np.array([float(row["level"]) for row in table])
    male, female = (np.array([float(row[sex]) for row in table]) for sex in ("male", "female"))
    return levels, {"male": male, "female": female, None: (male + female) / 2}[size.sex]


@cache
def _adult_head_round_mm() -> float:
    return float(growth()["head_circumference_mm"][-1])


def head(size: BodySize) -> Tube:
    """The head from the chin to the crown, back of the head on the pad."""
    scale = at_height("head_circumference_mm", size.height_cm) / _adult_head_round_mm()
    breadth, length = (scale * proportion(f"head_half_{name}") for name in ("breadth", "length"))
    chin = at_height("chin", size.height_cm) * size.height_mm
    ends = np.array([(chin, proportion("head_base"), 0.0, -length), (size.height_mm, 0.0, 0.0, -length)])
    return Tube("head", breadth, length, ends, is_top_closed=True)


def neck(size: BodySize) -> Tube:
    """The neck between the trunk and the chin."""
    above, (below, _) = head(size), trunk(size)
    half_width = trunk_half_axes_mm(size)[0]
    least, most = (share * above.half_width_mm for share in bounds("neck_of_head"))
    radius = min(max(proportion("neck_of_trunk") * half_width, least), most)
    low, high = below.controls[-1], above.controls[0]
    # in the middle of the trunk's upper end below, of the head's base above
    y_low, y_high = min(low[3], -radius), min(high[3], -radius)
    ends = np.array([(low[0], 1.0, 0.0, y_low), (high[0], 1.0, 0.0, y_high)])
    return Tube("neck", radius, radius, ends)


def legs(size: BodySize) -> tuple[Tube, Tube]:
    """Left and right leg from the soles to the crotch: straight, slightly apart, calves on the pad."""
    at = {name: at_height(name, size.height_cm) for name in ("crotch", "hip", "knee", "ankle")}
    middle = {"thigh": (at["hip"] + at["knee"]) / 2, "shank": (at["knee"] + at["ankle"]) / 2}
    thigh, shank = (_limb_radius_mm(size, name) for name in ("thigh", "shank"))
    slope = (thigh - shank) / (middle["thigh"] - middle["shank"])
    levels = np.array([0.0, at["crotch"]])
    radii = thigh + slope * (levels - middle["thigh"])
    radii = np.maximum(radii, shank / 2)
    gap = proportion("leg_gap") / 2
    centre = max(proportion("hip_centre") * size.height_mm, radii[1] + gap)
    sides = []
    for name, side in (("left leg", 1.0), ("right leg", -1.0)):
        x = side * np.full(2, centre)
        controls = np.column_stack([levels * size.height_mm, radii / radii[1], x, -radii])
        sides.append(Tube(name, float(radii[1]), float(radii[1]), controls))
    return sides[0], sides[1]


def _limb_radius_mm(size: BodySize, name: str) -> float:
    """Radius of the cylinder of a thigh, shank or arm: its share of weight over its share of height [mm].

    The part of the weight that a child's smaller trunk leaves goes to the head, not to the limbs.
    """
    volume_mm3 = proportion(f"{name}_mass") * size.weight_kg / proportion(f"{name}_density") * 1e6
    return sqrt(volume_mm3 / (pi * proportion(f"{name}_length") * size.height_mm))


def arms(size: BodySize) -> tuple[Tube, Tube]:
    """Left and right arm on the pad beside the trunk, from the finger tips to the shoulder."""
    body, _ = trunk(size)
    taper, rounded, end = (proportion(f"arm_{name}") for name in ("taper", "rounded", "end"))
    along = np.array([0.0, 0.0, rounded, 1 - rounded, 1.0, 1.0])
    scales = (1 - taper + 2 * taper * along) / (1 + taper)
    shoulder = at_height("shoulder", size.height_cm) * size.height_mm
    length = proportion("arm_length") * size.height_mm
    z = shoulder - length * (1 - along)
    ends = np.array([end, 1.0, 1.0, 1.0, 1.0, end])
    controls = np.column_stack([z, scales * ends, np.zeros_like(z), np.zeros_like(z)])
    cylinder = _limb_radius_mm(size, "arm")
    unit = volume_litre(Tube("arm", 1.0, 1.0, controls)) * _MM3_PER_LITRE
    radius = cylinder * sqrt(pi * length / unit)
    controls[:, 3] = -radius * scales
    centre = body.half_width_mm + proportion("arm_gap") + radius * scales
    sides = []
    for name, side in (("left arm", 1.0), ("right arm", -1.0)):
        controls[:, 2] = side * centre
        sides.append(Tube(name, radius, radius, controls.copy()))
    return sides[0], sides[1]


def section_half_axes_mm(tube: Tube, z_mm: float) -> tuple[float, float] | None:
    """Half width and half thickness of the section at `z_mm`, None beyond the ends [mm]."""
    points, _ = tube.at(np.linspace(0.0, 1.0, _FINE + 1))
    if not points[0, 0] <= z_mm <= points[-1, 0]:
        return None
    scale = float(np.interp(z_mm, points[:, 0], points[:, 1]))
    return scale * tube.half_width_mm, scale * tube.half_depth_mm
