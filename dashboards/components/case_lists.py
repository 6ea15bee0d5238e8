"""Lists of one case: findings in sentences, and the timeline of what was entered."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from dash import html
from dash.development.base_component import Component

from dashboards import view_models as vm
from dashboards.case_timeline import ReadingRun, grouped, row_words, run_words
from dashboards.why_it_matters import why
from dosetrack.findings import Finding

if TYPE_CHECKING:
    from dosetrack.workflow.results import CaseView, TimelineRow

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


def timeline(view: CaseView, *, zone: ZoneInfo) -> Component:
    """The entries in words, oldest first; runs of readings open on demand.

    A corrected entry stays readable, struck through.
    """
    return html.Ol(
        [
            _run(part, view, zone=zone)
            if isinstance(part, ReadingRun)
            else timeline_row(part, view, zone=zone)
            for part in grouped(view)
        ],
        className="timeline",
    )


def _run(run: ReadingRun, view: CaseView, *, zone: ZoneInfo) -> Component:
    by = dict.fromkeys(vm.person_name(row.by.name) for row in run.rows)
    return html.Li(
        [
            html.Time(vm.clock_time(run.rows[0].at, zone), dateTime=run.rows[0].at.isoformat()),
            html.Details(
                [
                    html.Summary(
                        [run_words(run, view, zone=zone), html.Span(", ".join(by), className="quiet")]
                    ),
                    html.Ol([timeline_row(row, view, zone=zone) for row in run.rows], className="timeline"),
                ],
                className="timeline-run",
            ),
        ],
        key=run.rows[0].entry_id,
    )


def timeline_row(row: TimelineRow, view: CaseView, *, zone: ZoneInfo) -> Component:
    """One entry: when, what, who; what it replaced or was replaced by."""
    name = vm.person_name(row.by.name)
    notes = [f"{name} ({row.by.role}{', name picked' if row.by.is_claimed else ''})"]
    if row.recorded_at - row.at > _LATE:
        notes.append(f"recorded {vm.clock_time(row.recorded_at, zone)}")
    if row.reason:
        notes.append(f"reason: {row.reason}")
    earlier = next((r for r in view.timeline if r.entry_id == row.replaces), None)
    if earlier is not None:
        notes.append(f"in place of: {row_words(earlier, view)}")
    words = row_words(row, view)
    text = html.Del(words) if row.replaced_by else html.Span(words)
    if row.replaced_by:
        notes.append("corrected below")
    return html.Li(
        [
            html.Time(vm.clock_time(row.at, zone), dateTime=row.at.isoformat()),
            html.Div([text, html.Div(" · ".join(notes), className="quiet")]),
        ],
        key=row.entry_id,
    )
