"""Lines of equal dose on a flat map, and at which doses they are drawn."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, log10

import contourpy
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
_STEPS = (1.0, 2.0, 5.0)
_FEWEST = 2
_LEAST_SHARE = 0.1
"""No round number below this share of the peak is drawn as a line."""


def contour_doses(levels_mgy: Sequence[float], peak_mgy: float | None) -> tuple[float, ...]:
    """Doses at which lines are drawn, rising [mGy]: the levels reached, round numbers where those are few.

    Examples
    --------
    >>> contour_doses((2000.0, 3000.0, 5000.0), 3400.0)
    (2000.0, 3000.0)
    >>> contour_doses((2000.0, 3000.0, 5000.0), 1300.0)
    (200.0, 500.0, 1000.0)
    """
    if peak_mgy is None or peak_mgy <= 0:
        return ()
    reached = [level for level in levels_mgy if 0 < level < peak_mgy]
    if len(reached) >= _FEWEST:
        return tuple(sorted(reached))
    below = min(reached, default=peak_mgy)
    decade = floor(log10(peak_mgy))
    rounds = [step * 10.0**power for power in (decade - 1, decade) for step in _STEPS]
    more = [dose for dose in rounds if _LEAST_SHARE * peak_mgy <= dose < below]
    return tuple(sorted({*reached, *more}))


def contour_lines(
    across_mm: FloatArray, along_mm: FloatArray, dose_mgy: FloatArray, *, at_mgy: float
) -> list[FloatArray]:
    """The lines where a grid crosses `at_mgy`, longest first, each of shape (k, 2); none off the skin."""
    if min(dose_mgy.shape) < 2:
        return []
    masked = np.ma.masked_invalid(dose_mgy)
    lines = contourpy.contour_generator(across_mm, along_mm, masked).lines(at_mgy)
    return sorted((np.asarray(line) for line in lines), key=_length, reverse=True)


def _length(line: FloatArray) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())
