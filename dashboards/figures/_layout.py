"""What the figures of the month and the operators share: ground, fonts, and axes that can be read."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import plotly.graph_objects as go

from dashboards.theme import FONT_FAMILY, LIGHT, Ground

STEPS = (1, 2, 5)
FINER = (1, 1.5, 2, 3, 4, 5, 7)
FINEST = tuple(step / 10 for step in range(10, 100, 2))
FEWEST_TICKS = 4
FONT_PX = 13
SMALL_PX = 12


def blank_figure(*, height: int, ground: Ground = LIGHT, left: int = 60, right: int = 20) -> go.Figure:
    """A figure with the page's ground and type and nothing in it."""
    figure = go.Figure()
    figure.update_layout(
        height=height,
        margin={"l": left, "r": right, "t": 24, "b": 48},
        paper_bgcolor=ground.ground,
        plot_bgcolor=ground.ground,
        font={"family": FONT_FAMILY, "size": FONT_PX, "color": ground.ink},
        hoverlabel={"font": {"family": FONT_FAMILY, "size": FONT_PX}},
        showlegend=False,
        dragmode=False,
    )
    return figure


def axis_style(title: str, *, ground: Ground = LIGHT) -> dict[str, Any]:
    """Title, grid and line of one axis."""
    return {
        "title": {"text": title, "font": {"size": FONT_PX, "color": ground.quiet}},
        "gridcolor": ground.grid,
        "linecolor": ground.rule,
        "zeroline": False,
        "tickfont": {"size": SMALL_PX, "color": ground.quiet},
        "fixedrange": True,
    }


def log_axis(title: str, values: Iterable[float], *, ground: Ground = LIGHT) -> dict[str, Any]:
    """A logarithmic axis over the positive `values`, with ticks at 1, 2 and 5 written out.

    A logarithmic axis has no place for zero: values of zero or less are left to the table.
    """
    low, high = log_range(values)
    ticks = readable_ticks(low, high)
    return {
        **axis_style(title, ground=ground),
        "type": "log",
        "range": [math.log10(low), math.log10(high)],
        "tickvals": ticks,
        "ticktext": [tick_text(tick) for tick in ticks],
    }


def log_range(values: Iterable[float]) -> tuple[float, float]:
    """Ends of a logarithmic axis: a little wider than the positive `values`; 1 to 10 when none."""
    positive = [value for value in values if value > 0]
    if not positive:
        return 1.0, 10.0
    return min(positive) / 1.3, max(positive) * 1.3


def readable_ticks(low: float, high: float) -> list[float]:
    """Round numbers from `low` to `high`: 1, 2 and 5 times a power of ten, powers alone over a wide range.

    A narrow range takes finer steps, so that an axis never stands with fewer than four ticks.
    """
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks: list[float] = []
    for steps in (STEPS if len(decades) <= 4 else (1,), FINER, FINEST):
        ticks = [step * 10.0**decade for decade in decades for step in steps]
        ticks = [tick for tick in ticks if low <= tick <= high]
        if len(ticks) >= FEWEST_TICKS:
            break
    return ticks


def tick_text(tick: float) -> str:
    """'0.5', '20', '5 000': no powers, thousands set apart."""
    return f"{tick:,.6g}".replace(",", "\u202f")
