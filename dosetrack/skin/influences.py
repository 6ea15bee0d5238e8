"""What moves the peak: each uncertain input at both ends of its likely range, the peak computed anew.

Every result is relative: the peak of the reduced skin with the input changed over that without.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from math import sqrt

import numpy as np

from dosetrack.skin.beam import Point
from dosetrack.skin.body import pad_contact
from dosetrack.skin.model import Assumption, FloatArray, Influence, PlacedCase, Surface
from dosetrack.skin.uncertainty import (
    ANGLE_FRAME,
    POSITION,
    TABLE,
    TABLE_AXES,
    AtPeak,
    Recomputed,
    has,
    meter_half_width,
    quality_of,
    shift_mm,
)
from dosetrack.skin.variations import (
    AXES,
    Change,
    SomeSkin,
    mirrored,
    moves_along,
    shifted,
    with_field,
    with_other_angle_frame,
    with_table_under,
    with_transmission,
)
from dosetrack.tables import constants

_PERCENT = 100.0
_SHIFT_WORDS = {
    "left-right": "to the left or right",
    "up-down": "up or down, with the table",
    "head-feet": "to the head or feet",
}

_Variation = tuple[str, str, tuple[float, ...]]
"""Key, words, and the peak with the input at each end over the peak as it is."""


class Recomputation:
    """The peak of the cases of a map with one input changed, over the peak as it is."""

    def __init__(self, cases: Sequence[PlacedCase], surface: Surface, skin: SomeSkin) -> None:
        self.cases = tuple(case for case in cases if case.beams)
        self.surface = surface
        self._doses = [skin.dose_mgy(case) for case in self.cases]
        self._whole = np.sum(self._doses, axis=0)
        self._skin = self._fastest(skin)
        self._peak = float(self._whole.max())
        self._shifts: dict[tuple[str, tuple[float, ...]], float] = {}
        self._directions: tuple[_Variation, ...] | None = None

    def _fastest(self, skin: SomeSkin) -> SomeSkin:
        """`skin` without shade of one part on another, where none fell on what may be the peak."""
        if len(self.surface.parts) == 1:
            return skin.without_shade()
        bright = np.sum([skin.without_shade().dose_mgy(case) for case in self.cases], axis=0)
        high = bright >= constants("skin_map")["near_share"].number * self._whole.max()
        return skin.without_shade() if np.allclose(bright[high], self._whole[high]) else skin

    def ratio(self, change: Change) -> float:
        """With every case changed."""
        return self._skin.peak_mgy([change(case) for case in self.cases]) / self._peak

    def ratio_anywhere(self, change: Change) -> float:
        """With every case changed in a way that may bring the peak to another place on the body."""
        changed = [change(case) for case in self.cases]
        coarse = np.sum([self._skin.dose_mgy(case) for case in changed], axis=0)
        if not coarse.max() > 0:
            return 0.0
        return self._skin.with_skin_round(coarse, self.surface).peak_mgy(changed) / self._peak

    def ratio_shifted(self, name: str, distances_mm: Sequence[float]) -> float:
        """With the body of each case moved along the axis `name`; computed once."""
        key = (name, tuple(distances_mm))
        if key not in self._shifts:
            moved = [
                shifted(c, axis=AXES[name], distance_mm=d)
                for c, d in zip(self.cases, distances_mm, strict=True)
            ]
            self._shifts[key] = self._skin.peak_mgy(moved) / self._peak
        return self._shifts[key]

    def ratio_of_one(self, number: int, change: Change) -> float:
        """With one case changed and the others as they are."""
        other = self._whole - self._doses[number] + self._skin.dose_mgy(change(self.cases[number]))
        return float(other.max()) / self._peak

    def ratio_scaled(self, factor: float, *, about: Point) -> float:
        """On a body of another girth whose axis through `about` stays; the table lies where its skin is."""
        on_table = [with_table_under(case, self._pad_moves(case, factor, about)) for case in self.cases]
        return self._skin.scaled(factor, about=about).peak_mgy(on_table) / self._peak

    def _pad_moves(self, case: PlacedCase, factor: float, about: Point) -> FloatArray:
        x, y, _ = np.asarray(pad_contact(self.surface, case.position)) - np.asarray(about)
        return np.array([x, y, 0.0]) * (factor - 1)

    def directions(self) -> tuple[_Variation, ...]:
        """Settings that were not tried on the system, the other way round; computed once."""
        if self._directions is None:
            self._directions = tuple(_of_directions(self))
        return self._directions

    def most(self) -> int:
        """Number of the case that gives most to the peak."""
        index = int(self._whole.argmax())
        return int(np.argmax([dose[index] for dose in self._doses]))


def recomputed(again: Recomputation, at_peak: Sequence[AtPeak]) -> Recomputed:
    """The parts of the doubt that no fixed number can give.

    Notes
    -----
    For a shift of one standard uncertainty to either side the peak changes by a and b; its standard
    uncertainty is taken as the root of the mean of their squares, so that a peak which falls on both
    sides counts too. Axes are in quadrature. What the doubt of distance already counts is taken off.
    """
    return Recomputed(
        position=_position(again, at_peak),
        directions=_directions(again),
        registration=_registration(again) if len(again.cases) > 1 else None,
    )


def influences(
    again: Recomputation, at_peak: Sequence[AtPeak], assumed: Sequence[Assumption], *, peak_mgy: float
) -> tuple[Influence, ...]:
    """Each input that matters with the peak at both ends of its likely range, the largest first."""
    keys = {a.key for a in assumed}
    least = constants("skin_uncertainty")["influence_least"].number / _PERCENT
    found = [
        Influence(key, text, peak_mgy * min(ratios), peak_mgy * max(ratios))
        for key, text, ratios in (
            *_of_factors(at_peak),
            *_of_the_table(again),
            *_of_the_body(again, keys),
            *_of_the_field(again, keys),
            *again.directions(),
        )
        if max(ratios) - min(ratios) >= least
    ]
    return tuple(sorted(found, key=lambda one: one.low_mgy - one.high_mgy))


def _position(again: Recomputation, at_peak: Sequence[AtPeak]) -> float:
    way = [shift_mm(case) for case in again.cases]
    back = [-one for one in way]
    square = sum(
        _mean_square(again.ratio_shifted(name, back), again.ratio_shifted(name, way)) for name in AXES
    )
    total = sum(float(a.dose_mgy.sum()) for a in at_peak)
    by_distance = sum(float((a.dose_mgy * 2 * shift_mm(a.case) / a.distance_mm).sum()) for a in at_peak)
    return sqrt(max(0.0, square - (by_distance / total) ** 2)) if total > 0 else 0.0


def _directions(again: Recomputation) -> float:
    chance = constants("skin_uncertainty")["wrong_setting_chance"].number
    return sqrt(chance * sum(max((r - 1) ** 2 for r in ratios) for _, _, ratios in again.directions()))


def _registration(again: Recomputation) -> float:
    """Each case but the one that gives most shifted against the others, along the body and across."""
    within = constants("skin_uncertainty")["registration"].number
    square = 0.0
    for number in range(len(again.cases)):
        if number == again.most():
            continue
        for axis in AXES.values():
            square += _mean_square(
                again.ratio_of_one(number, partial(shifted, axis=axis, distance_mm=-within)),
                again.ratio_of_one(number, partial(shifted, axis=axis, distance_mm=within)),
            )
    return sqrt(square)


def _of_factors(at_peak: Sequence[AtPeak]) -> Iterator[_Variation]:
    """Inputs that scale the dose: no map is needed."""
    meter = meter_half_width(at_peak)
    if meter > 0:
        yield "calibration", "air kerma meter not calibrated", (1 - meter, 1 + meter)
    quality = constants("skin_uncertainty")["coverage"].number * quality_of(at_peak)
    if quality > 0:
        yield "beam-quality", "tube voltage and filter partly assumed", (1 - quality, 1 + quality)


def _of_the_table(again: Recomputation) -> Iterator[_Variation]:
    row = constants("skin_screening")["table_transmission"]
    if any(has(case, TABLE) for case in again.cases):
        yield (
            TABLE,
            f"table and pad transmit {row.low} to {row.high}",
            tuple(
                again.ratio(_where(TABLE, partial(with_transmission, transmission=float(end))))
                for end in (row.low, row.high)
            ),
        )


def _of_the_body(again: Recomputation, keys: set[str]) -> Iterator[_Variation]:
    table = constants("skin_uncertainty")
    way = table["influence_shift"].number
    for name in AXES:
        ratios = [again.ratio_shifted(name, [d] * len(again.cases)) for d in (-way, way)]
        yield f"position-{name}", f"body {way:g} mm {_SHIFT_WORDS[name]}", tuple(ratios)
    if again.surface.kind == "sheet":
        return
    percent = table["influence_size_assumed" if "patient-size" in keys else "influence_size"].number
    about = _fixed_point(again)
    yield (
        "patient-size",
        f"body {percent:g} % thinner or thicker",
        tuple(again.ratio_scaled(factor, about=about) for factor in _ends(percent)),
    )


def _fixed_point(again: Recomputation) -> Point:
    """A body placed by its middle grows to both sides, one placed by the pad away from the pad."""
    case = again.cases[0]
    return case.origin_mm if has(case, POSITION) else pad_contact(again.surface, case.position)


def _of_the_field(again: Recomputation, keys: set[str]) -> Iterator[_Variation]:
    percent = constants("skin_uncertainty")[
        "influence_field_assumed" if "field" in keys else "influence_field"
    ].number
    yield (
        "field",
        f"sides of the field {percent:g} % shorter or longer",
        tuple(again.ratio(partial(with_field, factor=factor)) for factor in _ends(percent)),
    )


def _of_directions(again: Recomputation) -> Iterator[_Variation]:
    """Settings that were not tried on the system, the other way round."""
    for word, axis in (("across", AXES["left-right"]), ("along", AXES["head-feet"])):
        if any(has(case, TABLE_AXES) and moves_along(case, axis=axis) for case in again.cases):
            ratio = again.ratio_anywhere(_where(TABLE_AXES, partial(mirrored, axis=axis)))
            yield f"{TABLE_AXES}-{word}", f"table moves {word} the other way than set", (1.0, ratio)
    if any(has(case, ANGLE_FRAME) for case in again.cases):
        ratio = again.ratio_anywhere(_where(ANGLE_FRAME, with_other_angle_frame))
        yield ANGLE_FRAME, "angles are told in the other frame, patient or machine", (1.0, ratio)


def _where(key: str, change: Change) -> Change:
    """`change` for the cases that rest on the assumption `key`; the others stay."""
    return lambda case: change(case) if has(case, key) else case


def _ends(percent: float) -> tuple[float, float]:
    return 1 - percent / _PERCENT, 1 + percent / _PERCENT


def _mean_square(low: float, high: float) -> float:
    return ((low - 1) ** 2 + (high - 1) ** 2) / 2
