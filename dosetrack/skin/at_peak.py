"""How the beams of one case meet the peak patch: distance, way through the table, steepness."""

from __future__ import annotations

from dataclasses import replace
from math import log

import numpy as np

from dosetrack.skin.beam import Beam, TableTop
from dosetrack.skin.frames import to_table_frame
from dosetrack.skin.kernel import contributions
from dosetrack.skin.model import FloatArray, PlacedCase
from dosetrack.skin.quality import field_factors
from dosetrack.skin.still_beams import StillBeams, still_beams
from dosetrack.skin.uncertainty import AtPeak
from dosetrack.tables import constants

# any transmission below 1 shows how often a ray has it as a factor
_TRIED_TRANSMISSION = 0.5


def at_peak(case: PlacedCase, dose_mgy: FloatArray, point_mm: FloatArray, normal: FloatArray) -> AtPeak:
    """What the beams of `case` do at a patch.

    Parameters
    ----------
    dose_mgy : of each beam at the patch, shape (n_beams,) [mGy]
    point_mm, normal : of the patch, shape (3,), body frame [mm]
    """
    beams = [b.beam for b in case.beams]
    point = point_mm - np.asarray(case.origin_mm)
    still = still_beams(beams, field_factors)
    away = still.source_mm - to_table_frame(point[np.newaxis], case.position)
    # the vertical is y, and a beam is steep from below and from above
    steep = np.abs(still.along[:, 1]) < constants("skin_screening")["under_table_cosine"].number
    return AtPeak(
        case=case,
        dose_mgy=dose_mgy,
        distance_mm=_mean_of_parts(still, np.linalg.norm(away, axis=1)),
        table_path=_table_paths(case, beams, point, normal),
        is_steep=_mean_of_parts(still, steep.astype(np.float64)),
    )


def _mean_of_parts(still: StillBeams, values: FloatArray) -> FloatArray:
    """Mean over the parts of each beam, an arc having many, shape (n_beams,)."""
    sums = np.bincount(still.of_beam, weights=values, minlength=still.n_beams)
    found: FloatArray = sums / np.bincount(still.of_beam, minlength=still.n_beams)
    return found


def _table_paths(case: PlacedCase, beams: list[Beam], point_mm: FloatArray, normal: FloatArray) -> FloatArray:
    """Power to which the transmission counts at the point, shape (n_beams,); 0 beside the table."""

    def with_table(table: TableTop | None) -> FloatArray:
        return contributions(beams, point_mm, normal, table, case.position)

    if case.table is None:
        return np.zeros(len(beams))
    free, behind = with_table(None), with_table(replace(case.table, transmission=_TRIED_TRANSMISSION))
    met = free > 0
    found = np.zeros(len(beams))
    found[met] = np.log(behind[met] / free[met]) / log(_TRIED_TRANSMISSION)
    return found
