"""Absorbed dose at the end of single rays: distance, table and field factors, nothing else.

No cosine: air kerma is a scalar, so a tilted patch gets as much as a level one at the same place.
"""

from __future__ import annotations

from math import log

import numpy as np
from numpy.typing import NDArray

from dosetrack.skin.beam import TableTop
from dosetrack.skin.model import FloatArray
from dosetrack.skin.still_beams import StillBeams

Indices = NDArray[np.integer]
Columns = tuple[FloatArray, FloatArray, FloatArray]
"""x, y, z as three arrays of one shape."""
# skin that rests on the table plane is on the patient's side of it whatever the rounding [mm]
_TOUCHING_MM = 1e-6


def dose_of_rays(still: StillBeams, index: Indices, ray_mm: Columns, table: TableTop | None) -> FloatArray:
    """Absorbed dose at the end of each ray, given that it is in the field and enters there [mGy].

    Parameters
    ----------
    index : still beam of each ray, shape (n,)
    ray_mm : from the focal spot to the skin, shape (n,) each [mm]

    Returns
    -------
    shape (n,): calibrated air kerma at the skin, times table transmission, times medium and
    backscatter of the field at the distance of the skin [mGy]
    """
    x, y, z = ray_mm
    square = x * x + y * y + z * z
    dose: FloatArray = still.weight[index] / square
    if still.ln_sides.size:
        dose *= _field_factor(still, index, still.ln_side[index] + 0.5 * np.log(square))
    if table is not None and table.transmission < 1:
        crossing = _crossing(still, index, ray_mm, table)
        # T0 ^ (1 / |cos|), the angle taken from the upright of the table
        path = np.sqrt(square[crossing]) / np.abs(y[crossing])
        dose[crossing] *= np.exp(log(table.transmission) * path)
    return dose


def _field_factor(still: StillBeams, index: Indices, ln_side: FloatArray) -> FloatArray:
    """Medium times backscatter, linear in ln side, level beyond the ends of the grid."""
    grid = still.ln_sides
    ln_side = np.clip(ln_side, grid[0], grid[-1])
    cell = np.clip(np.searchsorted(grid, ln_side, side="right") - 1, 0, len(grid) - 2)
    part = (ln_side - grid[cell]) / (grid[cell + 1] - grid[cell])
    row = still.curve[index]
    low, high = still.curves[row, cell], still.curves[row, cell + 1]
    found: FloatArray = low + part * (high - low)
    return found


def _crossing(still: StillBeams, index: Indices, ray_mm: Columns, table: TableTop) -> Indices:
    """Places of the rays that pass the table top: source beneath, skin above, within the rectangle."""
    x, y, z = ray_mm
    source = still.source_mm
    drop = source[index, 1] - table.top_y_mm
    places = np.flatnonzero((drop > _TOUCHING_MM) & (drop + y <= _TOUCHING_MM))
    k = index[places]
    part = drop[places] / -y[places]
    at_x = source[k, 0] + part * x[places]
    at_z = source[k, 2] + part * z[places]
    within = np.abs(at_x) <= table.half_width_mm
    within &= (at_z >= table.z_min_mm) & (at_z <= table.z_max_mm)
    found: Indices = places[within]
    return found
