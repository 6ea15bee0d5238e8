"""Cases of a month as dots, one row per procedure, over the rolling window and the reference level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from dashboards.figures._layout import SMALL_PX, axis_style, blank_figure, log_axis
from dashboards.theme import LIGHT, Ground

ROW_PX = 46
LANES = (0.0, 0.16, -0.16, 0.08, -0.08, 0.24, -0.24)
"""Where dots of one row stand, by turns, as a share of the row's height: equal values stay apart."""


@dataclass(frozen=True, slots=True)
class Dot:
    """One case. value in the unit of the strip; label says which case, for the hover text."""

    value: float
    label: str
    case_id: str


@dataclass(frozen=True, slots=True)
class Strip:
    """One row of the figure.

    n_window, median, p25, p75 : of the rolling window, None where too little is known
    reference : value of the chosen level, None when none is chosen
    note : what stands at the right end: counts, and how the median compares or why it does not
    """

    name: str
    dots: tuple[Dot, ...]
    median: float | None
    p25: float | None
    p75: float | None
    reference: float | None
    note: str


def strips_figure(strips: Sequence[Strip], *, quantity: str, unit: str, ground: Ground = LIGHT) -> go.Figure:
    """One row per procedure on one logarithmic axis [`unit`].

    Open bar: quartiles of the rolling window; upright: its median; dots: cases of the month;
    diamond: the chosen reference level.
    """
    figure = blank_figure(height=ROW_PX * max(len(strips), 1) + 90, ground=ground, left=190, right=250)
    for row, strip in enumerate(strips):
        _window(figure, row, strip, ground)
        _dots(figure, row, strip, ground, quantity, unit)
        _reference(figure, row, strip, ground)
        figure.add_annotation(
            x=1.01, xref="paper", xanchor="left", y=row, text=strip.note, showarrow=False, align="left",
            font={"size": SMALL_PX, "color": ground.quiet},
        )  # fmt: skip
    figure.update_xaxes(**log_axis(f"{quantity} [{unit}], logarithmic", _values(strips), ground=ground))
    figure.update_yaxes(
        **axis_style("", ground=ground),
        tickvals=list(range(len(strips))),
        ticktext=[strip.name for strip in strips],
        range=[len(strips) - 0.5, -0.5],
        showgrid=False,
    )
    figure.update_yaxes(tickfont={"size": 13, "color": ground.ink})
    return figure


def _values(strips: Sequence[Strip]) -> list[float]:
    found = [dot.value for strip in strips for dot in strip.dots]
    for strip in strips:
        found += [v for v in (strip.median, strip.p25, strip.p75, strip.reference) if v is not None]
    return found


def _window(figure: go.Figure, row: int, strip: Strip, ground: Ground) -> None:
    if strip.p25 is not None and strip.p75 is not None:
        figure.add_shape(
            type="rect", x0=strip.p25, x1=strip.p75, y0=row - 0.32, y1=row + 0.32, layer="below",
            line={"color": ground.edge, "width": 1}, fillcolor=ground.raised, name=f"window:{strip.name}",
        )  # fmt: skip
    if strip.median is not None:
        figure.add_shape(
            type="line", x0=strip.median, x1=strip.median, y0=row - 0.32, y1=row + 0.32, layer="below",
            line={"color": ground.ink, "width": 2}, name=f"median:{strip.name}",
        )  # fmt: skip


def _dots(figure: go.Figure, row: int, strip: Strip, ground: Ground, quantity: str, unit: str) -> None:
    shown = [dot for dot in strip.dots if dot.value > 0]
    figure.add_trace(
        go.Scatter(
            x=[dot.value for dot in shown],
            y=[row + LANES[i % len(LANES)] for i in range(len(shown))],
            mode="markers",
            name=strip.name,
            marker={"size": 8, "color": ground.contrast, "opacity": 0.75, "line": {"width": 0}},
            customdata=[[dot.case_id, dot.label] for dot in shown],
            hovertemplate=f"%{{customdata[1]}}<br>{quantity} %{{x:.4~g}} {unit}<extra></extra>",
        )
    )


def _reference(figure: go.Figure, row: int, strip: Strip, ground: Ground) -> None:
    if strip.reference is None:
        return
    figure.add_trace(
        go.Scatter(
            x=[strip.reference],
            y=[row],
            mode="markers",
            name=f"reference level, {strip.name}",
            marker={"symbol": "diamond-open", "size": 15, "color": ground.ink, "line": {"width": 2}},
            hovertemplate="reference level %{x:.4~g}<extra></extra>",
        )
    )
