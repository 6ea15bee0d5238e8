"""The colours of skin dose, the same on the flat map and on the body."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import plotly.colors

from dashboards.theme import SEQUENTIAL

if TYPE_CHECKING:
    from dashboards.theme import Ground
    from dosetrack.skin.model import SkinMap

_MGY_PER_GY = 1000.0
PLAIN_SHARE = 0.002
"""Below this share of the scale skin is drawn plain: it lies outside every beam."""
_GREY_LOW, _GREY_HIGH = "#4A525B", "#FFFFFF"


def scale(ramp: str, ground: Ground) -> list[list[Any]]:
    """Colour stops: plain skin, then cividis, or greys where colour belongs to prompts."""
    stops: list[tuple[float, str]] = [(0.0, _GREY_LOW), (1.0, _GREY_HIGH)]
    if ramp != "grey":
        stops = [(float(at), str(colour)) for at, colour in plotly.colors.get_colorscale(SEQUENTIAL)]
    plain = ground.rule if ground.name == "light" else ground.raised
    rest = [[PLAIN_SHARE + at * (1 - PLAIN_SHARE), colour] for at, colour in stops]
    return [[0.0, plain], [PLAIN_SHARE, plain], *rest]


def top_mgy(skin_map: SkinMap) -> float:
    """Upper end of the scale [mGy]: the peak of the whole map, so that earlier moments compare."""
    highest = float(skin_map.dose_mgy.max()) if len(skin_map.dose_mgy) else 0.0
    return max(skin_map.peak_mgy or 0.0, highest) or _MGY_PER_GY


def colour_bar(skin_map: SkinMap, ground: Ground, *, font_size: int) -> dict[str, Any]:
    """The scale with its quantity, medium and unit."""
    return {
        "title": {
            "text": f"<i>estimated</i> dose<br>to {skin_map.medium} [Gy]",
            "font": {"size": font_size - 1, "color": ground.ink},
        },
        "tickfont": {"color": ground.quiet, "size": font_size - 2},
        "thickness": 14,
        "outlinewidth": 0,
        "len": 0.9,
    }
