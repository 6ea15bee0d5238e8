"""Beams as columns of numbers: every arc split into still beams, ready for whole-array arithmetic."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Protocol

import numpy as np

from dosetrack.errors import InputError
from dosetrack.skin.beam import Beam
from dosetrack.skin.frames import detector_direction, height_direction, source_point, width_direction
from dosetrack.skin.model import FloatArray, IntArray
from dosetrack.tables import constants

ARC_STEP_DEG = 0.25
_LONGEST_ARC_DEG = 3600.0
_MOST_TOGETHER = 16384
_FARTHEST_MM = 1e6
_MM_PER_CM = 10.0
# rounding must not push a patch that lies exactly on the field's edge out of the field
_EDGE = 1.0 + 1e-12


class FactorCurve(Protocol):
    """Medium times backscatter over the side of a square field at the skin."""

    @property
    def sides_cm(self) -> FloatArray: ...
    @property
    def medium_and_backscatter(self) -> FloatArray: ...


CurveOf = Callable[[Beam], FactorCurve]


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """Curves of straight lines in ln side on one grid, the level ends included.

    ln_sides : grid, shape (k,) [ln cm]; empty when no factor varies with the field
    level, slope : value = level + slope ln side, for each curve k + 1 lines, shape (curves (k + 1),)
    """

    ln_sides: FloatArray
    level: FloatArray
    slope: FloatArray

    def at(self, curve: IntArray, ln_side: FloatArray) -> FloatArray:
        """The value of each curve (as in `StillBeams.curve`) at each side, shape (n,)."""
        line = curve + self.ln_sides.searchsorted(ln_side, side="right")
        found = self.slope.take(line)
        found *= ln_side
        found += self.level.take(line)
        return found


@dataclass(frozen=True, slots=True, eq=False)
class StillBeams:
    """Still beams, m of them, in the axes of `frames.to_table_frame`.

    of_beam : index of the beam each is a part of, shape (m,)
    n_beams : number of beams
    source_mm : focal spot, shape (m, 3) [mm]
    along, across, up : unit vectors to the detector, along its width and its height, shape (m, 3)
    half_width, half_height : of the field at unit depth, shape (m,)
    weight : calibrated air kerma at 1 mm from the source, times factors that do not vary, (m,) [mGy mm2]
    ln_side : ln of the equivalent square side at 1 mm from the source, shape (m,) [ln cm]
    curve : where the lines of its curve begin in `curves`, shape (m,)
    curves : medium times backscatter over the field
    """

    of_beam: IntArray
    n_beams: int
    source_mm: FloatArray
    along: FloatArray
    across: FloatArray
    up: FloatArray
    half_width: FloatArray
    half_height: FloatArray
    weight: FloatArray
    ln_side: FloatArray
    curve: IntArray
    curves: Curves

    def __len__(self) -> int:
        return len(self.of_beam)


def reference_distance_mm(beam: Beam) -> float:
    """Focal spot to reference point [mm]: as sent, else 150 mm before the isocentre.

    Examples
    --------
    >>> reference_distance_mm(Beam(1.0, 750.0, 1100.0, 160.0, 160.0))
    600.0
    """
    if beam.source_to_reference_point_mm is not None:
        return beam.source_to_reference_point_mm
    before = constants("skin_screening")["reference_before_isocentre"].number
    if beam.source_to_isocenter_mm <= before:
        raise InputError(
            field="source_to_isocenter_mm",
            given=f"{beam.source_to_isocenter_mm:g}",
            accepted=f"above {before:g} mm where the distance to the reference point is not given",
        )
    return beam.source_to_isocenter_mm - before


def still_beam_count(beam: Beam) -> int:
    """Number of still beams of equal dose that stand for a beam: steps of at most a quarter of a degree."""
    sweep = max(
        0.0 if end is None else abs(end - start)
        for start, end in (
            (beam.primary_angle_deg, beam.primary_end_angle_deg),
            (beam.secondary_angle_deg, beam.secondary_end_angle_deg),
        )
    )
    if sweep > _LONGEST_ARC_DEG:
        raise InputError(
            field="primary_end_angle_deg or secondary_end_angle_deg",
            given=f"an arc of {sweep:g} degrees",
            accepted=f"at most {_LONGEST_ARC_DEG:g} degrees",
        )
    return max(1, ceil(sweep / ARC_STEP_DEG))


def still_beam_groups(beams: Sequence[Beam], curve_of: CurveOf) -> Iterator[tuple[int, StillBeams]]:
    """The still beams of `beams` in groups of bounded size, each with the index of its first beam.

    So that the memory taken does not grow with the number of arcs.
    """
    first, count = 0, 0
    for index, beam in enumerate(beams):
        more = still_beam_count(beam)
        if count and count + more > _MOST_TOGETHER:
            yield first, still_beams(beams[first:index], curve_of)
            first, count = index, 0
        count += more
    if count:
        yield first, still_beams(beams[first:], curve_of)


def still_beams(beams: Sequence[Beam], curve_of: CurveOf) -> StillBeams:
    """The still beams of `beams`, in order.

    An arc is swept evenly from start to end exactly as given, both angles together; its parts stand
    at the middle of each step and share the dose equally.

    Parameters
    ----------
    curve_of : medium times backscatter of a beam that does not state both
    """
    numbers = np.array([_numbers(beam) for beam in beams], dtype=np.float64).reshape(len(beams), 13)
    counts = np.array([still_beam_count(beam) for beam in beams], dtype=np.int64)
    of_beam = np.repeat(np.arange(len(beams)), counts)
    first = np.cumsum(counts) - counts
    share = (np.arange(len(of_beam)) - first[of_beam] + 0.5) / counts[of_beam]
    kerma, sod, sid, width, height, a0, s0, a1, s1, reference, *offset = numbers[of_beam].T
    primary, secondary = a0 + share * (a1 - a0), s0 + share * (s1 - s0)
    source = source_point(primary, secondary, source_to_isocenter_mm=sod) - np.stack(offset, axis=-1)
    if len(source) and np.abs(source).max() > _FARTHEST_MM:
        raise InputError(
            field="source_to_isocenter_mm or table_offset_mm",
            given=f"{np.abs(source).max():g}",
            accepted=f"at most {_FARTHEST_MM:g} mm",
        )
    curve, curves = _curves(beams, curve_of)
    # equivalent square of a rectangle a by b: 2ab/(a + b)
    side_at_1_mm = 2 * width * height / (width + height) / sid / _MM_PER_CM
    return StillBeams(
        of_beam=of_beam.astype(np.int32),
        n_beams=len(beams),
        source_mm=source,
        along=detector_direction(primary, secondary),
        across=width_direction(primary, secondary),
        up=height_direction(primary, secondary),
        half_width=width / (2 * sid) * _EDGE,
        half_height=height / (2 * sid) * _EDGE,
        weight=kerma * reference**2 / counts[of_beam],
        ln_side=np.log(side_at_1_mm),
        curve=curve[of_beam],
        curves=curves,
    )


def _numbers(beam: Beam) -> tuple[float, ...]:
    kerma = beam.reference_air_kerma_mgy * beam.calibration_factor
    if beam.backscatter is not None and beam.medium_ratio is not None:
        kerma *= beam.backscatter * beam.medium_ratio
    if len(beam.table_offset_mm) != 3:
        raise InputError(field="table_offset_mm", given=beam.table_offset_mm, accepted="x, y and z")
    primary, secondary = beam.primary_angle_deg, beam.secondary_angle_deg
    return (
        kerma,
        beam.source_to_isocenter_mm,
        beam.source_to_detector_mm,
        beam.field_width_mm,
        beam.field_height_mm,
        primary,
        secondary,
        primary if beam.primary_end_angle_deg is None else beam.primary_end_angle_deg,
        secondary if beam.secondary_end_angle_deg is None else beam.secondary_end_angle_deg,
        reference_distance_mm(beam),
        *beam.table_offset_mm,
    )


def _curves(beams: Sequence[Beam], curve_of: CurveOf) -> tuple[IntArray, Curves]:
    """Where the lines of each beam begin, and the curves on one grid.

    A curve is linear between its grid points in ln side and level beyond them, so that putting all
    on the union of their grids changes nothing.
    """
    rows = np.zeros(len(beams), dtype=np.int32)
    found: dict[tuple[float | None, ...], int] = {}
    curves: list[tuple[FloatArray, FloatArray]] = []
    for index, beam in enumerate(beams):
        is_constant = beam.backscatter is not None and beam.medium_ratio is not None
        quality = (beam.kvp, beam.al_mm, beam.cu_mm, beam.backscatter, beam.medium_ratio)
        key = () if is_constant else quality
        if key not in found:
            found[key] = len(curves)
            curves.append(_level() if is_constant else _in_ln(curve_of(beam)))
        rows[index] = found[key]
    if not set(found) - {()}:
        return rows, Curves(np.empty(0), np.empty(0), np.empty(0))
    grid = np.unique(np.concatenate([sides for sides, _ in curves]))
    values = np.array([np.interp(grid, sides, values) for sides, values in curves])
    slope = np.zeros((len(curves), len(grid) + 1))
    slope[:, 1:-1] = np.diff(values, axis=1) / np.diff(grid)
    # each line passes through the grid point at its lower end, the first through that at its upper
    level = np.hstack([values[:, :1], values]) - slope * np.concatenate([grid[:1], grid])
    return rows * np.int32(slope.shape[1]), Curves(grid, level.ravel(), slope.ravel())


def _in_ln(curve: FactorCurve) -> tuple[FloatArray, FloatArray]:
    return (
        np.log(np.asarray(curve.sides_cm, dtype=np.float64)),
        np.asarray(curve.medium_and_backscatter, dtype=np.float64),
    )


def _level() -> tuple[FloatArray, FloatArray]:
    """The curve of a beam whose constant factors are in its weight already."""
    return np.zeros(1), np.ones(1)
