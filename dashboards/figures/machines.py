"""A machine's meters by month, and how far its table readings move."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go

from dashboards.figures._layout import SMALL_PX, axis_style, blank_figure, log_axis
from dashboards.theme import LIGHT, Ground
from dosetrack.audit.machine_axes import WHERE, AxisSpread
from dosetrack.audit.machine_drift import Drift, has_moved
from dosetrack.audit.machine_wording import PLANES
from dosetrack.audit.machines import CalibrationFactor
from dosetrack.tables import constants

DRIFT_PX = 300
AXES_PX = 190
_SHAPES = ("circle", "square", "diamond", "triangle-up")
_STEPS, _MOST_TICKS, _WIDE = (0.05, 0.1, 0.2, 0.5, 1.0), 8, 5.0
_WIDEST = 0.36  # of a month: how far two planes stand apart


def drift_figure(
    drifts: Sequence[Drift], factors: Sequence[CalibrationFactor], *, ground: Ground = LIGHT
) -> go.Figure:
    """DAP over what Ka,r and the stated field expect, by month: median with its interval.

    Filled: beyond the tolerance. Lines across: the first months of the first plane and the tolerance
    about them; uprights: calibration factors set.
    """
    figure = blank_figure(height=DRIFT_PX, ground=ground, left=70, right=150)
    shown = [drift for drift in drifts if drift.overall is not None]
    months = sorted({month.month for drift in shown for month in drift.months})
    for number, drift in enumerate(shown):
        _add_drift(figure, drift, months, number, of=len(shown), ground=ground)
    lines = _lines(shown)
    for value, words in lines:
        _across(figure, value, words, ground)
    _calibrations(figure, factors, months, ground)
    figure.update_xaxes(
        **axis_style("", ground=ground),
        tickvals=list(range(len(months))),
        ticktext=_month_ticks(months),
        range=[-0.6, len(months) - 0.4],
        showgrid=False,
    )
    ends = [
        v for d in shown for m in d.months if m.ratio for v in (m.ratio.median, m.ratio.low, m.ratio.high)
    ]
    values = [value for value in ends if value is not None] + [value for value, _ in lines]
    figure.update_yaxes(**_ratio_axis(values, ground))
    figure.update_layout(
        showlegend=len(shown) > 1,
        legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "font": {"size": SMALL_PX}},
        margin={"t": 40},
    )
    return figure


def _ratio_axis(values: Sequence[float], ground: Ground) -> dict[str, Any]:
    """A logarithmic axis whose ticks are even steps where the values lie close together."""
    made = log_axis("DAP ÷ (Ka,r × stated field), log", values, ground=ground)
    low, high = (10**end for end in made["range"])
    step = next((step for step in _STEPS if (high - low) / step <= _MOST_TICKS), None)
    if high / low > _WIDE or step is None:
        return made
    ticks = [step * n for n in range(math.ceil(low / step), math.floor(high / step) + 1)]
    return {**made, "tickvals": ticks, "ticktext": [f"{tick:.3g}" for tick in ticks]}


def _month_ticks(months: Sequence[str]) -> list[str]:
    """'2026<br>01' where a year begins or the first month, else '02'; every third where there are many."""
    step = 1 if len(months) <= 18 else 3
    ticks = []
    for index, month in enumerate(months):
        is_first = index == 0 or month[:4] != months[index - 1][:4]
        ticks.append(f"{month[5:]}<br>{month[:4]}" if is_first else month[5:] if index % step == 0 else "")
    return ticks


def _add_drift(
    figure: go.Figure, drift: Drift, months: Sequence[str], number: int, *, of: int, ground: Ground
) -> None:
    told = [month for month in drift.months if month.ratio is not None]
    aside = (number - (of - 1) / 2) * (_WIDEST if of > 1 else 0.0)
    name = PLANES.get(drift.plane, drift.plane or "") or "all beams"
    medians = [month.ratio.median for month in told if month.ratio]
    figure.add_trace(
        go.Scatter(
            x=[months.index(month.month) + aside for month in told],
            y=medians,
            mode="markers",
            name=name,
            customdata=[[month.month, month.ratio.n if month.ratio else 0] for month in told],
            marker={
                "size": 8,
                "symbol": _SHAPES[number % len(_SHAPES)],
                "color": [ground.ink if has_moved(month) else ground.ground for month in told],
                "line": {"color": ground.ink, "width": 1.75},
            },
            error_y={
                "type": "data",
                "symmetric": False,
                "array": [(m.ratio.high - m.ratio.median) if m.ratio and m.ratio.high else 0 for m in told],
                "arrayminus": [
                    (m.ratio.median - m.ratio.low) if m.ratio and m.ratio.low else 0 for m in told
                ],
                "color": ground.edge,
                "thickness": 1.5,
                "width": 4,
            },
            hovertemplate=(
                f"{name}, %{{customdata[0]}}: median %{{y:.3f}}, %{{customdata[1]}} cases<extra></extra>"
            ),
        )
    )


def _lines(drifts: Sequence[Drift]) -> list[tuple[float, str]]:
    """Where the first months of the first plane stand and how far a month may be from it; and 1."""
    first = next((drift.baseline for drift in drifts if drift.baseline is not None), None)
    if first is None:
        return [(1.0, "as the field says")]
    most = constants("machines")["drift_tolerance"].number
    middle = first.ratio.median
    return [
        (middle * (1 + most), f"+{100 * most:.0f} %"),
        (middle, "first months"),
        (middle / (1 + most), f"−{100 * most / (1 + most):.0f} %"),
    ]


def _across(figure: go.Figure, value: float, words: str, ground: Ground) -> None:
    dash = "solid" if words.startswith(("first", "as")) else "dash"
    figure.add_hline(
        y=value, line={"color": ground.edge, "width": 1.25, "dash": dash}, layer="below", name=words
    )
    figure.add_annotation(
        x=1.01, xref="paper", xanchor="left", y=math.log10(value), yanchor="middle", text=words,
        showarrow=False, font={"size": SMALL_PX, "color": ground.quiet},
    )  # fmt: skip


def _calibrations(
    figure: go.Figure, factors: Sequence[CalibrationFactor], months: Sequence[str], ground: Ground
) -> None:
    """An upright at the month in which a factor began to count."""
    by_day: dict[str, list[CalibrationFactor]] = {}
    for factor in factors:
        by_day.setdefault(factor.valid_from, []).append(factor)
    for day, together in by_day.items():
        if day[:7] not in months:
            continue
        at = months.index(day[:7]) + (int(day[8:10]) - 16) / 31
        words = ", ".join(f"{factor.factor:g} ({factor.plane})" for factor in together)
        figure.add_vline(x=at, line={"color": ground.edge, "width": 1.5, "dash": "dot"}, layer="below")
        figure.add_annotation(
            x=at, y=1.0, yref="paper", yanchor="bottom", text=f"factor {words}", showarrow=False,
            font={"size": SMALL_PX, "color": ground.quiet},
        )  # fmt: skip


def axes_figure(spreads: Sequence[AxisSpread], *, ground: Ground = LIGHT) -> go.Figure:
    """How far each raw table reading moves within a case [mm]: bar to 19 of 20 cases, upright: median."""
    figure = blank_figure(height=AXES_PX, ground=ground, left=170, right=40)
    names = [f"{one.reading}<br>set: {one.direction} {WHERE[one.direction[1]]}" for one in spreads]
    told = [(name, one) for name, one in zip(names, spreads, strict=True) if one.cases]
    figure.add_trace(
        go.Bar(
            y=[name for name, _ in told],
            x=[one.upper_mm for _, one in told],
            orientation="h",
            width=0.45,
            marker={
                "color": [ground.band if not one.doubt else ground.ground for _, one in told],
                "line": {"color": ground.ink, "width": [2 if one.doubt else 0.5 for _, one in told]},
                "pattern": {"shape": ["/" if one.doubt else "" for _, one in told], "fgcolor": ground.ink},
            },
            hovertemplate="%{y}: 95 % of cases within %{x:.0f} mm<extra></extra>",
        )
    )
    for symbol, values, says in (
        ("line-ns", [one.median_mm for _, one in told], "median"),
        ("circle-open", [one.most_mm for _, one in told], "longest"),
    ):
        figure.add_trace(
            go.Scatter(
                y=[name for name, _ in told], x=values, mode="markers", name=says,
                marker={"symbol": symbol, "size": 14 if symbol == "line-ns" else 8, "color": ground.ink,
                        "line": {"color": ground.ink, "width": 2}},
                hovertemplate=f"{says} %{{x:.0f}} mm<extra></extra>",
            )
        )  # fmt: skip
    most = constants("skin_placing")["across_table_most"].number
    figure.add_vline(x=most, line={"color": ground.edge, "width": 1.25, "dash": "dash"}, layer="below")
    figure.add_annotation(
        x=most, y=1.0, yref="paper", yanchor="bottom", xanchor="right", showarrow=False,
        text="no table moves further across or up and down", font={"size": SMALL_PX, "color": ground.quiet},
    )  # fmt: skip
    longest = max([most, *[one.most_mm or 0.0 for one in spreads]])
    figure.update_xaxes(**axis_style("Way within a case [mm]", ground=ground), range=[0, longest * 1.08])
    figure.update_yaxes(
        **axis_style("", ground=ground), categoryorder="array", categoryarray=names[::-1], showgrid=False,
        range=[-0.5, len(spreads) - 0.5],
    )  # fmt: skip
    return figure
