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
    dose: FloatArray = still.weight.take(index) / square
    if still.curves.ln_sides.size:
        ln_side = 0.5 * np.log(square)
        ln_side += still.ln_side.take(index)
        dose *= still.curves.at(still.curve.take(index), ln_side)
    if table is not None and table.transmission < 1:
        path = _path_over_thickness(still, index, ray_mm, square, table)
        path *= log(table.transmission)
        dose *= np.exp(path, out=path)
    return dose


def _path_over_thickness(
    still: StillBeams, index: Indices, ray_mm: Columns, square: FloatArray, table: TableTop
) -> FloatArray:
    """1 over the cosine to the upright where a ray passes the table top, 0 where it does not.

    It passes where the source is beneath, the skin above and the crossing within the rectangle.
    """
    x, y, z = ray_mm
    source_x, source_y, source_z = still.source_mm.T
    drop = source_y.take(index) - table.top_y_mm
    passes = drop > _TOUCHING_MM
    passes &= drop + y <= _TOUCHING_MM
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):  # level rays never pass
        part = drop / -y
        passes &= np.abs(source_x.take(index) + part * x) <= table.half_width_mm
        at_z = source_z.take(index) + part * z
        passes &= (at_z >= table.z_min_mm) & (at_z <= table.z_max_mm)
        path: FloatArray = np.sqrt(square) / np.abs(y)
    path[~passes] = 0.0
    return path
