"""What was typed against what the machine reported: differences, suspected slips, what is missing.

The numbers of both sides come in as they stand; nothing is put right here. A person decides.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from dosetrack.records.entries import SettledDifference
from dosetrack.tables import constants

TYPED, REPORTED, NEITHER = "typed", "reported", "neither"
CHOICES = (TYPED, REPORTED, NEITHER)
CONTRAST = "contrast_ml"
_LAST_DIGIT = {
    "reference_air_kerma_mgy": "agrees_kerma",
    "dose_area_product_gycm2": "agrees_dap",
    "fluoroscopy_time_s": "agrees_time",
}
_SAME_NUMBER = 1e-9


@dataclass(frozen=True, slots=True)
class Difference:
    """One quantity of one plane, typed and reported, in the unit of the quantity's name.

    plane : None where the quantity has none
    difference : typed minus reported
    difference_percent : of the reported value; None where that is 0 or either is missing
    slip : 'typed is 100 times the reported: cGy·cm² ...', None where none is suspected
    agrees : within the tolerance of `reconciling.csv`; None where either is missing
    """

    quantity: str
    plane: str | None
    typed: float | None
    reported: float | None
    difference: float | None = None
    difference_percent: float | None = None
    slip: str | None = None
    agrees: bool | None = None

    @property
    def missing(self) -> str | None:
        """'typed' or 'reported': the side that tells nothing."""
        if self.typed is None:
            return TYPED
        return REPORTED if self.reported is None else None

    @property
    def needs_decision(self) -> bool:
        """Whether both sides tell and do not agree."""
        return self.agrees is False


@dataclass(frozen=True, slots=True)
class GivenInjection:
    """One injection of one side. entry_id names it for a correction."""

    entry_id: str
    at: datetime
    volume_ml: float


@dataclass(frozen=True, slots=True)
class ToldTwice:
    """A typed injection and one of the injector that look like the same one."""

    typed: GivenInjection
    injector: GivenInjection
    slip: str | None = None


def compare(quantity: str, plane: str | None, *, typed: float | None, reported: float | None) -> Difference:
    """The difference of one quantity.

    Examples
    --------
    >>> found = compare("dose_area_product_gycm2", "a", typed=21400.0, reported=214.0)
    >>> found.agrees, found.slip
    (False, 'typed is 100 times the reported: cGy·cm² or µGy·m² read as Gy·cm²')
    """
    if typed is None or reported is None:
        return Difference(quantity, plane, typed, reported)
    return Difference(
        quantity=quantity,
        plane=plane,
        typed=typed,
        reported=reported,
        difference=typed - reported,
        difference_percent=100.0 * (typed - reported) / reported if reported else None,
        slip=suspected_slip(quantity, typed=typed, reported=reported),
        agrees=_agrees(quantity, typed, reported),
    )


def suspected_slip(quantity: str, *, typed: float, reported: float) -> str | None:
    """Which slip of unit or digit explains the ratio of the two; None where none does."""
    if typed <= 0 or reported <= 0:
        return None
    within = constants("reconciling")["slip_within"].number
    ratio = typed / reported
    known = [row for row in constants("slips").values() if row.applies_to == quantity]
    nearest = min(known, key=lambda row: abs(ratio / row.number - 1.0), default=None)
    if nearest is None or abs(ratio / nearest.number - 1.0) > within:
        return None
    if nearest.number >= 1:
        return f"typed is {_count(nearest.number)} times the reported: {nearest.note}"
    return f"the reported is {_count(1 / nearest.number)} times the typed: {nearest.note}"


def told_twice(typed: Sequence[GivenInjection], injector: Sequence[GivenInjection]) -> tuple[ToldTwice, ...]:
    """Typed injections that an injector told too: near in time, and alike or a slip apart in volume.

    Each injection of either side stands in one pair at most; the nearest in time are paired first.
    """
    seconds = constants("reconciling")["same_injection"].number
    near = sorted(
        (gap, one.entry_id, other.entry_id, one, other)
        for one in typed
        for other in injector
        if (gap := abs((one.at - other.at).total_seconds())) <= seconds
    )
    used: set[str] = set()
    found = []
    for _gap, one_id, other_id, one, other in near:
        slip = suspected_slip(CONTRAST, typed=one.volume_ml, reported=other.volume_ml)
        if {one_id, other_id} & used or not (_is_alike(one, other) or slip):
            continue
        used |= {one_id, other_id}
        found.append(ToldTwice(one, other, slip))
    return tuple(sorted(found, key=lambda pair: pair.typed.at))


def undecided(
    differences: Iterable[Difference], settled: Iterable[SettledDifference]
) -> tuple[Difference, ...]:
    """The differences that need a decision and have none for these very numbers."""
    decided = list(settled)
    return tuple(d for d in differences if d.needs_decision and choice_for(d, decided) is None)


def choice_for(difference: Difference, settled: Iterable[SettledDifference]) -> str | None:
    """What a person chose for this difference; None where nobody did, or the numbers changed since."""
    for one in settled:
        is_same = (one.quantity, one.plane) == (difference.quantity, difference.plane)
        if is_same and _same(one.typed, difference.typed) and _same(one.reported, difference.reported):
            return one.counts
    return None


def settle(difference: Difference, counts: str) -> SettledDifference:
    """The record of a person's choice; `counts` is one of `CHOICES`."""
    return SettledDifference(
        quantity=difference.quantity,
        plane=difference.plane,
        typed=difference.typed,
        reported=difference.reported,
        counts=counts,
        slip=difference.slip,
    )


def _agrees(quantity: str, typed: float, reported: float) -> bool:
    table = constants("reconciling")
    last_digit = table[_LAST_DIGIT[quantity]].number if quantity in _LAST_DIGIT else 0.0
    return abs(typed - reported) <= max(last_digit, table["agrees_within"].number * abs(reported))


def _is_alike(one: GivenInjection, other: GivenInjection) -> bool:
    width = constants("reconciling")["same_injection_volume"].number
    return abs(one.volume_ml - other.volume_ml) <= width * other.volume_ml


def _same(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return abs(one - other) <= _SAME_NUMBER * max(1.0, abs(one))


def _count(factor: float) -> str:
    return f"{round(factor):,}".replace(",", " ")
