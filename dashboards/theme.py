"""Colours, sizes and type of every page and figure, in one place.

Two grounds: dark in the room, light elsewhere. Data ink is neutral; cyan, yellow and red belong
to prompts alone. Every pair of ink and ground meets WCAG 2.2 AA (1.4.3, 1.4.11); the tests
compute the ratios.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

FONT_FAMILY = 'system-ui, "Segoe UI", "Noto Sans", "Liberation Sans", Arial, sans-serif'
DIGIT_HEIGHT_EM = 0.70
"""Height of a digit as a share of the font size; 0.70 to 0.73 in the families named above."""

NUMBER_ARC_MINUTES = 30.0
"""Height of the four large numbers of the wall view, seen from the wall distance."""

LABEL_TO_NUMBER = 18.0 / 26.0
"""Height of a wall label as a share of the least number height: 18 mm to 26 mm at 3 m."""

MILLIMETRES_PER_METRE = 1000.0


@dataclass(frozen=True, slots=True)
class Ground:
    """The colours of one ground, as #RRGGBB.

    ground, raised : page and panel
    ink, quiet : text and secondary text, at least 4.5:1 on both
    rule : hairlines that carry no meaning; edge : borders of controls, at least 3:1
    radiation, contrast : the data ink of the two lanes, told apart by form as well
    grid : faint lines of figures; band : the hatched range ahead of now
    notify, decide, alarm : cyan, yellow and red, for prompts only
    """

    name: str
    ground: str
    raised: str
    ink: str
    quiet: str
    rule: str
    edge: str
    radiation: str
    contrast: str
    grid: str
    band: str
    notify: str
    decide: str
    alarm: str

    def css_variables(self) -> dict[str, str]:
        """The colours as CSS custom properties, for the style of the page's outermost element."""
        names = (
            "ground", "raised", "ink", "quiet", "rule", "edge", "radiation", "contrast", "grid", "band",
            "notify", "decide", "alarm",
        )  # fmt: skip
        return {f"--{name}": str(getattr(self, name)) for name in names}


DARK = Ground(
    name="dark",
    ground="#101418",
    raised="#191F25",
    ink="#F2F2F2",
    quiet="#AEB6BF",
    rule="#2C343C",
    edge="#77828E",
    radiation="#F2F2F2",
    contrast="#AC97E0",
    grid="#242B32",
    band="#8B949E",
    notify="#4FD3E6",
    decide="#FFD84D",
    alarm="#FF7A70",
)

LIGHT = Ground(
    name="light",
    ground="#FFFFFF",
    raised="#F5F6F7",
    ink="#15191D",
    quiet="#525B65",
    rule="#DDE1E5",
    edge="#767F89",
    radiation="#15191D",
    contrast="#5A3FA0",
    grid="#E9ECEE",
    band="#6B747E",
    notify="#00697A",
    decide="#7A5600",
    alarm="#A8201A",
)

SEQUENTIAL = "cividis"
"""Colour scale of continuous maps, always with labelled contours."""


def luminance(colour: str) -> float:
    """Relative luminance of `colour` (#RRGGBB), 0 to 1.

    References
    ----------
    WCAG 2.2, definition of relative luminance.
    """
    channels = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast_ratio(first: str, second: str) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.2, 1.4.3)."""
    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@dataclass(frozen=True, slots=True)
class WallSizes:
    """Sizes of the wall view in CSS vw: font size of the numbers and of their labels."""

    number_vw: float
    label_vw: float


def digit_height_mm(distance_m: float) -> float:
    """Height of a digit that spans 30 arc minutes at `distance_m` [mm].

    Examples
    --------
    >>> round(digit_height_mm(3.0), 1)
    26.2
    """
    return distance_m * MILLIMETRES_PER_METRE * math.tan(math.radians(NUMBER_ARC_MINUTES / 60))


def wall_sizes(*, screen_width_mm: float, distance_m: float) -> WallSizes:
    """The least font sizes of numbers and labels on a wall screen of `screen_width_mm`."""
    number_mm = digit_height_mm(distance_m) / DIGIT_HEIGHT_EM
    number_vw = 100 * number_mm / screen_width_mm
    return WallSizes(number_vw=number_vw, label_vw=number_vw * LABEL_TO_NUMBER)
