"""Lists of one case: findings in sentences, and the timeline of what was entered."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from dash import html
from dash.development.base_component import Component

from dashboards import view_models as vm
from dashboards.why_it_matters import why
from dosetrack.findings import Finding

if TYPE_CHECKING:
    from dosetrack.workflow.results import TimelineRow

_SEVERITY = {"error": ("◆", "error"), "warning": ("▲", "warning"), "info": ("●", "note")}
_LATE = timedelta(minutes=2)
"""An entry recorded this long after it happened says so."""


def findings_list(findings: Sequence[Finding]) -> Component:
    """Each finding once, the gravest first, with why it matters; repeats are counted."""
    counted: dict[tuple[str, str, str], int] = {}
    for one in findings:
        counted[(one.severity, one.code, one.text)] = counted.get((one.severity, one.code, one.text), 0) + 1
    if not counted:
        return html.P("No finding.", className="quiet")
    order = list(_SEVERITY)
    rows = sorted(counted.items(), key=lambda item: order.index(item[0][0]))
    return html.Ul([_finding(*key, times) for key, times in rows], className="findings")


def _finding(severity: str, code: str, text: str, times: int) -> Component:
    shape, word = _SEVERITY[severity]
    often = f" ({times} times)" if times > 1 else ""
    return html.Li(
        [
            html.Span(shape, className="finding-shape", **{"aria-hidden": "true"}),
            html.Div(
                [
                    html.P([html.Span(f"{word}: ", className="quiet"), text, often]),
                    html.P(["why it matters: ", why(code)], className="quiet"),
                ]
            ),
        ]
    )


def timeline(rows: Sequence[TimelineRow], *, zone: ZoneInfo) -> Component:
    """Every entry in words, oldest first; a corrected one stays readable, struck through."""
    by_id = {row.entry_id: row for row in rows}
    return html.Ol([timeline_row(row, by_id, zone=zone) for row in rows], className="timeline")


def timeline_row(row: TimelineRow, by_id: dict[str, TimelineRow], *, zone: ZoneInfo) -> Component:
    """One entry: when, what, who; what it replaced or was replaced by."""
    notes = [f"{row.by.name} ({row.by.role}{', name picked' if row.by.is_claimed else ''})"]
    if row.recorded_at - row.at > _LATE:
        notes.append(f"recorded {vm.clock_time(row.recorded_at, zone)}")
    if row.reason:
        notes.append(f"reason: {row.reason}")
    if row.replaces and row.replaces in by_id:
        notes.append(f"in place of: {by_id[row.replaces].text}")
    text = html.Del(row.text) if row.replaced_by else html.Span(row.text)
    if row.replaced_by:
        notes.append("corrected below")
    return html.Li(
        [
            html.Time(vm.clock_time(row.at, zone), dateTime=row.at.isoformat()),
            html.Div([text, html.Div(" · ".join(notes), className="quiet")]),
        ],
        key=row.entry_id,
    )
