"""The doubt about a peak skin dose: each part by itself, together, and the range it gives.

Each factor of the dose has a standard uncertainty in `tables/skin_uncertainty.csv`. It counts as far
as it bears on the beams that built the peak: a beam beside the table top has no doubt from the
table. Parts are taken as independent of each other; within one part all beams err together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from dosetrack.skin.model import Assumption, Doubt, FloatArray, PlacedCase
from dosetrack.skin.quality import field_factors
from dosetrack.tables import constants

_PERCENT = 100.0

METER = "calibration"
TABLE = "table-transmission"
POSITION = "position"
TABLE_AXES = "table-axes"
ANGLE_FRAME = "angle-frame"
# keys whose doubt is counted by a factor or by computing the peak again; those of beam quality are
# the rows 'doubt_*' of skin_factors.csv
_COUNTED = frozenset({METER, TABLE, POSITION, TABLE_AXES, ANGLE_FRAME, "field-centred"})


@dataclass(frozen=True, slots=True, eq=False)
class AtPeak:
    """What one case's beams do at the peak patch; arrays have shape (n_beams,).

    dose_mgy : what each beam gave [mGy]
    distance_mm : focal spot to patch; of an arc, the mean of its parts [mm]
    table_path : length of the ray in the table over that at a right angle; 0 beside the table
    is_steep : 1 for a beam far from the vertical, where arms may lie in it; else 0; of an arc the mean
    """

    case: PlacedCase
    dose_mgy: FloatArray
    distance_mm: FloatArray
    table_path: FloatArray
    is_steep: FloatArray

    @property
    def is_displayed(self) -> FloatArray:
        """1 for a beam whose air kerma stands as displayed, without a factor of its meter; else 0."""
        if not has(self.case, METER):
            return np.zeros(len(self.case.beams))
        return np.array([float(b.beam.calibration_factor == 1.0) for b in self.case.beams])


@dataclass(frozen=True, slots=True)
class Recomputed:
    """Relative standard uncertainties of the peak found by computing it again (`influences`).

    position : with the body shifted, beyond what the doubt of distance counts
    directions : with table or angles the other way, where these settings were not tried
    registration : with each case of several shifted against the others; None for one case
    """

    position: float = 0.0
    directions: float = 0.0
    registration: float | None = None


def doubts(
    at_peak: Sequence[AtPeak],
    recomputed: Recomputed,
    *,
    surface_assumed: Iterable[Assumption] = (),
    is_on_leg: bool = False,
) -> tuple[Doubt, ...]:
    """The parts of the doubt about the peak, the largest first; parts without effect are left out.

    Parameters
    ----------
    recomputed : position counts where it is larger than the table's least value
    surface_assumed : what was assumed to build the body
    is_on_leg : whether the peak lies on a leg

    Notes
    -----
    Distance: dose falls with the square of the distance r, so a doubt of d counts 2 d / r.
    Table: a ray of path p has T = T0^p, so a doubt of T0 counts p times.
    Meter not calibrated: uniform within the half width that is allowed, so over the square root of 3.

    References
    ----------
    JCGM 100 (GUM), 4.3.7 (uniform distribution) and 5.1.2 (parts in quadrature); from memory.
    """
    total = float(sum(a.dose_mgy.sum() for a in at_peak))
    if total <= 0:
        return ()
    weigh = _Weights(at_peak, total)
    parts = [
        _meter(weigh),
        _table(weigh),
        Doubt(
            "backscatter", "scatter back from the body", constants("skin_uncertainty")["backscatter"].number
        ),
        Doubt("medium", "dose in the medium over air kerma", constants("skin_uncertainty")["medium"].number),
        Doubt("quality", "tube voltage and filter partly assumed", quality_of(at_peak) * _PERCENT),
        _distance(weigh),
        _position(weigh, recomputed.position),
        Doubt(
            "directions",
            "directions of table and angles not tried on this system",
            recomputed.directions * _PERCENT,
        ),
        *_assumed(weigh, surface_assumed, is_on_leg=is_on_leg),
    ]
    if recomputed.registration is not None:
        within = constants("skin_uncertainty")["registration"].number
        text = f"each case lies on the body of the others within {within:g} mm"
        parts.append(Doubt("registration", text, recomputed.registration * _PERCENT))
    return tuple(sorted((d for d in parts if d.percent > 0), key=lambda d: -d.percent))


def relative_uncertainty(parts: Iterable[Doubt]) -> float:
    """Standard uncertainty of the peak over the peak: the parts in quadrature."""
    return sqrt(sum((d.percent / _PERCENT) ** 2 for d in parts))


def range_factor(parts: Iterable[Doubt]) -> float:
    """What the peak is multiplied with and divided by for its range: 1 + k u, at least 1.

    The ratio form keeps the lower end above 0 however wide the doubt; for a small one it is the same
    as plus and minus k u.

    Examples
    --------
    >>> range_factor([Doubt("meter", "", 20.0), Doubt("position", "", 15.0)])
    1.5
    """
    return 1.0 + constants("skin_uncertainty")["coverage"].number * relative_uncertainty(parts)


def shift_mm(case: PlacedCase) -> float:
    """Standard uncertainty of where the body lies along each axis [mm]."""
    return _placed(case, "shift")


def meter_half_width(at_peak: Sequence[AtPeak]) -> float:
    """How far the peak may be off, relative, by meters that were not calibrated; 0 when all were."""
    weigh = _Weights(at_peak, sum(float(a.dose_mgy.sum()) for a in at_peak))
    width = constants("skin_uncertainty")["meter_display_half_width"].number
    return weigh.of(lambda a: a.is_displayed) * width / _PERCENT


def quality_of(at_peak: Sequence[AtPeak]) -> float:
    """Relative standard uncertainty of the peak by what was assumed of the beams' quality."""

    def doubt(one: AtPeak) -> FloatArray:
        of_case = _quality_of_case(one.case)
        beams = [max(of_case, field_factors(b.beam).doubt) for b in one.case.beams]
        return np.array(beams, dtype=np.float64)

    return _Weights(at_peak, sum(float(a.dose_mgy.sum()) for a in at_peak)).of(doubt)


def has(case: PlacedCase, key: str) -> bool:
    """Whether the case rests on the assumption `key`."""
    return any(a.key == key for a in case.assumed)


class _Weights:
    """Means over all beams of a value of each case or beam, weighted by what each gave to the peak."""

    def __init__(self, at_peak: Sequence[AtPeak], total_mgy: float) -> None:
        self._at_peak = at_peak
        self._total = total_mgy

    def cases(self) -> list[PlacedCase]:
        """The cases, in order."""
        return [a.case for a in self._at_peak]

    def of(self, value: Callable[[AtPeak], FloatArray | float]) -> float:
        """Mean of `value`, which gives one number for a case or shape (n_beams,)."""
        return float(sum((a.dose_mgy * value(a)).sum() for a in self._at_peak)) / self._total

    def share_with(self, key: str) -> float:
        """Part of the peak that rests on the assumption `key`, as far as is known, 0 to 1."""
        return self.of(lambda a: _share_with(a.case, key))


def _meter(weigh: _Weights) -> Doubt:
    table = constants("skin_uncertainty")
    width = table["meter_display_half_width"].number
    share = weigh.of(lambda a: a.is_displayed)
    percent = share * width / sqrt(3) + (1 - share) * table["meter_calibrated"].number
    if share > 0:
        return Doubt("meter", f"air kerma as displayed, taken to be within {width:g} %", percent)
    return Doubt("meter", "air kerma corrected by a factor measured on site", percent)


def _table(weigh: _Weights) -> Doubt:
    table = constants("skin_uncertainty")
    default, measured = table["table_default"].number, table["table_measured"].number
    percent = weigh.of(lambda a: a.table_path * (default if has(a.case, TABLE) else measured))
    is_assumed = weigh.share_with(TABLE) > 0
    text = "transmission of table and pad, " + (
        "not measured on this system" if is_assumed else "as measured"
    )
    return Doubt("table", text, percent)


def _distance(weigh: _Weights) -> Doubt:
    percent = weigh.of(lambda a: 2 * _placed(a.case, "distance") / a.distance_mm) * _PERCENT
    return Doubt("distance", "distance from focal spot to skin", percent)


def _position(weigh: _Weights, recomputed: float) -> Doubt:
    least = weigh.of(lambda a: _placed(a.case, "position"))
    text = "place of the body on the table, overlap of beams"
    return Doubt("position", text, max(least, recomputed * _PERCENT))


def _assumed(weigh: _Weights, surface_assumed: Iterable[Assumption], *, is_on_leg: bool) -> list[Doubt]:
    """One part for each further assumption, with the row of its key."""
    of_surface = {a.key: a.text for a in surface_assumed}
    texts = {a.key: a.text for case in weigh.cases() for a in case.assumed} | of_surface
    found = []
    for key, text in texts.items():
        if key in _COUNTED or f"doubt_{key}" in constants("skin_factors"):
            continue
        table = constants("skin_uncertainty")
        row = table.get(f"assumed_{key}", table["assumed_other"])
        share = 1.0 if key in of_surface else weigh.share_with(key)
        if key == "arms":
            share = weigh.of(lambda a: a.is_steep)
        elif key == "legs":
            share = float(is_on_leg)
        found.append(Doubt(key, text, share * row.number))
    return found


def _placed(case: PlacedCase, what: str) -> float:
    """The row of `what` by whether the body was placed by assumption or by a measured table height."""
    table = constants("skin_uncertainty")
    return table[f"{what}_assumed" if has(case, POSITION) else f"{what}_known"].number


def _share_with(case: PlacedCase, key: str) -> float:
    """Part of the events that rest on the assumption `key`, 0 to 1."""
    return min(1.0, sum(one.share for one in case.assumed if one.key == key))


def _quality_of_case(case: PlacedCase) -> float:
    """Relative doubt by what was assumed of filters and voltage, each for its part of the events."""
    table = constants("skin_factors")
    keys = {one.key for one in case.assumed if f"doubt_{one.key}" in table}
    return sqrt(sum((_share_with(case, key) * table[f"doubt_{key}"].number) ** 2 for key in keys))
