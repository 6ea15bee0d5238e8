"""Skin doses, levels and gantry views in words, the same on screen, on paper and in the terminal.

A dose is never shown on the other side of a level than it stands; the low end of a range is
rounded down and its high end up.
"""

from __future__ import annotations

from collections.abc import Iterable
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal

from dosetrack.skin.peak import levels_mgy

NOT_KNOWN = "not known"
_MGY_PER_GY = 1000
_DECIMALS_GY = 1


def dose_words(value_mgy: float | None) -> str:
    """A skin dose: whole mGy below 1 Gy, tenths of a Gy from there on.

    Examples
    --------
    >>> dose_words(2449.0), dose_words(1980.0), dose_words(1949.0), dose_words(412.3), dose_words(None)
    ('2.4 Gy', '1.9 Gy', '1.9 Gy', '412 mGy', 'not known')
    """
    if value_mgy is None:
        return NOT_KNOWN
    text, unit = dose_and_unit(value_mgy)
    return f"{text} {unit}"


def dose_and_unit(value_mgy: float) -> tuple[str, str]:
    """A skin dose as (digits, unit), as in `dose_words`."""
    if value_mgy < _MGY_PER_GY:
        return _near(value_mgy, 0, edges=(_MGY_PER_GY,), divisor=1), "mGy"
    return _near(value_mgy, _DECIMALS_GY, edges=levels_mgy(), divisor=_MGY_PER_GY), "Gy"


def range_words(low_mgy: float, high_mgy: float) -> str:
    """A range in one unit.

    Examples
    --------
    >>> range_words(1640.0, 3610.0), range_words(120.4, 980.2), range_words(900.0, 1960.0)
    ('1.6–3.7 Gy', '120–981 mGy', '0.9–1.9 Gy')
    """
    if high_mgy < _MGY_PER_GY:
        low = Decimal(repr(low_mgy)).to_integral_value(ROUND_FLOOR)
        return f"{low:f}–{_up(high_mgy, 0, edges=(_MGY_PER_GY,), divisor=1)} mGy"
    step = Decimal(1).scaleb(-_DECIMALS_GY)
    low = (Decimal(repr(low_mgy)) / _MGY_PER_GY).quantize(step, ROUND_FLOOR)
    return f"{low:f}–{_up(high_mgy, _DECIMALS_GY, edges=levels_mgy(), divisor=_MGY_PER_GY)} Gy"


def level_words(value_mgy: float) -> str:
    """A level or a line of equal dose: '2 Gy', '500 mGy'."""
    if value_mgy >= _MGY_PER_GY:
        return f"{value_mgy / _MGY_PER_GY:g} Gy"
    return f"{value_mgy:g} mGy"


def view_words(
    start_deg: tuple[float, float], end_deg: tuple[float | None, float | None] = (None, None)
) -> str:
    """A gantry view from its primary and secondary angle; of an arc both ends.

    Examples
    --------
    >>> view_words((30.2, -19.8)), view_words((0.0, 0.0)), view_words((-90.0, 0.0), (90.0, None))
    ('LAO 30° CAU 20°', '0°', 'RAO 90° to LAO 90°')
    """
    first = _view(*start_deg)
    last = _view(*(s if e is None else e for s, e in zip(start_deg, end_deg, strict=True)))
    return first if last == first else f"{first} to {last}"


def _view(primary_deg: float, secondary_deg: float) -> str:
    named = [_angle(primary_deg, "LAO", "RAO"), _angle(secondary_deg, "CRA", "CAU")]
    return " ".join(word for word in named if word) or "0°"


def _angle(value_deg: float, positive: str, negative: str) -> str:
    whole = round(value_deg)
    return f"{positive if whole > 0 else negative} {abs(whole)}°" if whole else ""


def _near(value: float, decimals: int, *, edges: Iterable[float], divisor: int) -> str:
    step = Decimal(1).scaleb(-decimals)
    exact = Decimal(repr(value)) / divisor
    near = exact.quantize(step, ROUND_HALF_UP)
    if any(exact < Decimal(repr(edge)) / divisor <= near for edge in edges):
        near = exact.quantize(step, ROUND_FLOOR)
    return f"{near:f}"


def _up(value: float, decimals: int, *, edges: Iterable[float], divisor: int) -> str:
    step = Decimal(1).scaleb(-decimals)
    exact = Decimal(repr(round(value, 9))) / divisor
    high = exact.quantize(step, ROUND_CEILING)
    if any(exact < Decimal(repr(edge)) / divisor <= high for edge in edges):
        high = exact.quantize(step, ROUND_FLOOR)
    return f"{high:f}"
