"""Absorbed dose to skin patches from beams: the sum of the formula of one ray over all of them.

    dose = sum k_cal K_ref (d_ref / r)^2 T_table (medium x backscatter)   in the field, on the entrance side

Points and normals are in the patient frame: x to the patient's left, y to the back, z to the head,
origin at the isocentre while the table has not moved. Exit dose is left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dosetrack.errors import InputError
from dosetrack.skin.beam import Beam, TableTop
from dosetrack.skin.frames import to_table_frame
from dosetrack.skin.model import FloatArray, IntArray
from dosetrack.skin.patches import Hits, Patches, patches_of
from dosetrack.skin.rays import dose_of_rays
from dosetrack.skin.setup import Position
from dosetrack.skin.shadow import convex_parts
from dosetrack.skin.still_beams import FactorCurve, StillBeams, still_beam_groups

if TYPE_CHECKING:
    from dosetrack.skin.quality import Medium

_FARTHEST_MM = 1e6


def dose_at_points(
    beams: Sequence[Beam],
    points_mm: ArrayLike,
    normals: ArrayLike,
    table: TableTop | None = None,
    position: Position = "HFS",
) -> FloatArray:
    """Absorbed dose to the skin at each point from all beams together [mGy].

    Parameters
    ----------
    beams : any number; none gives zeros
    points_mm : shape (n, 3), patient frame [mm]
    normals : outward, shape (n, 3), patient frame; the length does not matter
    table : the top in the room at zero displacement; None: no table
    position : how the patient lies, such as 'HFS' or 'FFP'

    Returns
    -------
    shape (n,) [mGy]

    Raises
    ------
    InputError : names the argument that cannot be used

    Notes
    -----
    The surface counts as one convex body: a patch gets dose where the ray meets its outer side.
    For a surface of several parts see `DoseField`.

    Examples
    --------
    A beam from under the table on skin 90 mm below the isocentre: 800 mGy (570 / 630)^2

    >>> beam = Beam(800.0, 720.0, 1050.0, 220.0, 220.0, backscatter=1.0, medium_ratio=1.0)
    >>> dose_at_points([beam], [[0.0, 90.0, 0.0]], [[0.0, 1.0, 0.0]]).round(3).tolist()
    [654.875]
    """
    field = DoseField(points_mm, normals, table, position)
    field.add_all(beams)
    return field.dose_mgy


def contributions(
    beams: Sequence[Beam],
    point_mm: ArrayLike,
    normal: ArrayLike,
    table: TableTop | None = None,
    position: Position = "HFS",
    *,
    medium: Medium = "water",
) -> FloatArray:
    """Absorbed dose of each beam at one point, shape (n_beams,) [mGy].

    Parameters
    ----------
    point_mm, normal : shape (3,), patient frame; the rest as in `dose_at_points` and `DoseField`
    """
    point, outward = np.asarray(point_mm)[np.newaxis], np.asarray(normal)[np.newaxis]
    return DoseField(point, outward, table, position, medium=medium).contributions(beams, 0)


def footprints(
    beams: Sequence[Beam], points_mm: ArrayLike, normals: ArrayLike, position: Position = "HFS"
) -> NDArray[np.bool_]:
    """Whether each beam enters the skin at each point, shape (n_beams, n_points).

    Parameters as in `dose_at_points`; the dose of the beams plays no part.
    """
    return DoseField(points_mm, normals, None, position).footprints(beams)


class DoseField:
    """The running dose of one surface; beams are added one by one or many together.

    Parameters
    ----------
    points_mm, normals, table, position : as in `dose_at_points`
    part : number of the convex part each patch belongs to, shape (n,); a patch behind another part
        gets nothing. None: one convex body
    medium : what the dose is absorbed in, where a beam does not state the ratio itself
    """

    __slots__ = ("_curve_of", "_part", "_parts", "_patches", "_sums", "_table")

    def __init__(
        self,
        points_mm: ArrayLike,
        normals: ArrayLike,
        table: TableTop | None = None,
        position: Position = "HFS",
        part: ArrayLike | None = None,
        *,
        medium: Medium = "water",
    ) -> None:
        points = _vectors("points_mm", points_mm)
        outward = _normals(normals, len(points))
        if table is not None and not isinstance(table, TableTop):
            raise InputError(field="table", given=table, accepted="a TableTop or None")
        points, outward = to_table_frame(points, position), to_table_frame(outward, position)
        self._patches = patches_of(points, outward)
        numbers = np.zeros(len(points), np.int32) if part is None else _part_numbers(part, len(points))
        self._part = numbers[self._patches.order]
        self._parts = convex_parts(points, outward, numbers)
        self._sums = np.zeros(len(self._patches.order))
        self._table = table
        self._curve_of = partial(_curve, medium=medium)

    @property
    def dose_mgy(self) -> FloatArray:
        """Absorbed dose so far, shape (n,), a copy [mGy]."""
        return self._sums[self._patches.slot_of]

    def add(self, beam: Beam) -> None:
        """Add the dose of one beam."""
        self.add_all((beam,))

    def add_all(self, beams: Sequence[Beam]) -> None:
        """Add the dose of several beams."""
        for _, still in self._groups(_checked(beams)):
            for hits in self._hits(still, self._patches, self._part):
                dose = dose_of_rays(still, hits.index, hits.ray_mm, self._table)
                self._sums += np.bincount(hits.slot, weights=dose, minlength=len(self._sums))

    def contributions(self, beams: Sequence[Beam], index: int) -> FloatArray:
        """Absorbed dose of each beam at patch `index`, shape (n_beams,); the running dose stays [mGy]."""
        chosen = _checked(beams)
        given = np.zeros(len(chosen))
        slot = self._patches.slot_of[[index]]
        patch, part = self._patches.at(slot), self._part[slot]
        for first, still in self._groups(chosen):
            for hits in self._hits(still, patch, part):
                dose = dose_of_rays(still, hits.index, hits.ray_mm, self._table)
                given += np.bincount(first + still.of_beam[hits.index], weights=dose, minlength=len(given))
        return given

    def footprints(self, beams: Sequence[Beam]) -> NDArray[np.bool_]:
        """Whether each beam enters the skin at each patch, shape (n_beams, n)."""
        chosen = _checked(beams)
        entered = np.zeros((len(chosen), len(self._sums)), dtype=np.bool_)
        for first, still in self._groups(chosen):
            for hits in self._hits(still, self._patches, self._part):
                entered[first + still.of_beam[hits.index], hits.slot] = True
        return entered[:, self._patches.slot_of]

    def _groups(self, beams: Sequence[Beam]) -> Iterator[tuple[int, StillBeams]]:
        return still_beam_groups(beams, self._curve_of)

    def _hits(self, still: StillBeams, patches: Patches, part: IntArray) -> Iterator[Hits]:
        """The hit patches that no other part shades; `part` is that of each slot."""
        for hits in patches.hits(still):
            if not len(self._parts):
                yield hits
            else:
                yield hits.take(np.flatnonzero(~self._parts.shade(still, hits, part[hits.slot])))


def _checked(beams: Sequence[Beam]) -> tuple[Beam, ...]:
    chosen = None if isinstance(beams, Beam) else tuple(beams)
    if chosen is None or not all(isinstance(beam, Beam) for beam in chosen):
        raise InputError(field="beams", given=type(beams).__name__, accepted="a sequence of Beam")
    return chosen


def _curve(beam: Beam, *, medium: Medium) -> FactorCurve:
    """Medium times backscatter from the tables; loaded only when a beam does not state both."""
    from dosetrack.skin.quality import field_factors

    return field_factors(beam, medium=medium)


def _part_numbers(given: ArrayLike, n_points: int) -> IntArray:
    numbers = np.asarray(given)
    if numbers.shape != (n_points,) or not np.issubdtype(numbers.dtype, np.integer):
        raise InputError(
            field="part",
            given=f"{numbers.dtype} of shape {numbers.shape}",
            accepted=f"one whole number for each point, ({n_points},)",
        )
    return numbers.astype(np.int32)


def _vectors(name: str, given: ArrayLike) -> FloatArray:
    """`given` as a finite array of shape (n, 3), checked."""
    try:
        vectors = np.asarray(given, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise InputError(field=name, given=type(given).__name__, accepted="numbers, shape (n, 3)") from error
    if vectors.shape == (0,):
        vectors = vectors.reshape(0, 3)
    if vectors.ndim != 2 or vectors.shape[1] != 3:
        raise InputError(field=name, given=f"shape {vectors.shape}", accepted="shape (n, 3)")
    wrong = ~(np.abs(vectors) <= _FARTHEST_MM)  # also true of NaN
    if wrong.any():
        row, column = (int(place[0]) for place in np.nonzero(wrong))
        raise InputError(
            field=f"{name}[{row}, {column}]",
            given=str(vectors[row, column]),
            accepted=f"a finite number within {_FARTHEST_MM:g}",
        )
    return vectors


def _normals(given: ArrayLike, n_points: int) -> FloatArray:
    normals = _vectors("normals", given)
    if len(normals) != n_points:
        raise InputError(
            field="normals", given=f"shape {normals.shape}", accepted=f"one for each point, ({n_points}, 3)"
        )
    length = np.linalg.norm(normals, axis=1)
    if not length.all():
        row = int(np.flatnonzero(length == 0)[0])
        raise InputError(field=f"normals[{row}]", given="0, 0, 0", accepted="an outward direction")
    unit: FloatArray = normals / length[:, np.newaxis]
    return unit
