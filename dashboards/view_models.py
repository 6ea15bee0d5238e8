"""Rounding, units and wording of numbers for the screen: the only place where numbers become text.

Rules: used amounts round up and limits down; no number is shown on the other side of a level than
it stands; missing is 'not known'; an estimate carries its range; a unit stands beside its number.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal
from zoneinfo import ZoneInfo

NOT_KNOWN = "not known"
_MGY_PER_GY = 1000
_GY_FROM_MGY = 1000.0
"""From this kerma on a value is shown in Gy [mGy]."""

BASIS_WORDS = {
    "stated": "stated by the machine",
    "summed": "summed from events",
    "typed": "typed from the console",
    "entered": "as entered",
    "corrected": "corrected by the meter's factor",
    "estimated": "estimated",
    "map": "estimated, from the skin dose map",
}
BASIS_SHORT = {"stated": "stated", "summed": "summed", "typed": "typed", "corrected": "corrected"}
PLANE_WORDS = {"single": "", "a": "plane A", "b": "plane B", "all": "all planes"}


@dataclass(frozen=True, slots=True)
class Shown:
    """One number ready to be shown.

    text : digits, or 'not known'
    notes : short lines below: range, basis, age
    """

    label: str
    text: str
    unit: str = ""
    notes: tuple[str, ...] = ()
    is_estimated: bool = False
    is_stale: bool = False
    is_unknown: bool = False

    @property
    def spoken(self) -> str:
        """Label, value and unit as one phrase."""
        return " ".join(part for part in (self.label, self.text, self.unit) if part)


def unknown(label: str, *notes: str) -> Shown:
    """A number that is not known, with why where that is known."""
    return Shown(label=label, text=NOT_KNOWN, notes=notes, is_unknown=True)


def rounded(value: float, decimals: int, *, levels: Iterable[float] = (), divisor: int = 1) -> str:
    """`value` ÷ `divisor` to `decimals` places, never shown on the other side of one of `levels`.

    Examples
    --------
    >>> rounded(2996.0, 1, levels=[3000.0], divisor=1000)
    '2.9'
    >>> rounded(2996.0, 1, divisor=1000)
    '3.0'
    """
    step = Decimal(1).scaleb(-decimals)
    exact = Decimal(repr(value)) / divisor
    near = exact.quantize(step, ROUND_HALF_UP)
    for level in levels:
        edge = Decimal(repr(level)) / divisor
        if exact < edge <= near:
            near = exact.quantize(step, ROUND_FLOOR)
        elif near < edge <= exact:
            near = exact.quantize(step, ROUND_CEILING)
    return f"{near:f}"


def rounded_up(value: float, decimals: int, *, levels: Iterable[float] = (), divisor: int = 1) -> str:
    """`value` ÷ `divisor` rounded up, held below a level that is not reached: for upper ends.

    Examples
    --------
    >>> rounded_up(4012.0, 1, divisor=1000), rounded_up(2990.0, 1, levels=[3000.0], divisor=1000)
    ('4.1', '2.9')
    """
    step = Decimal(1).scaleb(-decimals)
    exact = Decimal(repr(round(value, 9))) / divisor
    high = exact.quantize(step, ROUND_CEILING)
    if any(exact < Decimal(repr(level)) / divisor <= high for level in levels):
        high = exact.quantize(step, ROUND_FLOOR)
    return f"{high:f}"


def up(value: float, decimals: int = 0) -> str:
    """`value` rounded up: for what was used."""
    return _quantized(value, decimals, ROUND_CEILING)


def down(value: float, decimals: int = 0) -> str:
    """`value` rounded down: for limits."""
    return _quantized(value, decimals, ROUND_FLOOR)


def _quantized(value: float, decimals: int, rounding: str) -> str:
    exact = Decimal(repr(round(value, 9)))  # the ninth place holds only the noise of doubles
    return f"{exact.quantize(Decimal(1).scaleb(-decimals), rounding):f}"


def kerma(value_mgy: float | None, *, levels: Iterable[float] = (), decimals: int = 2) -> tuple[str, str]:
    """A kerma or skin dose as (text, unit): mGy below 1 Gy, Gy from there on."""
    if value_mgy is None:
        return NOT_KNOWN, ""
    if value_mgy < _GY_FROM_MGY:
        text = rounded(value_mgy, 0, levels=[*levels, _GY_FROM_MGY])
        return text, "mGy"
    return rounded(value_mgy, decimals, levels=levels, divisor=_MGY_PER_GY), "Gy"


def kerma_words(value_mgy: float | None, *, levels: Iterable[float] = (), decimals: int = 2) -> str:
    """`kerma` as one phrase."""
    return " ".join(part for part in kerma(value_mgy, levels=levels, decimals=decimals) if part)


def upper_kerma(value_mgy: float, *, levels: Iterable[float] = ()) -> tuple[str, str]:
    """The upper end of an estimate as (text, unit), rounded up."""
    if value_mgy < _GY_FROM_MGY:
        return rounded_up(value_mgy, 0, levels=[*levels, _GY_FROM_MGY]), "mGy"
    return rounded_up(value_mgy, 1, levels=levels, divisor=_MGY_PER_GY), "Gy"


def kerma_range(low_mgy: float, high_mgy: float, *, levels: Iterable[float] = ()) -> str:
    """A range of doses in one unit, low end rounded down and high end up: '1.9–2.9 Gy'."""
    high, unit = upper_kerma(high_mgy, levels=levels)
    low = down(low_mgy) if unit == "mGy" else down(low_mgy / _MGY_PER_GY, 1)
    return f"{low}–{high} {unit}"


def dose_area_product(value_gycm2: float | None, *, levels: Iterable[float] = ()) -> tuple[str, str]:
    """DAP as (text, unit): whole Gy·cm² from 100 on, one decimal below."""
    if value_gycm2 is None:
        return NOT_KNOWN, ""
    decimals = 0 if value_gycm2 >= 100 else 1
    return rounded(value_gycm2, decimals, levels=levels), "Gy·cm²"


def minutes(value_s: float | None, *, levels_s: Iterable[float] = ()) -> tuple[str, str]:
    """A beam-on time as (text, unit), in minutes to one decimal."""
    if value_s is None:
        return NOT_KNOWN, ""
    return rounded(value_s, 1, levels=levels_s, divisor=60), "min"


def used_ml(value_ml: float | None, *, limits_ml: Iterable[float] = ()) -> str:
    """Millilitres used, rounded up to whole mL; with a decimal where that would reach a limit."""
    if value_ml is None:
        return NOT_KNOWN
    whole = up(value_ml)
    for limit in limits_ml:
        if value_ml < limit and float(whole) >= float(down(limit)):
            tenth = up(value_ml, 1)
            return tenth if float(tenth) < limit else down(value_ml, 1)
    return whole


def limit_ml(value_ml: float | None) -> str:
    """A limit in millilitres, rounded down to whole mL."""
    return NOT_KNOWN if value_ml is None else down(value_ml)


def iodine_g(value_g: float | None) -> str:
    """Grams of iodine, rounded up to one decimal."""
    return NOT_KNOWN if value_g is None else up(value_g, 1)


def percent_used(fraction: float | None) -> str:
    """A used share, rounded up, but 100 % only once reached."""
    if fraction is None:
        return NOT_KNOWN
    return f"{rounded_up_below(fraction * 100, 100)}\u2009%"


def rounded_up_below(value: float, level: float) -> str:
    """`value` rounded up to a whole number, held below `level` until it is there."""
    text = up(value)
    return down(value) if value < level <= float(text) else text


def distance(remaining_ml: float, name: str) -> str:
    """How far the case stands from a limit: '12 mL below 2 × CrCl', '2 mL past 2 × CrCl'."""
    amount, word = distance_parts(remaining_ml)
    return f"{amount} mL {word} {name}" if amount else f"{word} {name}"


def distance_parts(remaining_ml: float) -> tuple[str, str]:
    """(amount, word) of `distance`: ('12', 'below'), ('2', 'past') or ('', 'at')."""
    if remaining_ml >= 1:
        return down(remaining_ml), "below"
    if remaining_ml > 0:
        return "less than 1", "below"
    if remaining_ml == 0:
        return "", "at"
    return up(-remaining_ml), "past"


def forecast_words(clock_minutes: tuple[float, float] | None) -> str | None:
    """'in 13–22 min', earliest rounded down and latest up; None where no range is known."""
    if clock_minutes is None:
        return None
    low, high = (Decimal(repr(m)) for m in clock_minutes)
    return f"in {low.to_integral_value(ROUND_FLOOR)}–{high.to_integral_value(ROUND_CEILING)} min"


def clock_time(moment: datetime, zone: ZoneInfo) -> str:
    """HH:MM in `zone`."""
    return moment.astimezone(zone).strftime("%H:%M")


def day(text: str | None) -> str:
    """The day of ISO text as '3 Nov 2026'."""
    if not text:
        return NOT_KNOWN
    moment = datetime.fromisoformat(text)
    return f"{moment.day} {moment:%b %Y}"


def day_and_time(text: str | None) -> str:
    """The day and local time of ISO text: '3 Nov 2026, 09:12'."""
    if not text:
        return NOT_KNOWN
    return f"{day(text)}, {datetime.fromisoformat(text):%H:%M}"


def age(seconds: float) -> str:
    """How long ago, in words: '8 s', '2 min', '1 h 05 min', '3 days'."""
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min"
    if whole < 48 * 3600:
        return f"{whole // 3600} h {whole % 3600 // 60:02d} min"
    return f"{whole // 86400} days"


def ago(moment: datetime | None, now: datetime) -> str:
    """'8 s ago', or 'none yet'."""
    return "none yet" if moment is None else f"{age((now - moment).total_seconds())} ago"


def plane_words(plane: str | None) -> str:
    """'plane A'; '' where the system has one plane."""
    return PLANE_WORDS.get(plane or "single", plane or "")


def basis_words(basis: str) -> str:
    """Where a number came from, in words; joined bases stay joined."""
    return " + ".join(BASIS_WORDS.get(part, part) for part in basis.split(" + "))


def basis_short(basis: str) -> str:
    """Where a number came from, in one word each."""
    return " + ".join(BASIS_SHORT.get(part, part) for part in basis.split(" + "))


def person_name(text: str | None) -> str:
    """A person's name as people read it; '' when there is none.

    Names come as DICOM sends them (family^given^middle^prefix^suffix, in up to three groups of
    which the first that is not empty is shown) or as typed; those stay as they stand.

    Examples
    --------
    >>> person_name("Moreira^Olga"), person_name("Müller^Anna^^Dr"), person_name("Dr Almeida")
    ('Olga Moreira', 'Dr Anna Müller', 'Dr Almeida')
    >>> person_name("=山田^太郎=やまだ^たろう")
    '太郎 山田'

    References
    ----------
    DICOM PS3.5, 6.2.1: component groups and components of a person name.
    """
    groups = (text or "").split("=")
    group = next((g for g in groups if g.replace("^", "").strip()), "")
    if "^" not in group:
        return " ".join(group.split())
    family, given, middle, prefix, suffix = [*group.split("^"), "", "", "", "", ""][:5]
    return " ".join(" ".join((prefix, given, middle, family, suffix)).split())


def joined(*parts: str | None, by: str = " · ") -> str:
    """The parts that say something, on one line."""
    return by.join(part for part in parts if part)
