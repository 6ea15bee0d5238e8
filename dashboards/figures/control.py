"""A control chart: points in order, their centre and limits, and what the rules say of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from dashboards.figures._layout import axis_style, blank_figure, log_axis
from dashboards.theme import LIGHT, Ground

HEIGHT_PX = 320


@dataclass(frozen=True, slots=True)
class ControlPoint:
    """One point with the lines of its stretch; limits None where there are too few points.

    said : what the rules say, empty where they say nothing
    """

    label: str
    value: float
    n: int
    centre: float
    low: float | None
    high: float | None
    said: str
    stretch: int


def control_figure(
    points: Sequence[ControlPoint], *, quantity: str, unit: str, ground: Ground = LIGHT
) -> go.Figure:
    """The points [`unit`] on a logarithmic axis; marked ones are filled squares with their rule in words."""
    figure = blank_figure(height=HEIGHT_PX, ground=ground, left=70, right=40)
    places = list(range(len(points)))
    for number in sorted({point.stretch for point in points}):
        inside = [(x, p) for x, p in zip(places, points, strict=True) if p.stretch == number]
        across = [inside[0][0] - 0.4, inside[-1][0] + 0.4]
        first = inside[0][1]
        for name, level, dash in (
            ("centre", first.centre, "solid"),
            ("lower limit", first.low, "dash"),
            ("upper limit", first.high, "dash"),
        ):
            if level is not None:
                figure.add_trace(
                    go.Scatter(
                        x=across, y=[level, level], mode="lines", name=name,
                        line={"color": ground.edge, "width": 1.5, "dash": dash},
                        hovertemplate=f"{name} %{{y:.4~g}} {unit}<extra></extra>",
                    )
                )  # fmt: skip
        figure.add_trace(_dots(inside, quantity, unit, ground))
    figure.update_xaxes(
        **axis_style("", ground=ground),
        tickvals=places,
        ticktext=[f"{point.label}<br>n {point.n}" for point in points],
        range=[-0.6, len(points) - 0.4],
        showgrid=False,
    )
    found = [v for p in points for v in (p.value, p.low, p.high) if v is not None]
    figure.update_yaxes(**log_axis(f"{quantity} [{unit}], logarithmic", found, ground=ground))
    return figure


def _dots(inside: Sequence[tuple[int, ControlPoint]], quantity: str, unit: str, ground: Ground) -> go.Scatter:
    marked = [bool(p.said) for _, p in inside]
    return go.Scatter(
        x=[x for x, _ in inside],
        y=[p.value for _, p in inside],
        mode="lines+markers",
        name=f"median {quantity}",
        text=[f"n {p.n}" + (f": {p.said}" if p.said else "") for _, p in inside],
        line={"color": ground.contrast, "width": 1.5},
        marker={
            "size": [12 if m else 9 for m in marked],
            "symbol": ["square" if m else "circle" for m in marked],
            "color": [ground.contrast if m else ground.ground for m in marked],
            "line": {"color": ground.contrast, "width": 2},
        },
        hovertemplate=f"%{{y:.4~g}} {unit}, %{{text}}<extra></extra>",
    )
