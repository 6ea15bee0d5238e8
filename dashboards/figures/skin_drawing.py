"""What the pieces of the flat map share: the map, its grid, and the part of it that is shown first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashboards.theme import Ground
    from dosetrack.skin.flat import FlatGrid
    from dosetrack.skin.model import FloatArray, SkinMap

MM_PER_CM = 10.0
LEAST_SHARE = 0.01
"""Patches below this share of the peak say nothing when pointed at."""
_BESIDE_CM, _LEAST_HEIGHT = 12.0, 0.5
"""Skin shown beyond the dose along the body, and least height over width; drawing alone."""

Box = tuple[tuple[float, float], tuple[float, float]]
"""Lower and upper corner: across, along [cm]."""


@dataclass(frozen=True, slots=True)
class Drawing:
    """What the pieces of one figure share."""

    skin_map: SkinMap
    dose_mgy: FloatArray
    grid: FlatGrid
    ground: Ground
    top_mgy: float
    shown_cm: Box


def shown_ends(whole: SkinMap, grid: FlatGrid) -> Box:
    """What is shown first: the strips a beam met, not far past the dose."""
    met = met_by_a_beam(whole)
    parts = {whole.surface.parts[i] for i in np.unique(whole.surface.part[met])}
    strips = [s for s in grid.strips if s.part in parts] or list(grid.strips)
    ends = np.vstack([s.outline_mm for s in strips]) / MM_PER_CM
    (left, low), (right, high) = ends.min(axis=0).tolist(), ends.max(axis=0).tolist()
    if len(met):
        along = grid.places_mm[met, 1] / MM_PER_CM
        beside = max(_BESIDE_CM, (_LEAST_HEIGHT * (right - left) - float(np.ptp(along))) / 2)
        low, high = max(low, float(along.min()) - beside), min(high, float(along.max()) + beside)
    return (left, low), (right, high)


def met_by_a_beam(whole: SkinMap) -> NDArray[np.int64]:
    """The patches that a beam met with more than a trace of the peak."""
    return np.flatnonzero(whole.dose_mgy > LEAST_SHARE * (whole.peak_mgy or np.inf))
