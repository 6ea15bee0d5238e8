"""Medians by month with their quartiles and counts; single cases by day over named levels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from dashboards.figures._layout import SMALL_PX, axis_style, blank_figure, log_axis
from dashboards.theme import LIGHT, Ground

HEIGHT_PX = 340


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """One month ('YYYY-MM'); median and quartiles None where no case had the quantity."""

    month: str
    n: int
    median: float | None
    p25: float | None = None
    p75: float | None = None


@dataclass(frozen=True, slots=True)
class NamedLine:
    """A level across the figure, named at its end. `is_substantial`: drawn solid, else dashed."""

    value: float
    name: str
    is_substantial: bool = False


@dataclass(frozen=True, slots=True)
class DayDot:
    """One case by its day (YYYY-MM-DD or ISO time)."""

    day: str
    value: float
    label: str
    case_id: str


def trend_figure(
    points: Sequence[TrendPoint],
    *,
    quantity: str,
    unit: str,
    lines: Sequence[NamedLine] = (),
    marked: str | None = None,
    ground: Ground = LIGHT,
) -> go.Figure:
    """The median of each month [`unit`] with quartiles as bars and n under each month.

    A month without a value is a gap, never zero. `marked`: the month of the page, drawn filled.
    """
    figure = blank_figure(height=HEIGHT_PX, ground=ground, left=70, right=190)
    months = [point.month for point in points]
    figure.add_trace(
        go.Scatter(
            x=months,
            y=[point.median for point in points],
            mode="lines+markers",
            name=f"median {quantity}",
            connectgaps=False,
            text=[f"n {point.n}" for point in points],
            line={"color": ground.contrast, "width": 2},
            marker={
                "size": 10,
                "color": [ground.contrast if point.month == marked else ground.ground for point in points],
                "line": {"color": ground.contrast, "width": 2},
            },
            error_y=_quartiles(points, ground),
            hovertemplate=f"%{{x}}: median %{{y:.4~g}} {unit}, %{{text}}<extra></extra>",
        )
    )
    _draw_lines(figure, lines, ground)
    figure.update_xaxes(
        **axis_style("", ground=ground),
        type="category",
        categoryorder="array",
        categoryarray=months,
        tickvals=months,
        ticktext=[f"{point.month}<br>n {point.n}" for point in points],
        range=[-0.5, len(points) - 0.5],
        showgrid=False,
    )
    found = [v for p in points for v in (p.median, p.p25, p.p75) if v is not None]
    figure.update_yaxes(
        **log_axis(
            f"{quantity} [{unit}], logarithmic", [*found, *[line.value for line in lines]], ground=ground
        )
    )
    return figure


def _quartiles(points: Sequence[TrendPoint], ground: Ground) -> dict[str, object]:
    def distance(end: float | None, median: float | None) -> float | None:
        return None if end is None or median is None else abs(end - median)

    return {
        "type": "data",
        "symmetric": False,
        "array": [distance(p.p75, p.median) for p in points],
        "arrayminus": [distance(p.p25, p.median) for p in points],
        "color": ground.edge,
        "thickness": 1.5,
        "width": 4,
    }


def days_figure(
    dots: Sequence[DayDot],
    *,
    quantity: str,
    unit: str,
    lines: Sequence[NamedLine] = (),
    ground: Ground = LIGHT,
) -> go.Figure:
    """Single cases by day on a logarithmic axis [`unit`], with the levels that prompt drawn across."""
    figure = blank_figure(height=HEIGHT_PX, ground=ground, left=70, right=190)
    shown = [dot for dot in dots if dot.value > 0]
    figure.add_trace(
        go.Scatter(
            x=[dot.day for dot in shown],
            y=[dot.value for dot in shown],
            mode="markers",
            name="cases",
            marker={"size": 9, "color": ground.contrast, "opacity": 0.8},
            customdata=[[dot.case_id, dot.label] for dot in shown],
            hovertemplate=f"%{{customdata[1]}}<br>{quantity} %{{y:.4~g}} {unit}<extra></extra>",
        )
    )
    _draw_lines(figure, lines, ground)
    figure.update_xaxes(
        **axis_style("Day of the case", ground=ground), type="date", tickformat="%b %Y", showgrid=False
    )
    found = [dot.value for dot in shown] + [line.value for line in lines]
    figure.update_yaxes(**log_axis(f"{quantity} [{unit}], logarithmic", found, ground=ground))
    return figure


def _draw_lines(figure: go.Figure, lines: Sequence[NamedLine], ground: Ground) -> None:
    for line in lines:
        if line.value > 0:
            figure.add_hline(y=line.value, line=line_style(line, ground), layer="below", name=line.name)
            figure.add_annotation(
                x=1.01, xref="paper", xanchor="left", y=math.log10(line.value), yanchor="middle",
                text=line.name, showarrow=False, align="left", font={"size": SMALL_PX, "color": ground.quiet},
            )  # fmt: skip


def line_style(line: NamedLine, ground: Ground) -> dict[str, object]:
    """Solid for a substantial level, dashed for any other."""
    return {"color": ground.edge, "width": 1.5, "dash": "solid" if line.is_substantial else "dash"}
