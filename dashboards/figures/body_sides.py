"""The body from the front and the back with the skin to look at, small enough for a phone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from dashboards.figures.style import base_layout
from dashboards.theme import LIGHT, Ground

if TYPE_CHECKING:
    from dosetrack.reports.body_drawing import BodyDrawing, Corner, SideDrawing

OUTLINE, NEAR, CORE = "outline", "skin to look at", "most dose"
HEIGHT_PX = 330
_BETWEEN = 1.25
"""Distance of the two middles over the width of one; drawing alone."""
_WORDS_MM = 120.0


def body_sides(drawing: BodyDrawing, *, ground: Ground = LIGHT) -> go.Figure:
    """Front on the reader's left, back on the right, as somebody who looks at the patient sees them."""
    figure = go.Figure()
    reach = drawing.width_mm * _BETWEEN
    for side, middle in ((drawing.front, -reach / 2), (drawing.back, reach / 2)):
        _side(figure, side, middle, ground)
        _words(figure, side, middle, drawing, ground)
    figure.update_layout(
        **base_layout(ground, uirevision="sides", font_size=13), height=HEIGHT_PX, dragmode=False
    )
    edge = reach / 2 + drawing.width_mm / 2 + _WORDS_MM
    hidden = {"visible": False, "fixedrange": True}
    top = drawing.low_mm + drawing.height_mm
    figure.update_xaxes(**hidden, range=[-edge, edge])
    figure.update_yaxes(**hidden, range=[drawing.low_mm - _WORDS_MM, top + 1.6 * _WORDS_MM], scaleanchor="x")
    return figure


def _side(figure: go.Figure, side: SideDrawing, middle: float, ground: Ground) -> None:
    for outline in side.outlines:
        figure.add_trace(
            _shape([*outline, outline[0]], middle, f"{OUTLINE} {side.title}", ground.raised, ground)
        )
    for name, triangles, colour in ((NEAR, side.near, ground.band), (CORE, side.core, ground.ink)):
        corners: list[Corner | None] = []
        for triangle in triangles:
            corners += [*triangle, triangle[0], None]
        figure.add_trace(
            go.Scatter(
                name=f"{name} {side.title}",
                x=[None if c is None else c[0] + middle for c in corners],
                y=[None if c is None else c[1] for c in corners],
                mode="lines",
                fill="toself",
                fillcolor=colour,
                line={"color": colour, "width": 1},
                hoverinfo="skip",
            )
        )
    figure.add_trace(
        go.Scatter(
            name=f"eyes {side.title}",
            x=[x + middle for x, _ in side.eyes],
            y=[y for _, y in side.eyes],
            mode="markers",
            marker={"size": 3, "color": ground.quiet},
            hoverinfo="skip",
        )
    )


def _shape(corners: list[Corner], middle: float, name: str, fill: str, ground: Ground) -> Any:
    return go.Scatter(
        name=name,
        x=[x + middle for x, _ in corners],
        y=[y for _, y in corners],
        mode="lines",
        fill="toself",
        fillcolor=fill,
        line={"color": ground.edge, "width": 1},
        hoverinfo="skip",
    )


def _words(figure: go.Figure, side: SideDrawing, middle: float, drawing: BodyDrawing, ground: Ground) -> None:
    top, half = drawing.low_mm + drawing.height_mm, drawing.width_mm / 2
    shown = (
        (f"<b>{side.title}</b>", middle, top + _WORDS_MM, "center"),
        (side.left_word.removeprefix("your "), middle - half, drawing.low_mm, "left"),
        (side.right_word.removeprefix("your "), middle + half, drawing.low_mm, "right"),
    )
    for text, x, y, anchor in shown:
        figure.add_annotation(
            text=text, x=x, y=y, xanchor=anchor, yanchor="middle" if anchor == "center" else "top",
            showarrow=False, font={"size": 13 if anchor == "center" else 11, "color": ground.quiet},
        )  # fmt: skip
