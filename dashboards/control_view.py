"""The control chart of Month: which one is drawn, and its numbers as shown and as saved."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboards.components.number_table import NumberTable
from dashboards.figures.control import ControlPoint
from dashboards.month_view import MonthView
from dashboards.view_models_month import Quantity, first_day, group_name, last_day
from dosetrack.audit.control import ControlChart, Signal, Stretch

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

MARKED = (Signal.BEYOND, Signal.RUN, Signal.RANGE)


def control_chart(workflow: Workflow, view: MonthView) -> ControlChart | None:
    """The chart of the trend's procedure and quantity; None where none is made."""
    found = workflow.audit_measures(
        first_day=first_day(view.month), last_day=last_day(view.month), room=view.room
    )
    for row in found.charts:
        is_drawn = group_name(row.procedure, row.age_group) == view.trend_name
        if is_drawn and row.chart.quantity == view.quantity.key:
            return row.chart if row.chart.stretches else None
    return None


def control_points(chart: ControlChart, quantity: Quantity) -> tuple[ControlPoint, ...]:
    """Every point with the lines of its stretch, in the unit on screen."""
    scale = quantity.divisor
    return tuple(
        ControlPoint(
            label=point.label,
            value=point.value / scale,
            n=point.n,
            centre=stretch.centre / scale,
            low=quantity.scaled(stretch.low),
            high=quantity.scaled(stretch.high),
            said=", ".join(s.value for s in MARKED if s in point.signals),
            stretch=number,
        )
        for number, stretch in enumerate(chart.stretches)
        for point in stretch.points
    )


def control_numbers(chart: ControlChart, quantity: Quantity, month: str) -> NumberTable:
    """One row for each point; the file holds the values unrounded in the quantity's own unit."""
    rows = [(stretch, point) for stretch in chart.stretches for point in stretch.points]
    return NumberTable(
        caption=f"Control chart of monthly medians: {quantity.words}",
        head=("Month", "Cases", "Median", "Centre", "Lower limit", "Upper limit", "Rule", "Began with"),
        rows=tuple(
            (p.label, p.n, quantity.shown(p.value), quantity.shown(s.centre), _limit(quantity, s, s.low),
             _limit(quantity, s, s.high), ", ".join(x.value for x in p.signals), _began(s, p.label))
            for s, p in rows
        ),
        keys=("month", "cases", quantity.key, "centre", "low", "high", "range_ratio", "range_ratio_high",
              "rule", "began_with"),
        values=tuple(
            (p.label, p.n, p.value, s.centre, s.low, s.high, p.range_ratio, s.range_ratio_high,
             "; ".join(x.value for x in p.signals), _began(s, p.label))
            for s, p in rows
        ),
        name=f"control-{quantity.key}-{month}",
        numeric=frozenset(range(1, 6)),
    )  # fmt: skip


def _limit(quantity: Quantity, stretch: Stretch, value: float | None) -> str:
    return stretch.lines.value if value is None else quantity.shown(value)


def _began(stretch: Stretch, label: str) -> str:
    if not stretch.points or stretch.points[0].label != label:
        return ""
    return "; ".join(f"{c.day} {c.kind.value}: {c.what}" for c in stretch.began_with)
