"""One patient over time: radiation of each case, contrast, and creatinine, on one time axis.

Cases stand apart: nothing is joined or added up. A case whose dose is not known is a gap with a dashed
upright, never a zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from dashboards.figures._layout import FONT_PX, SMALL_PX, axis_style, blank_figure
from dashboards.theme import LIGHT, Ground

LANE_PX, EDGE_PX = 165, 90
GAP, ELSEWHERE = "dose not known", "elsewhere"
_SYMBOLS = {"": "circle", "plane A": "circle", "plane B": "square-open"}
_BARS_PER_AXIS = 90
_ROOM = 1.28
_LEAST_SPAN = timedelta(days=6)
_MARGIN = 0.04


@dataclass(frozen=True, slots=True)
class DosePoint:
    """Reference air kerma of one plane of one case [Gy]; plane in words, '' where there is one."""

    at: datetime
    kerma_gy: float
    plane: str
    shown: str
    case: str


@dataclass(frozen=True, slots=True)
class Gap:
    """A case on record without a number."""

    at: datetime
    case: str


@dataclass(frozen=True, slots=True)
class ContrastBar:
    """Contrast given in one case [mL]."""

    at: datetime
    contrast_ml: float
    shown: str
    case: str


@dataclass(frozen=True, slots=True)
class CreatininePoint:
    """One creatinine in the laboratory's unit."""

    at: datetime
    value: float
    shown: str
    is_unstable: bool


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of time with a name."""

    start: datetime
    end: datetime
    name: str


@dataclass(frozen=True, slots=True)
class CourseLanes:
    """What is drawn. creatinine : unit as written -> its points; local times throughout.

    skin_window, contrast_window : look-back from `now`
    elsewhere : radiotherapy and cases of other departments whose time is known
    """

    doses: tuple[DosePoint, ...]
    dose_gaps: tuple[Gap, ...]
    contrast: tuple[ContrastBar, ...]
    contrast_gaps: tuple[Gap, ...]
    creatinine: dict[str, tuple[CreatininePoint, ...]]
    skin_window: Band
    contrast_window: Band
    elsewhere: tuple[Band, ...]
    now: datetime

    def ends(self) -> tuple[datetime, datetime]:
        """First and last moment on the axis; what was elsewhere does not stretch it."""
        told = [p.at for p in self.doses] + [p.at for p in self.contrast]
        told += [p.at for p in (*self.dose_gaps, *self.contrast_gaps)]
        told += [p.at for points in self.creatinine.values() for p in points]
        first, last = min([*told, self.now]), max([*told, self.now])
        room = max(last - first, _LEAST_SPAN) * _MARGIN
        return first - room, last + room


def patient_course(lanes: CourseLanes, *, ground: Ground = LIGHT) -> go.Figure:
    """Lanes from above: reference air kerma [Gy], contrast [mL], creatinine in each unit used."""
    units = list(lanes.creatinine) or [""]
    rows = 2 + len(units)
    height = LANE_PX * rows + EDGE_PX
    figure = make_subplots(rows=rows, cols=1, shared_xaxes=True, vertical_spacing=26 / height)
    blank = blank_figure(height=height, ground=ground, left=74, right=24)
    figure.update_layout(blank.layout)
    figure.update_layout(margin={"t": 26, "b": 40}, bargap=0)
    _radiation(figure, lanes, ground)
    _contrast(figure, lanes, ground)
    for number, unit in enumerate(units):
        _creatinine(figure, lanes.creatinine.get(unit, ()), unit, 3 + number, ground)
    first, last = lanes.ends()
    figure.update_xaxes(
        axis_style("", ground=ground), type="date", range=[first, last], showgrid=False, fixedrange=False
    )
    figure.update_layout(dragmode="zoom")
    for case in {c.at for c in lanes.contrast if c.contrast_ml > 0}:
        for row in range(3, rows + 1):
            _upright(figure, case, row, ground, dash="dot", name="contrast")
    return figure


def _radiation(figure: go.Figure, lanes: CourseLanes, ground: Ground) -> None:
    _band(figure, lanes.skin_window, 1, ground, lanes)
    for told in lanes.elsewhere:
        _band(figure, told, 1, ground, lanes, is_open=True)
    for point in lanes.doses:
        figure.add_shape(
            type="line", x0=point.at, x1=point.at, y0=0, y1=point.kerma_gy, row=1, col=1, layer="below",
            line={"color": ground.radiation, "width": 1.5}, name="stem",
        )  # fmt: skip
    figure.add_trace(
        go.Scatter(
            name="reference air kerma",
            x=[p.at for p in lanes.doses],
            y=[p.kerma_gy for p in lanes.doses],
            mode="markers+text",
            text=[p.shown for p in lanes.doses],
            textposition=_places([p.at for p in lanes.doses], lanes),
            textfont={"size": SMALL_PX, "color": ground.ink},
            cliponaxis=False,
            marker={
                "size": 11,
                "color": ground.radiation,
                "symbol": [_SYMBOLS.get(p.plane, "circle") for p in lanes.doses],
                "line": {"width": 2, "color": ground.radiation},
            },
            customdata=[f"{p.case}{', ' if p.plane else ''}{p.plane}" for p in lanes.doses],
            hovertemplate="%{customdata}<br>Ka,r %{text}<extra></extra>",
        ),
        row=1,
        col=1,
    )
    _gaps(figure, lanes.dose_gaps, 1, ground, GAP)
    top = max((p.kerma_gy for p in lanes.doses), default=1.0)
    figure.update_yaxes(_lane("Ka,r of each case [Gy]", top, ground), row=1, col=1)


def _contrast(figure: go.Figure, lanes: CourseLanes, ground: Ground) -> None:
    _band(figure, lanes.contrast_window, 2, ground, lanes)
    first, last = lanes.ends()
    width_ms = (last - first) / timedelta(milliseconds=1) / _BARS_PER_AXIS
    figure.add_trace(
        go.Bar(
            name="contrast",
            x=[b.at for b in lanes.contrast],
            y=[b.contrast_ml for b in lanes.contrast],
            width=[width_ms] * len(lanes.contrast),
            text=[b.shown for b in lanes.contrast],
            textposition="outside",
            textangle=0,
            constraintext="none",
            textfont={"size": SMALL_PX, "color": ground.ink},
            cliponaxis=False,
            marker={"color": ground.contrast},
            customdata=[b.case for b in lanes.contrast],
            hovertemplate="%{customdata}<br>contrast %{text}<extra></extra>",
        ),
        row=2,
        col=1,
    )
    _gaps(figure, lanes.contrast_gaps, 2, ground, "contrast not entered")
    top = max((b.contrast_ml for b in lanes.contrast), default=100.0)
    figure.update_yaxes(_lane("contrast [mL]", top, ground), row=2, col=1)


def _creatinine(
    figure: go.Figure, points: Sequence[CreatininePoint], unit: str, row: int, ground: Ground
) -> None:
    figure.add_trace(
        go.Scatter(
            name=f"creatinine {unit}".strip(),
            x=[p.at for p in points],
            y=[p.value for p in points],
            mode="lines+markers+text",
            line={"color": ground.edge, "width": 1, "dash": "dot"},
            text=[p.shown for p in points],
            textposition="top center",
            textfont={"size": SMALL_PX, "color": ground.ink},
            cliponaxis=False,
            marker={
                "size": 10,
                "symbol": ["diamond-open" if p.is_unstable else "diamond" for p in points],
                "color": ground.ink,
                "line": {"width": 2, "color": ground.ink},
            },
            hovertemplate="%{x|%Y-%m-%d}<br>creatinine %{text}<extra></extra>",
        ),
        row=row,
        col=1,
    )
    if not points:
        figure.add_annotation(
            text="no creatinine on record", x=0.5, xref="paper", y=0.5, row=row, col=1, showarrow=False,
            font={"size": FONT_PX, "color": ground.quiet},
        )  # fmt: skip
    top = max((p.value for p in points), default=1.0)
    words = f"creatinine [{unit}]" if unit else "creatinine"
    figure.update_yaxes(_lane(words, top, ground), row=row, col=1)


def _lane(words: str, top: float, ground: Ground) -> dict[str, Any]:
    return {**axis_style(words, ground=ground), "range": [0, (top or 1.0) * _ROOM], "nticks": 5}


def _places(times: Sequence[datetime], lanes: CourseLanes) -> list[str]:
    """Words toward the middle where a point stands near the right end."""
    first, last = lanes.ends()
    edge = last - (last - first) * 0.08
    return ["middle left" if at > edge else "middle right" for at in times]


def _gaps(figure: go.Figure, gaps: Sequence[Gap], row: int, ground: Ground, words: str) -> None:
    for gap in gaps:
        _upright(figure, gap.at, row, ground, dash="dash", name=words)
    figure.add_trace(
        go.Scatter(
            name=words,
            x=[g.at for g in gaps],
            y=[0.5] * len(gaps),
            yaxis="y",
            mode="markers",
            marker={"size": 13, "opacity": 0},
            customdata=[g.case for g in gaps],
            hovertemplate=f"%{{customdata}}<br>{words}<extra></extra>",
            showlegend=False,
        ),
        row=row,
        col=1,
    )
    if gaps:
        axis = "" if row == 1 else str(row)
        last = gaps[-1].at
        figure.add_annotation(
            x=last, y=1, xref=f"x{axis}", yref=f"y{axis} domain", yanchor="bottom", showarrow=False,
            text=words, font={"size": SMALL_PX, "color": ground.quiet},
        )  # fmt: skip


def _upright(figure: go.Figure, at: datetime, row: int, ground: Ground, *, dash: str, name: str) -> None:
    axis = "" if row == 1 else str(row)
    figure.add_shape(
        type="line", x0=at, x1=at, y0=0, y1=1, xref=f"x{axis}", yref=f"y{axis} domain", layer="below",
        line={"color": ground.edge, "width": 1.5, "dash": dash}, name=name,
    )  # fmt: skip


def _band(
    figure: go.Figure, band: Band, row: int, ground: Ground, lanes: CourseLanes, *, is_open: bool = False
) -> None:
    first, last = lanes.ends()
    if band.end < first or band.start > last:
        return
    axis = "" if row == 1 else str(row)
    figure.add_shape(
        type="rect", x0=max(band.start, first), x1=min(band.end, last), y0=0, y1=1, xref=f"x{axis}",
        yref=f"y{axis} domain", layer="below", name=band.name,
        fillcolor="rgba(0,0,0,0)" if is_open else ground.grid,
        line={"width": 1, "color": ground.edge, "dash": "dot" if is_open else "solid"},
    )  # fmt: skip
    figure.add_annotation(
        x=min(band.end, last), y=0 if is_open else 1, xref=f"x{axis}", yref=f"y{axis} domain",
        xanchor="right", yanchor="bottom", text=band.name, showarrow=False,
        font={"size": SMALL_PX, "color": ground.quiet},
    )  # fmt: skip
