"""How radiation levels are written on a screen and said aloud."""

from __future__ import annotations

_ONES = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS = ("ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen")
_SMALL = (*_ONES, *_TEENS, "eighteen", "nineteen")
_TENS = ("", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
_MGY_PER_GY = 1000.0
_SECONDS_PER_MINUTE = 60.0
_LABELS = {
    "reference_air_kerma_mgy": ("Ka,r {} Gy", "reference kerma {} gray", _MGY_PER_GY),
    "dose_area_product_gycm2": ("DAP {} Gy·cm²", "dose area product {} gray square centimetres", 1.0),
    "fluoroscopy_time_s": ("time {} min", "fluoroscopy time {} minutes", _SECONDS_PER_MINUTE),
    "peak_skin_dose_mgy": (
        "skin, est. upper end {} Gy",
        "estimated skin dose, upper end, {} gray",
        _MGY_PER_GY,
    ),
}


def level_name(quantity: str, level: float) -> str:
    """What a level is called on screen; `level` in the unit of the quantity's name.

    Examples
    --------
    >>> level_name("reference_air_kerma_mgy", 3000.0)
    'Ka,r 3 Gy'
    """
    written, _, divisor = _LABELS[quantity]
    return written.format(_short(level / divisor))


def level_phrase(quantity: str, level: float, *, plane: str | None = None) -> str:
    """A phrase to say aloud, naming quantity and plane.

    Examples
    --------
    >>> level_phrase("reference_air_kerma_mgy", 3000.0, plane="a")
    'reference kerma three gray, plane A'
    """
    _, said, divisor = _LABELS[quantity]
    where = f", plane {plane.upper()}" if plane in ("a", "b") else ""
    return said.format(number_in_words(float(_short(level / divisor)))) + where


def number_in_words(number: float) -> str:
    """A number from 0 to 999 999 in words; decimals digit by digit.

    Examples
    --------
    >>> number_in_words(2.5), number_in_words(180)
    ('two point five', 'one hundred and eighty')
    """
    whole, _, decimals = f"{number:.10g}".partition(".")
    words = _whole_in_words(int(whole))
    return words if not decimals else f"{words} point {' '.join(_SMALL[int(d)] for d in decimals)}"


def _whole_in_words(number: int) -> str:
    if number < 20:
        return _SMALL[number]
    if number < 100:
        tens, ones = divmod(number, 10)
        return _TENS[tens] + (f"-{_SMALL[ones]}" if ones else "")
    if number < 1000:
        hundreds, rest = divmod(number, 100)
        return f"{_SMALL[hundreds]} hundred" + (f" and {_whole_in_words(rest)}" if rest else "")
    thousands, rest = divmod(number, 1000)
    joint = " and " if 0 < rest < 100 else " "
    return f"{_whole_in_words(thousands)} thousand" + (joint + _whole_in_words(rest) if rest else "")


def _short(number: float) -> str:
    """At most four significant digits, no exponent, no trailing zeros."""
    rounded = float(f"{number:.4g}")
    return f"{rounded:.4f}".rstrip("0").rstrip(".")
