"""Operators within one procedure: median, quartiles and count. Never ordered by dose."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from dashboards.figures._layout import SMALL_PX, axis_style, blank_figure, log_axis
from dashboards.figures.trend import NamedLine
from dashboards.theme import LIGHT, Ground

ROW_PX = 40


@dataclass(frozen=True, slots=True)
class OperatorRow:
    """One operator under the name shown (a letter, or the own name).

    is_telling : enough cases to say anything; else the marker is hollow and the note says so
    is_own : the operator who picked themselves
    """

    name: str
    n: int
    median: float | None
    p25: float | None
    p75: float | None
    note: str
    is_telling: bool
    is_own: bool = False


def operators_figure(
    rows: Sequence[OperatorRow],
    *,
    quantity: str,
    unit: str,
    all_median: float | None,
    lines: Sequence[NamedLine] = (),
    ground: Ground = LIGHT,
) -> go.Figure:
    """One row per operator in the order given: median [`unit`] with quartiles as a bar.

    Filled: the own row; hollow: too few cases to tell. Dotted upright: median of all operators.
    """
    figure = blank_figure(height=ROW_PX * max(len(rows), 1) + 110, ground=ground, left=150, right=210)
    for place, row in enumerate(rows):
        figure.add_trace(_trace(place, row, ground, quantity, unit))
        figure.add_annotation(
            x=1.01, xref="paper", xanchor="left", y=place, text=row.note, showarrow=False,
            font={"size": SMALL_PX, "color": ground.quiet},
        )  # fmt: skip
    if all_median is not None and all_median > 0:
        _upright(figure, NamedLine(value=all_median, name="all operators"), ground, dash="dot")
    for line in lines:
        _upright(figure, line, ground, dash="solid" if line.is_substantial else "dash")
    figure.update_xaxes(
        **log_axis(f"{quantity} [{unit}], logarithmic", _values(rows, lines, all_median), ground=ground)
    )
    figure.update_yaxes(
        **axis_style("", ground=ground),
        tickvals=list(range(len(rows))),
        ticktext=[f"<b>{row.name}</b>" if row.is_own else row.name for row in rows],
        range=[len(rows) - 0.5, -0.5],
        showgrid=False,
    )
    figure.update_yaxes(tickfont={"size": 13, "color": ground.ink})
    return figure


def _values(rows: Sequence[OperatorRow], lines: Sequence[NamedLine], all_median: float | None) -> list[float]:
    found = [v for row in rows for v in (row.median, row.p25, row.p75) if v is not None]
    found += [line.value for line in lines]
    return found + ([all_median] if all_median is not None else [])


def _trace(place: int, row: OperatorRow, ground: Ground, quantity: str, unit: str) -> go.Scatter:
    known = row.median is not None
    spread = row.p25 is not None and row.p75 is not None and known
    return go.Scatter(
        x=[row.median] if known else [],
        y=[place] if known else [],
        mode="markers",
        name=row.name,
        marker={
            "size": 13 if row.is_own else 11,
            "symbol": "circle" if row.is_telling else "circle-open",
            "color": ground.contrast if row.is_own else ground.ink,
            "line": {"width": 2},
        },
        error_x={
            "type": "data",
            "symmetric": False,
            "array": [abs((row.p75 or 0) - (row.median or 0))] if spread else [],
            "arrayminus": [abs((row.median or 0) - (row.p25 or 0))] if spread else [],
            "color": ground.edge,
            "thickness": 2,
            "width": 5,
        },
        hovertemplate=f"{row.name}: median {quantity} %{{x:.4~g}} {unit}, n {row.n}<extra></extra>",
    )


def _upright(figure: go.Figure, line: NamedLine, ground: Ground, *, dash: str) -> None:
    style = {"color": ground.edge, "width": 1.5, "dash": dash}
    figure.add_vline(x=line.value, line=style, layer="below", name=line.name)
    figure.add_annotation(
        x=math.log10(line.value), y=1.0, yref="paper", yanchor="bottom", xanchor="center",
        text=line.name, showarrow=False, font={"size": SMALL_PX, "color": ground.quiet},
    )  # fmt: skip
