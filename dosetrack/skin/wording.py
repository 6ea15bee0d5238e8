"""Skin doses, levels and gantry views in words, the same on screen, on paper and in the terminal.

A dose is never shown on the other side of a level than it stands; the low end of a range is
rounded down and its high end up.
"""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal

from dosetrack.skin.peak import levels_mgy
from dosetrack.tables import constants

NOT_KNOWN = "not known"
_MGY_PER_GY = 1000
_FIGURES = "shown_figures"


def dose_words(value_mgy: float | None) -> str:
    """A skin dose in two figures: mGy below 1 Gy, Gy from there on.

    Examples
    --------
    >>> dose_words(2449.0), dose_words(1980.0), dose_words(11524.0), dose_words(412.3), dose_words(None)
    ('2.4 Gy', '1.9 Gy', '12 Gy', '410 mGy', 'not known')
    """
    if value_mgy is None:
        return NOT_KNOWN
    text, unit = dose_and_unit(value_mgy)
    return f"{text} {unit}"


def dose_and_unit(value_mgy: float) -> tuple[str, str]:
    """A skin dose as (digits, unit), as in `dose_words`."""
    if value_mgy < _MGY_PER_GY:
        return _digits(_held(value_mgy, ROUND_HALF_UP)), "mGy"
    return _digits(_held(value_mgy, ROUND_HALF_UP), divisor=_MGY_PER_GY), "Gy"


def range_words(low_mgy: float, high_mgy: float) -> str:
    """A range in one unit, in two figures each.

    Examples
    --------
    >>> range_words(1640.0, 3610.0), range_words(120.4, 980.2), range_words(900.0, 1960.0)
    ('1.6–3.7 Gy', '120–990 mGy', '0.9–1.9 Gy')
    """
    divisor, unit = (1, "mGy") if high_mgy < _MGY_PER_GY else (_MGY_PER_GY, "Gy")
    low, high = (
        _digits(_held(v, r), divisor=divisor) for v, r in ((low_mgy, ROUND_FLOOR), (high_mgy, ROUND_CEILING))
    )
    return f"{low}–{high} {unit}"


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


def _held(value_mgy: float, rounding: str) -> Decimal:
    """The dose in two figures [mGy], never on the other side of a level or of 1 Gy than it stands."""
    exact = Decimal(repr(round(value_mgy, 9)))
    if exact <= 0:
        return Decimal(0)
    step = Decimal(1).scaleb(exact.adjusted() - int(constants("skin_map")[_FIGURES].number) + 1)
    near = (exact / step).to_integral_value(rounding) * step
    if any(exact < edge <= near for edge in map(Decimal, map(repr, (_MGY_PER_GY, *levels_mgy())))):
        near = (exact / step).to_integral_value(ROUND_FLOOR) * step
    return near


def _digits(value_mgy: Decimal, *, divisor: int = 1) -> str:
    """Plain digits: no exponent, no zeros past the figures shown."""
    text = f"{(value_mgy / divisor).normalize():f}"
    if divisor > 1 and "." not in text and value_mgy < 10 * divisor:
        return f"{text}.0"
    return text
