"""What every figure shares: type, ground, grid, and how it is printed and kept still."""

from __future__ import annotations

from typing import Any

from dashboards.theme import FONT_FAMILY, Ground

GRAPH_CONFIG: dict[str, Any] = {
    "displaylogo": False,
    "displayModeBar": False,
    "responsive": True,
    "scrollZoom": False,
    "showTips": False,
}
GRAPH_CONFIG_WITH_SAVE: dict[str, Any] = {
    **GRAPH_CONFIG,
    "displayModeBar": "hover",
    "modeBarButtons": [["toImage", "resetScale2d"]],
}


def base_layout(ground: Ground, *, uirevision: str, font_size: int = 14) -> dict[str, Any]:
    """Layout common to every figure; `uirevision` keeps a reader's zoom while data arrive."""
    return {
        "template": None,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": FONT_FAMILY, "size": font_size, "color": ground.ink},
        "margin": {"l": 8, "r": 8, "t": 8, "b": 8},
        "showlegend": False,
        "hovermode": "closest",
        "hoverlabel": {
            "bgcolor": ground.raised,
            "bordercolor": ground.edge,
            "font": {"family": FONT_FAMILY, "color": ground.ink},
        },
        "uirevision": uirevision,
        "transition": {"duration": 0},
    }


def axis(ground: Ground, **settings: Any) -> dict[str, Any]:
    """An axis in the house's hand: quiet labels, faint grid, no zero line."""
    return {
        "color": ground.quiet,
        "gridcolor": ground.grid,
        "linecolor": ground.rule,
        "tickcolor": ground.rule,
        "zeroline": False,
        "showline": False,
        "ticks": "",
        "automargin": True,
        **settings,
    }
