"""The packaged grids over tube voltage, aluminium and copper, parsed once, and interpolation in them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import log1p

import numpy as np
from numpy.typing import NDArray

from dosetrack.errors import TableError
from dosetrack.tables import constants, rows

FloatArray = NDArray[np.float64]
_QUALITY = ("kvp", "al_mm", "cu_mm")
_TRANSMISSION = ("transmission_", "_mm_al")


@dataclass(frozen=True, slots=True, eq=False)
class Axis:
    """One axis of a grid.

    name, unit : as told to people
    values : ascending, in `unit`
    places : the same on the scale that is interpolated linearly
    scale : of ln(1 + value / scale); None: linear
    """

    name: str
    unit: str
    values: tuple[float, ...]
    places: tuple[float, ...]
    scale: float | None = None

    def bracket(self, value: float) -> tuple[int, float]:
        """(index below, share of the next one) of a `value` inside the axis."""
        place = value if self.scale is None else log1p(value / self.scale)
        last = len(self.places) - 2
        index = next((i for i in range(last) if place < self.places[i + 1]), last)
        low, high = self.places[index], self.places[index + 1]
        return index, (place - low) / (high - low)


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Columns over (kvp, al_mm, cu_mm) and what follows.

    axes : tube voltage [kV], aluminium [mm], copper [mm]
    columns : name -> shape (9, 4, 7, ...)
    """

    axes: tuple[Axis, Axis, Axis]
    columns: dict[str, FloatArray]

    def at(self, column: str, *, kvp: float, al_mm: float, cu_mm: float) -> FloatArray:
        """`column` at a quality inside the grid, its remaining axes kept.

        Linear in kvp and al_mm, and in ln(1 + cu_mm / scale) with `copper_scale` of
        `skin_factors.csv`, because the first tenths of copper harden the beam most.
        """
        values = self.columns[column]
        for axis, wanted in zip(self.axes, (kvp, al_mm, cu_mm), strict=True):
            index, share = axis.bracket(wanted)
            values = values[index] + share * (values[index + 1] - values[index])
        return values


@cache
def axes() -> tuple[Axis, Axis, Axis]:
    """Tube voltage, aluminium and copper of the packaged grids."""
    table = rows("hvl")
    voltage, aluminium, copper = (tuple(sorted({float(row[name]) for row in table})) for name in _QUALITY)
    scale = constants("skin_factors")["copper_scale"].number
    return (
        Axis("tube voltage", "kV", voltage, voltage),
        Axis("aluminium", "mm", aluminium, aluminium),
        Axis("copper", "mm", copper, tuple(log1p(c / scale) for c in copper), scale),
    )


@cache
def quality_grid() -> Grid:
    """`hvl.csv`: half-value layers, mean energy, medium ratios and transmissions of the primary beam.

    The columns of transmission are joined as 'al_length_mm' over the last axis,
    `table_steps_mm_al`: the thickness over -ln(transmission), which goes evenly with the
    half-value layer from one quality to the next.
    """
    grid = _grid("hvl", ())
    shares = [grid.columns.pop(name) for name in list(grid.columns) if name.startswith(_TRANSMISSION[0])]
    grid.columns["al_length_mm"] = np.array(table_steps_mm_al()) / -np.log(np.stack(shares, axis=-1))
    return grid


@cache
def table_steps_mm_al() -> tuple[float, ...]:
    """The aluminium thicknesses whose transmission the table holds [mm]."""
    before, after = _TRANSMISSION
    return tuple(
        float(name.removeprefix(before).removesuffix(after))
        for name in rows("hvl")[0]
        if name.startswith(before)
    )


@cache
def backscatter_grid() -> Grid:
    """`backscatter.csv`: backscatter and medium factors; the last axis is `field_sides_cm`."""
    return _grid("backscatter", ("field_side_cm",))


@cache
def field_sides_cm() -> FloatArray:
    """Sides of the square fields at the skin, 1 to 35, ascending, shape (10,) [cm]."""
    sides = np.array(sorted({float(row["field_side_cm"]) for row in rows("backscatter")}))
    sides.setflags(write=False)
    return sides


def _grid(table: str, further: tuple[str, ...]) -> Grid:
    """A table whose rows hold every combination of the key columns once."""
    keys = (*_QUALITY, *further)
    read = sorted(rows(table), key=lambda row: tuple(float(row[key]) for key in keys))
    shape = tuple(len({row[key] for row in read}) for key in keys)
    if len(read) != int(np.prod(shape)):
        raise TableError(f"{table}.csv: {len(read)} rows do not fill a grid of {shape}")
    columns = {
        name: np.array([float(row[name]) for row in read]).reshape(shape)
        for name in read[0]
        if name not in keys
    }
    return Grid(axes=axes(), columns=columns)
