"""Wording and rounding of the month: what each quantity is called, and how its numbers are printed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from dashboards.view_models import rounded
from dosetrack.audit import AgeGroup

MISSING = "–"
"""What stands in a table where a number is not known; the head of the table says so."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One audited quantity as the pages show it.

    key : of the audit, ending in its unit
    words, unit : on screen
    divisor : from the key's unit to the shown one
    decimals : shown from 100 on, below 100, below 10
    """

    key: str
    words: str
    unit: str
    divisor: int = 1
    decimals: tuple[int, int, int] = (0, 0, 1)

    @property
    def title(self) -> str:
        """Words and unit: 'DAP [Gy·cm²]'."""
        return f"{self.words} [{self.unit}]"

    def shown(self, value: float | None) -> str:
        """`value`, in the unit of the key, as it is printed without its unit."""
        if value is None:
            return MISSING
        scaled = abs(value) / self.divisor
        place = 0 if scaled >= 100 else 1 if scaled >= 10 else 2
        return rounded(value, self.decimals[place], divisor=self.divisor)

    def scaled(self, value: float | None) -> float | None:
        """`value` in the shown unit, for an axis."""
        return None if value is None else value / self.divisor


QUANTITIES = {
    quantity.key: quantity
    for quantity in (
        Quantity("dose_area_product_gycm2", "DAP", "Gy·cm²", decimals=(0, 1, 2)),
        Quantity("reference_air_kerma_mgy", "Ka,r", "mGy", decimals=(0, 0, 1)),
        Quantity("fluoroscopy_time_s", "Fluoroscopy time", "min", divisor=60, decimals=(0, 1, 1)),
        Quantity("contrast_ml", "Contrast", "mL", decimals=(0, 0, 1)),
        Quantity("iodine_g", "Iodine", "g", decimals=(0, 1, 1)),
    )
}
FIRST_QUANTITY = "dose_area_product_gycm2"


def quantity_named(key: str | None) -> Quantity:
    """The quantity `key`, DAP when there is none of that name."""
    return QUANTITIES.get(key or FIRST_QUANTITY, QUANTITIES[FIRST_QUANTITY])


def quantity_words(key: str) -> str:
    """What a quantity is called inside a sentence."""
    found = QUANTITIES.get(key)
    if found is None:
        return "skin dose" if key == "peak_skin_dose_mgy" else key
    return found.words if found.words in ("DAP", "Ka,r") else found.words.lower()


def group_name(procedure: str | None, age_group: AgeGroup = AgeGroup.ADULT) -> str:
    """A procedure as a row is called; the under-18s are named apart, they are never pooled."""
    name = procedure or "not told"
    return f"{name}, {age_group.value}" if age_group is AgeGroup.UNDER_18 else name


def month_words(month: str) -> str:
    """'2026-10' as 'October 2026'."""
    return f"{date.fromisoformat(month + '-01'):%B %Y}"


def is_month(text: str | None) -> bool:
    """Whether `text` is a month 'YYYY-MM'."""
    try:
        return len(text or "") == len("YYYY-MM") and bool(date.fromisoformat(f"{text}-01"))
    except ValueError:
        return False


def first_day(month: str) -> str:
    """The first day of a month 'YYYY-MM'."""
    return f"{month}-01"


def last_day(month: str) -> str:
    """The last day of a month 'YYYY-MM'."""
    year, number = int(month[:4]), int(month[5:7])
    following = date(year + number // 12, number % 12 + 1, 1)
    return date.fromordinal(following.toordinal() - 1).isoformat()


def neighbours(months: tuple[str, ...], month: str) -> tuple[str | None, str | None]:
    """The month before and the month after `month` among those that hold cases."""
    earlier = [m for m in months if m < month]
    later = [m for m in months if m > month]
    return (earlier[-1] if earlier else None), (later[0] if later else None)


def share_words(count: int, of: int) -> str:
    """'3 of 41 (7.3 %)'; nearly all is never shown as all, hardly any never as none.

    Examples
    --------
    >>> share_words(999, 1000), share_words(1, 3000)
    ('999 of 1000 (over 99\u2009%)', '1 of 3000 (under 0.1\u2009%)')
    """
    if of == 0:
        return "none recorded"
    percent = 100 * count / of
    if 0 < percent < 0.1:
        share = "under 0.1"
    elif 99 < percent < 100:
        share = "over 99"
    else:
        share = f"{percent:.{1 if 0 < percent < 10 else 0}f}"
    return f"{count} of {of} ({share}\u2009%)"


def letters(place: int) -> str:
    """The pseudonym at `place`: A ... Z, AA, AB ..."""
    text = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        text = chr(ord("A") + rest) + text
    return text
