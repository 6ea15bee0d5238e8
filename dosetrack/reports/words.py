"""Numbers, names and dates as they stand on paper. Missing is 'not known', never 0.

A number is never shown on the other side of a level than it stands.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal
from zoneinfo import ZoneInfo

from dosetrack.records.report import Patient

NOT_KNOWN = "not known"
KERMA, DAP, TIME = "reference_air_kerma_mgy", "dose_area_product_gycm2", "fluoroscopy_time_s"
BASIS_WORDS = {
    "stated": "stated by the machine",
    "summed": "summed from events",
    "typed": "typed from the console",
    "corrected": "corrected by the meter's factor",
    "entered": "as entered",
    "estimated": "estimated",
    "map": "estimated, from the skin dose map",
}
_MGY_PER_GY, _S_PER_MIN = 1000, 60
_PLANES = {"single": "one plane", "a": "plane A", "b": "plane B", "all": "all planes"}


def held(value: float, decimals: int, *, levels: Iterable[float] = (), divisor: int = 1) -> str:
    """`value` ÷ `divisor` to `decimals` places, never shown on the other side of one of `levels`.

    Examples
    --------
    >>> held(2996.0, 1, levels=[3000.0], divisor=1000), held(2996.0, 1, divisor=1000)
    ('2.9', '3.0')
    """
    step = Decimal(1).scaleb(-decimals)
    exact = Decimal(repr(round(value, 9))) / divisor
    near = exact.quantize(step, ROUND_HALF_UP)
    for level in levels:
        edge = Decimal(repr(level)) / divisor
        if exact < edge <= near:
            near = exact.quantize(step, ROUND_FLOOR)
        elif near < edge <= exact:
            near = exact.quantize(step, ROUND_CEILING)
    return f"{near:f}"


def quantity_words(quantity: str, value: float | None, *, levels: Iterable[float] = ()) -> str:
    """A value of `quantity` with its unit.

    Examples
    --------
    >>> quantity_words("reference_air_kerma_mgy", 3412.4), quantity_words("fluoroscopy_time_s", 2460.0)
    ('3412 mGy', '41.0 min')
    >>> quantity_words("dose_area_product_gycm2", None)
    'not known'
    """
    if value is None:
        return NOT_KNOWN
    if quantity in (KERMA, "peak_skin_dose_mgy"):
        return f"{held(value, 0 if value >= 100 else 1, levels=levels)} mGy"
    if quantity == DAP:
        return f"{held(value, 1, levels=levels)} Gy·cm²"
    if quantity == TIME:
        return f"{held(value, 1, levels=levels, divisor=_S_PER_MIN)} min"
    if quantity == "contrast_ml":
        return f"{used(value)} mL"
    if quantity == "iodine_g":
        return f"{used(value, 1)} g"
    return f"{value:g}"


def gray_words(value_mgy: float | None, *, levels: Iterable[float] = ()) -> str:
    """A kerma for a patient: gray to one decimal, below 1 gray to two.

    Examples
    --------
    >>> gray_words(6111.0), gray_words(412.0), gray_words(None)
    ('6.1 gray', '0.41 gray', 'not known')
    """
    if value_mgy is None:
        return NOT_KNOWN
    decimals = 1 if value_mgy >= _MGY_PER_GY else 2
    return f"{held(value_mgy, decimals, levels=levels, divisor=_MGY_PER_GY)} gray"


def used(value: float, decimals: int = 0) -> str:
    """What was given, rounded up."""
    step = Decimal(1).scaleb(-decimals)
    return f"{Decimal(repr(round(value, 6))).quantize(step, ROUND_CEILING):f}"


def counted(number: int, word: str) -> str:
    """'1 injection', '2 injections'."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def basis_words(basis: str) -> str:
    """Where a number came from, in words."""
    return " and ".join(BASIS_WORDS.get(part, part) for part in basis.split(" + "))


def plane_words(plane: str | None) -> str:
    """'plane A'; 'one plane' where the system has no other."""
    return _PLANES.get(plane or "", plane or "")


def person(name: str | None) -> str:
    """A DICOM person name as people write it, other writings of it in brackets.

    Examples
    --------
    >>> person("Larsen^Ida^^Dr"), person("Yamada^Tarou=山田^太郎"), person(None)
    ('Dr Ida Larsen', 'Tarou Yamada (山田 太郎)', 'not known')
    """
    if not name or not name.strip("^= "):
        return NOT_KNOWN
    latin, *others = (_one_writing(group, is_first=n == 0) for n, group in enumerate(name.split("=")))
    also = [other for other in others if other]
    if not latin:
        return also[0]
    return f"{latin} ({', '.join(also)})" if also else latin


def _one_writing(group: str, *, is_first: bool) -> str:
    family, given, middle, prefix, suffix = (*group.split("^"), "", "", "", "", "")[:5]
    parts = (prefix, given, middle, family, suffix) if is_first else (family, given, middle)
    return " ".join(part.strip() for part in parts if part.strip())


def moment(at: datetime | None, zone: ZoneInfo) -> str:
    """'2026-03-02 10:41', local."""
    return NOT_KNOWN if at is None else at.astimezone(zone).strftime("%Y-%m-%d %H:%M")


def sent_moment(text: str | None) -> str:
    """A time as a machine sent it, to the minute."""
    return NOT_KNOWN if not text else text[:16].replace("T", " ")


def two_identifiers(patient: Patient) -> tuple[tuple[str, str], ...]:
    """Name, number and birth date, each by its own name; what nobody told is 'not known'."""
    number = patient.id or NOT_KNOWN
    if patient.id and patient.id_issuer:
        number = f"{patient.id} ({patient.id_issuer})"
    return (
        ("Name", person(patient.name)),
        ("Patient number", number),
        ("Born", patient.birth_date or NOT_KNOWN),
    )


def joined(*parts: str | None, by: str = ", ") -> str:
    """The parts that say something."""
    return by.join(part for part in parts if part)
