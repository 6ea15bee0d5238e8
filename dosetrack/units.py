"""Units at the edge: a number with its unit, as typed or coded, becomes a float in the house unit.

The only module that imports pint, and only when a typed unit is not in the packaged table
`ucum.csv`. That table maps (kind of quantity, UCUM code or a spelling met in the field) to the
factor into the house unit; its factors are tested against pint.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import Any

from dosetrack.errors import InputError, UnitError

HOUSE_UNITS: dict[str, str] = {
    "air_kerma": "mGy",
    "air_kerma_rate": "mGy/min",
    "angle": "deg",
    "area": "cm2",
    "charge": "uA.s",
    "count": "1",
    "creatinine_mg_dl": "mg/dL",
    "current": "mA",
    "distance": "mm",
    "dose_area_product": "Gy.cm2",
    "iodine_concentration": "mg/mL",
    "length": "cm",
    "mass": "kg",
    "rate": "1/s",
    "ratio": "1",
    "time": "s",
    "time_ms": "ms",
    "voltage": "kV",
    "volume": "mL",
    "volume_rate": "mL/s",
}
"""Kind of quantity -> unit held inside. `length` is of people [cm], `distance` of machines [mm]."""

_NUMBER_AND_UNIT = re.compile(r"([+-]?\d[\d.,]*(?:[eE][+-]?\d+)?|[+-]?[.,]\d+)\s*(.*)", re.DOTALL)
_CLOCK = re.compile(r"(?:(\d+):)?(\d+):([0-5]\d(?:[.,]\d+)?)\s*(?:h|min|s)?")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_LOOKALIKES = str.maketrans(
    {"²": "2", "³": "3", "µ": "u", "μ": "u", "·": ".", "⋅": ".", "*": ".", "×": ".", "^": "", "−": "-"}
)
_POWER_OF_TEN = re.compile(r"10*|0?\.0*1")
_PLAIN_UNIT = re.compile(r"[A-Za-z]+[23]?(?:[./][A-Za-z]+[23]?)*")
_TABLE_ONLY = frozenset({"angle", "count", "creatinine_mg_dl", "iodine_concentration", "rate", "ratio"})
"""Kinds whose dimension says too little (none, or not of which substance) for pint to judge."""
_ASCII_DECIMAL = "a decimal number such as 1.2 or 1,2, without thousands separators"


@dataclass(frozen=True, slots=True)
class UnitFactor:
    """How a unit turns into the house unit of its kind.

    factor : multiply by this
    exponent : n where the factor is exactly 10**n, else None
    canonical : the UCUM code this spelling stands for
    """

    factor: float
    exponent: int | None
    canonical: str


def canonical_spelling(code: str) -> str:
    """`code` with look-alike signs replaced and blanks made dots: 'Gy·m²' becomes 'Gy.m2'."""
    text = code.strip().translate(_LOOKALIKES)
    if any(blank in text for blank in " \t\u00a0\u202f"):
        text = ".".join(text.split())
    return text.replace("./", "/").replace("/.", "/")


def unit_factor(code: str, kind: str) -> UnitFactor | None:
    """The conversion of `code` to the house unit of `kind`; None when the table does not know it.

    Letters keep their case (UCUM: mGy is not MGy).
    """
    table = _units_of(kind)
    found = table.get(code)
    return found if found is not None else table.get(canonical_spelling(code))


@cache
def _units_of(kind: str) -> dict[str, UnitFactor]:
    return _table()[kind]


@cache
def _table() -> dict[str, dict[str, UnitFactor]]:
    from dosetrack.tables import rows

    found: dict[str, dict[str, UnitFactor]] = {kind: {} for kind in HOUSE_UNITS}
    for row in rows("ucum"):
        text = row["factor"]
        exponent = None
        if "/" in text:
            over, under = text.split("/")
            factor = float(over) / float(under)
        else:
            factor = float(text)
            if _POWER_OF_TEN.fullmatch(text):
                exponent = len(text) - 1 if text.startswith("1") else -len(text.partition(".")[2])
        found[row["kind"]][row["code"]] = UnitFactor(factor, exponent, row["canonical"])
    return found


def parse_decimal(text: str, *, field: str = "number") -> Decimal:
    """The exact decimal written in `text`; a decimal comma is read as one.

    '1,2' is 1.2 and never 12. Forms that could mean two numbers ('1,200', '1,200.5', '1 200') are
    refused.

    Raises
    ------
    InputError
        Not a plain decimal number, or one that can be read in two ways.

    Examples
    --------
    >>> parse_decimal("1,2")
    Decimal('1.2')
    """
    plain = text.strip().replace("−", "-")
    if "," in plain:
        if plain.count(",") > 1 or "." in plain or _GROUPED.fullmatch(plain):
            raise InputError(
                field=field,
                given=text,
                accepted=f"{_ASCII_DECIMAL}; this one could mean two numbers",
            )
        plain = plain.replace(",", ".")
    if not plain.isascii() or not _NUMBER.fullmatch(plain):
        raise InputError(field=field, given=text, accepted=_ASCII_DECIMAL)
    return Decimal(plain)


def parse_with_unit(
    text: str, kind: str, *, field: str, default_unit: str | None = None
) -> tuple[Decimal, str]:
    """The number in `text` with exact digits, and its unit as a UCUM code; nothing is converted.

    Parameters
    ----------
    text : number and unit, e.g. '1.20 mg/dL', '106 µmol/l'
    kind : a key of `HOUSE_UNITS`
    field : what is being read, for messages
    default_unit : unit of a bare number; None refuses bare numbers

    Raises
    ------
    UnitError
        No unit, or one of another kind.
    InputError
        No number, or one that can be read in two ways.

    Examples
    --------
    >>> parse_with_unit("106 µmol/l", "creatinine_mg_dl", field="creatinine")
    (Decimal('106'), 'umol/L')
    """
    number, unit = _split(text, kind, field=field, default_unit=default_unit)
    return number, _typed_unit(unit, kind, field=field, given=text).canonical


def parse_quantity(text: str, kind: str, *, field: str, default_unit: str | None = None) -> float:
    """The quantity in `text` as a float in the house unit of `kind` (see `HOUSE_UNITS`).

    Parameters
    ----------
    text : number and unit, e.g. '12,5 dGy·cm²', '0.4 Gy', '160 cm'; time also as '41:30' or '1:02:03'
    kind : a key of `HOUSE_UNITS`
    field : what is being read, for messages
    default_unit : unit of a bare number; None refuses bare numbers

    Raises
    ------
    UnitError
        No unit, or one of another kind.
    InputError
        No number, or one that can be read in two ways.

    Examples
    --------
    >>> parse_quantity("125 dGy·cm²", "dose_area_product", field="DAP")
    12.5
    >>> parse_quantity("41:30", "time", field="fluoroscopy time")
    2490.0
    """
    if kind in ("time", "time_ms") and ":" in text:
        return _clock_seconds(text, field=field) * (1000.0 if kind == "time_ms" else 1.0)
    number, unit = _split(text, kind, field=field, default_unit=default_unit)
    return scaled(str(number), _typed_unit(unit, kind, field=field, given=text))


def scaled(number: str, unit: UnitFactor) -> float:
    """The decimal text `number` times the factor of `unit`, rounded once where that is a power of ten."""
    if unit.exponent is not None and "e" not in number and "E" not in number:
        return float(f"{number}e{unit.exponent}")
    return float(number) * unit.factor


def accepted_units(kind: str) -> str:
    """The units a person may type for `kind`, as one phrase."""
    codes = list(dict.fromkeys(unit.canonical for unit in _units_of(kind).values()))
    extra = ", or minutes:seconds" if kind == "time" else ""
    return ", ".join(code for code in codes if not code.startswith(("[", "{"))) + extra


def _split(text: str, kind: str, *, field: str, default_unit: str | None) -> tuple[Decimal, str]:
    if kind not in HOUSE_UNITS:
        raise ValueError(f"no kind of quantity {kind!r}; known: {', '.join(HOUSE_UNITS)}")
    match = _NUMBER_AND_UNIT.fullmatch(text.strip().replace("−", "-"))
    if match is None:
        raise InputError(
            field=field, given=text, accepted=f"a number with one of the units {accepted_units(kind)}"
        )
    unit = match.group(2).strip() or default_unit
    if unit is None:
        raise UnitError(
            field=field,
            given=text,
            accepted=f"a number with its unit, one of {accepted_units(kind)}",
        )
    return parse_decimal(match.group(1), field=field), unit


def _typed_unit(unit: str, kind: str, *, field: str, given: str) -> UnitFactor:
    """The unit a person typed: exact, then whatever the case of its letters, then by pint."""
    found = unit_factor(unit, kind) or _any_case(unit, kind) or _by_pint(unit, kind)
    if found is None:
        raise UnitError(field=field, given=given, accepted=f"one of the units {accepted_units(kind)}")
    return found


def _any_case(unit: str, kind: str) -> UnitFactor | None:
    """The one unit of `kind` that `unit` spells apart from case; 'MGy' is never read as mGy."""
    spelling = canonical_spelling(unit)
    if spelling.startswith("MGy"):
        return None
    fits = [known for code, known in _units_of(kind).items() if code.lower() == spelling.lower()]
    return fits[0] if fits and len({known.factor for known in fits}) == 1 else None


def _by_pint(unit: str, kind: str) -> UnitFactor | None:
    """What pint makes of `unit`, where it is of the same dimension as the house unit."""
    if kind in _TABLE_ONLY or not _PLAIN_UNIT.fullmatch(canonical_spelling(unit)):
        return None
    import tokenize

    import pint

    not_a_unit = (
        pint.errors.PintError,
        tokenize.TokenError,
        ArithmeticError,
        AttributeError,
        SyntaxError,
        TypeError,
        ValueError,
    )
    try:
        parsed = _registry()(_for_pint(canonical_spelling(unit)))
        factor = float(parsed.to(_for_pint(HOUSE_UNITS[kind])).magnitude)
    except not_a_unit:
        return None
    return UnitFactor(factor, None, canonical_spelling(unit))


def _for_pint(code: str) -> str:
    """The UCUM-like `code` as pint spells it: 'Gy.cm2' becomes 'Gy*cm**2'."""
    return re.sub(r"([A-Za-z])([23])", r"\1**\2", code.replace(".", "*"))


@cache
def _registry() -> Callable[[str], Any]:
    import pint

    parse: Callable[[str], Any] = pint.UnitRegistry().parse_expression
    return parse


def _clock_seconds(text: str, *, field: str) -> float:
    """Seconds of 'minutes:seconds' or 'hours:minutes:seconds' [s]."""
    match = _CLOCK.fullmatch(text.strip())
    if match is None or (match.group(1) is not None and int(match.group(2)) > 59):
        raise InputError(field=field, given=text, accepted="minutes:seconds or hours:minutes:seconds")
    hours, minutes, seconds = match.groups()
    return int(hours or 0) * 3600.0 + int(minutes) * 60.0 + float(seconds.replace(",", "."))
