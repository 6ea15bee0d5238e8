"""Skin dose by another hand: plain Python, one ray at a time, in the room frame.

Written from the formulas and not from the package: directions by turning the beam of angle 0 with
rotation matrices, positions by turning the patient about the room axes, the field by where the ray
meets the plane of the detector, the table by where it meets the plane of the top. Nothing is
shared with the package but the tables of factors and the length of a step of an arc.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, cos, log, pi, radians, sin, sqrt

from dosetrack.skin import Beam, TableTop

Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]
Factors = Callable[[Beam], tuple[Sequence[float], Sequence[float]]]

STEP_DEG = 0.25
EDGE = 1e-8  # nearer to an edge than this, relative or in mm, two ways of counting may differ


@dataclass
class SlowDose:
    """Dose [mGy], and whether a ray ran so near to an edge that rounding decides."""

    dose_mgy: float
    is_at_an_edge: bool


def turn_x(angle: float) -> Matrix:
    return ((1, 0, 0), (0, cos(angle), -sin(angle)), (0, sin(angle), cos(angle)))


def turn_y(angle: float) -> Matrix:
    return ((cos(angle), 0, sin(angle)), (0, 1, 0), (-sin(angle), 0, cos(angle)))


def turn_z(angle: float) -> Matrix:
    return ((cos(angle), -sin(angle), 0), (sin(angle), cos(angle), 0), (0, 0, 1))


def dot(a: Vector, b: Vector) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def along(start: Vector, step: float, direction: Vector) -> Vector:
    return tuple(s + step * d for s, d in zip(start, direction, strict=True))  # type: ignore[return-value]


def turned(matrices: Sequence[Matrix], vector: Vector) -> Vector:
    """The first matrix of the list acts last."""
    for matrix in reversed(matrices):
        vector = (dot(matrix[0], vector), dot(matrix[1], vector), dot(matrix[2], vector))
    return vector


# from head-first supine: a prone patient is turned about the length, feet first about the upright, and
# who lies on the left side has the left (x of the patient) down (y of the room)
TURNS: dict[str, list[Matrix]] = {
    "HFS": [],
    "HFP": [turn_z(pi)],
    "FFS": [turn_y(pi)],
    "FFP": [turn_x(pi)],
    "HFDL": [turn_z(pi / 2)],
    "HFDR": [turn_z(-pi / 2)],
    "FFDL": [turn_z(-pi / 2), turn_y(pi)],
    "FFDR": [turn_z(pi / 2), turn_y(pi)],
}


def slow_dose(
    beams: Sequence[Beam],
    point: Vector,
    normal: Vector,
    table: TableTop | None,
    position: str,
    factors: Factors,
) -> SlowDose:
    """The dose at one point of the patient frame."""
    found = SlowDose(0.0, False)
    for beam in beams:
        place = along(turned(TURNS[position], point), 1.0, beam.table_offset_mm)
        outward = turned(TURNS[position], normal)
        a0, s0 = beam.primary_angle_deg, beam.secondary_angle_deg
        a1 = a0 if beam.primary_end_angle_deg is None else beam.primary_end_angle_deg
        s1 = s0 if beam.secondary_end_angle_deg is None else beam.secondary_end_angle_deg
        parts = max(1, ceil(max(abs(a1 - a0), abs(s1 - s0)) / STEP_DEG))
        for part in range(parts):
            middle = (part + 0.5) / parts
            gantry = [
                turn_z(radians(a0 + middle * (a1 - a0))),
                turn_x(-radians(s0 + middle * (s1 - s0))),
            ]
            _one_ray(found, beam, 1.0 / parts, gantry, place, outward, table, factors)
    return found


def _one_ray(
    found: SlowDose,
    beam: Beam,
    share: float,
    gantry: list[Matrix],
    place: Vector,
    outward: Vector,
    table: TableTop | None,
    factors: Factors,
) -> None:
    # at angles 0 the detector is above the patient (room y points down), its width along x
    upward, width, height = (turned(gantry, axis) for axis in ((0, -1, 0), (1, 0, 0), (0, 0, 1)))
    source = along((0.0, 0.0, 0.0), -beam.source_to_isocenter_mm, upward)
    centre = along(source, beam.source_to_detector_mm, upward)
    ray = along(place, -1.0, source)
    distance = sqrt(dot(ray, ray))
    if dot(ray, upward) <= 0:
        return
    meets = along(source, dot(along(centre, -1.0, source), upward) / dot(ray, upward), ray)
    for axis, size in ((width, beam.field_width_mm), (height, beam.field_height_mm)):
        beyond = abs(dot(along(meets, -1.0, centre), axis)) - size / 2
        found.is_at_an_edge |= abs(beyond) < EDGE * size
        if beyond > 0:
            return
    found.is_at_an_edge |= abs(dot(outward, ray)) < EDGE * distance
    if dot(outward, ray) >= 0:
        return
    reference = beam.source_to_reference_point_mm
    reference = beam.source_to_isocenter_mm - 150 if reference is None else reference
    kerma = beam.calibration_factor * beam.reference_air_kerma_mgy * share * (reference / distance) ** 2
    if table is not None:
        kerma *= _transmission(found, table, beam.table_offset_mm, source, ray, distance)
    found.dose_mgy += kerma * _factor(beam, distance, factors)


def _transmission(
    found: SlowDose, table: TableTop, offset: Vector, source: Vector, ray: Vector, distance: float
) -> float:
    top = table.top_y_mm + offset[1]
    end = source[1] + ray[1]
    found.is_at_an_edge |= abs(source[1] - top) < 1e-3 or abs(end - top) < 1e-3
    if source[1] <= top or end > top:
        return 1.0
    meets = along(source, (top - source[1]) / ray[1], ray)
    x, z = meets[0] - offset[0], meets[2] - offset[2]
    edges = (table.half_width_mm - abs(x), z - table.z_min_mm, table.z_max_mm - z)
    found.is_at_an_edge |= any(abs(edge) < EDGE * distance for edge in edges)
    if min(edges) < 0:
        return 1.0
    return float(table.transmission ** (distance / abs(ray[1])))


def _factor(beam: Beam, distance: float, factors: Factors) -> float:
    if beam.backscatter is not None and beam.medium_ratio is not None:
        return beam.backscatter * beam.medium_ratio
    a = beam.field_width_mm * distance / beam.source_to_detector_mm / 10
    b = beam.field_height_mm * distance / beam.source_to_detector_mm / 10
    side = 2 * a * b / (a + b)
    sides, values = factors(beam)
    if side <= sides[0]:
        return float(values[0])
    if side >= sides[-1]:
        return float(values[-1])
    above = bisect_right(list(sides), side)
    part = log(side / sides[above - 1]) / log(sides[above] / sides[above - 1])
    return float(values[above - 1] + part * (values[above] - values[above - 1]))
