"""The peak computed again with one input changed: for the range and for what matters most.

Only patches that may become the peak are kept, so that each change costs a small part of a map.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dosetrack.skin.beam import Beam, Point
from dosetrack.skin.frames import room_of_patient
from dosetrack.skin.kernel import DoseField
from dosetrack.skin.model import FloatArray, IntArray, PlacedCase, Surface
from dosetrack.skin.quality import Medium
from dosetrack.skin.setup import Position
from dosetrack.tables import constants

Change = Callable[[PlacedCase], PlacedCase]

AXES: dict[str, Point] = {
    "left-right": (1.0, 0.0, 0.0),
    "up-down": (0.0, 1.0, 0.0),
    "head-feet": (0.0, 0.0, 1.0),
}
"""Directions a body may lie off, in words and in the body frame."""


@dataclass(frozen=True, slots=True, eq=False)
class SomeSkin:
    """Chosen patches of a surface; arrays as in `model.Surface`. part None: no part shades another."""

    points_mm: FloatArray
    normals: FloatArray
    part: IntArray | None
    medium: Medium

    def field(self, case: PlacedCase) -> DoseField:
        """The empty running dose of a case on these patches."""
        return field_on(case, self.points_mm, self.normals, self.part, medium=self.medium)

    def dose_mgy(self, case: PlacedCase) -> FloatArray:
        """Absorbed dose from all beams of a case, shape (patches,) [mGy]."""
        field = self.field(case)
        field.add_all([b.beam for b in case.beams])
        return field.dose_mgy

    def peak_mgy(self, cases: Sequence[PlacedCase]) -> float:
        """The highest dose from all cases together [mGy]."""
        return float(np.sum([self.dose_mgy(case) for case in cases], axis=0).max())

    def with_skin_round(self, dose_mgy: FloatArray, surface: Surface) -> SomeSkin:
        """These patches and all of `surface` round those with the highest dose.

        dose_mgy : of each of these patches [mGy]
        """
        table = constants("skin_map")
        high = np.flatnonzero(dose_mgy >= table["round_share"].number * dose_mgy.max())
        high = high[np.argsort(-dose_mgy[high], kind="stable")][: int(table["round_patches"].number)]
        columns, within = np.ascontiguousarray(surface.points_mm.T), table["round_within"].number
        is_round = np.zeros(len(surface.points_mm), dtype=np.bool_)
        for middle in self.points_mm[high]:
            x, y, z = (np.abs(axis - at) <= within for axis, at in zip(columns, middle, strict=True))
            is_round |= x & y & z
        index = np.flatnonzero(is_round)
        return SomeSkin(
            np.concatenate([self.points_mm, surface.points_mm[index]]),
            np.concatenate([self.normals, surface.normals[index]]),
            None if self.part is None else np.concatenate([self.part, surface.part[index]]),
            self.medium,
        )

    def without_shade(self) -> SomeSkin:
        """The same patches as one part, which is faster."""
        return replace(self, part=None)

    def scaled(self, factor: float, *, about: Point) -> SomeSkin:
        """The same skin on a body of another girth; its axis along the body through `about` stays."""
        centre = np.asarray(about)
        return replace(self, points_mm=centre + (self.points_mm - centre) * np.array([factor, factor, 1.0]))


def field_on(
    case: PlacedCase, points_mm: FloatArray, normals: FloatArray, part: IntArray | None, *, medium: Medium
) -> DoseField:
    """The empty running dose of a case on patches of the body frame."""
    points = points_mm - np.asarray(case.origin_mm)
    return DoseField(points, normals, case.table, case.position, part, medium=medium)


def skin_that_matters(surface: Surface, dose_mgy: FloatArray, *, medium: Medium) -> SomeSkin:
    """The patches that may become the peak when an input changes; the peak is among them.

    Those near the peak in dose, and a coarse net over the whole skin: for changes that may move the
    dose anywhere, and because each part of the body may shade another.
    """
    step = max(1, len(dose_mgy) // int(constants("skin_map")["coarse_patches"].number))
    index = np.union1d(_near(dose_mgy), np.arange(0, len(dose_mgy), step))
    return SomeSkin(surface.points_mm[index], surface.normals[index], surface.part[index], medium)


def shifted(case: PlacedCase, *, axis: Point, distance_mm: float) -> PlacedCase:
    """The case with the body moved along `axis` of its own frame; the table goes up or down with it."""
    way = np.asarray(axis) * distance_mm
    x, y, z = (float(number) for number in np.asarray(case.origin_mm) - way)
    return replace(with_table_under(case, way), origin_mm=(x, y, z))


def with_table_under(case: PlacedCase, way_mm: FloatArray) -> PlacedCase:
    """The case with the table as far up or down as skin of the body that moved by `way_mm`, body frame."""
    if case.table is None:
        return case
    down = float(room_of_patient(case.position)[1] @ way_mm)
    return replace(case, table=replace(case.table, top_y_mm=case.table.top_y_mm + down))


def with_transmission(case: PlacedCase, *, transmission: float) -> PlacedCase:
    """The case with another transmission of table and pad."""
    return case if case.table is None else replace(case, table=replace(case.table, transmission=transmission))


def with_field(case: PlacedCase, *, factor: float) -> PlacedCase:
    """The case with each side of every field `factor` as long."""
    return _with_beams(
        case,
        lambda beam: replace(
            beam, field_width_mm=beam.field_width_mm * factor, field_height_mm=beam.field_height_mm * factor
        ),
    )


def mirrored(case: PlacedCase, *, axis: Point) -> PlacedCase:
    """The case with table movement along `axis` of the room the other way round."""

    def other_way(beam: Beam) -> Beam:
        x, y, z = (-o if a else o for o, a in zip(beam.table_offset_mm, axis, strict=True))
        return replace(beam, table_offset_mm=(x, y, z))

    return _with_beams(case, other_way)


def moves_along(case: PlacedCase, *, axis: Point) -> bool:
    """Whether the table moves along `axis` of the room within the case."""
    offsets = {sum(o * a for o, a in zip(b.beam.table_offset_mm, axis, strict=True)) for b in case.beams}
    return any(offset != 0 for offset in offsets)


def with_other_angle_frame(case: PlacedCase) -> PlacedCase:
    """The case with its angles taken the other way: turned with the patient, or not.

    Turning the frame twice about one axis by half a turn gives the first frame again, so one
    change serves both settings. Head-first supine has one frame only. On the side: not offered.
    """
    signs = _TURNS.get(case.position)
    if signs is None:
        return case
    primary_sign, primary_add, secondary_sign = signs

    def turned(beam: Beam) -> Beam:
        p, s, p_end, s_end = (
            beam.primary_angle_deg,
            beam.secondary_angle_deg,
            beam.primary_end_angle_deg,
            beam.secondary_end_angle_deg,
        )
        return replace(
            beam,
            primary_angle_deg=primary_sign * p + primary_add,
            secondary_angle_deg=secondary_sign * s,
            primary_end_angle_deg=None if p_end is None else primary_sign * p_end + primary_add,
            secondary_end_angle_deg=None if s_end is None else secondary_sign * s_end,
        )

    return _with_beams(case, turned)


# detector direction (sin A cos S, -cos A cos S, sin S) under the half turn of each position, as
# (sign of A, added to A, sign of S)
_TURNS: dict[Position, tuple[float, float, float]] = {
    "HFP": (1.0, 180.0, 1.0),
    "FFS": (-1.0, 0.0, -1.0),
    "FFP": (-1.0, 180.0, -1.0),
}


def _with_beams(case: PlacedCase, change: Callable[[Beam], Beam]) -> PlacedCase:
    return replace(case, beams=tuple(replace(b, beam=change(b.beam)) for b in case.beams))


def _near(dose_mgy: FloatArray) -> IntArray:
    table = constants("skin_map")
    near = np.flatnonzero(dose_mgy >= table["near_share"].number * dose_mgy.max())
    near = near[np.argsort(-dose_mgy[near], kind="stable")]
    most = int(table["near_patches"].number)
    if len(near) > most:  # spread over all of them, the highest first among them
        near = near[np.linspace(0, len(near) - 1, most).astype(np.int64)]
    return near.astype(np.int32)
