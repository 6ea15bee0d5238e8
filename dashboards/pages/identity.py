"""A report sent for another patient than was entered: asked on Room and Case, with its two ways out.

Either the report belongs elsewhere and is moved, or the patient was entered wrongly and is changed.
Nothing is merged; each way is recorded with its reason.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import ids
from dashboards import view_models as vm
from dashboards.case_words import full_identity
from dashboards.pages.room_entry import actor_of
from dosetrack.errors import DosetrackError
from dosetrack.records.entries import PatientChanged

if TYPE_CHECKING:
    from dosetrack.records.people import Actor
    from dosetrack.records.report import DoseReport
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import CaseSummary

POLL_MS = 15_000
"""The page asks at once when a report or the patient changed; this is for what it cannot know of."""
OWN_CASE = "own"
MOST_CASES = 4
REASON_MISSING = "A few words why: they stay with what is changed."


def panel(workflow: Workflow, case_id: str) -> Component:
    """The question, drawn anew when the reports in doubt change; empty while there is none."""
    return html.Div(
        [
            dcc.Interval(id=ids.IDENTITY_TICK, interval=POLL_MS),
            dcc.Store(id=ids.IDENTITY_MARK, data=mark(workflow, case_id)),
            html.Div(question(workflow, case_id), id=ids.IDENTITY_ASK),
        ],
        className="identity-panel",
    )


def mark(workflow: Workflow, case_id: str, position: int | None = None) -> dict[str, Any]:
    """The ledger's position and the digests of the reports in doubt."""
    at = workflow.position() if position is None else position
    entered, others = workflow.reports_of_others(case_id)
    return {"position": at, "entered": entered.id, "reports": [r.sha256 for r in others]}


def question(workflow: Workflow, case_id: str) -> list[Component]:
    """Both patients in full, and the two ways out, alike in size."""
    entered, others = workflow.reports_of_others(case_id)
    if not others:
        return []
    report = others[0]
    more = f" {len(others) - 1} more of them wait after this one." if len(others) > 1 else ""
    return [
        html.Section(
            [
                html.P(html.Strong("Whose report is it? A dose report here was sent for another patient.")),
                html.P(["Entered: ", html.Strong(full_identity(entered))]),
                html.P(
                    [
                        "Report: ",
                        html.Strong(full_identity(report.patient)),
                        html.Span(f" ({vm.joined(report.file, _when(report), by=', ')})", className="quiet"),
                        more,
                    ]
                ),
                _field("why", dcc.Input(id=ids.IDENTITY_WHY, type="text", className="input")),
                html.Div(
                    [
                        html.Div(
                            [
                                dcc.RadioItems(
                                    id=ids.IDENTITY_WHERE,
                                    options=_places(workflow, case_id, report),
                                    value=OWN_CASE,
                                    className="choices",
                                ),
                                html.Button(
                                    "The report belongs elsewhere: move it",
                                    id=ids.IDENTITY_MOVE,
                                    className="button target",
                                ),
                            ]
                        ),
                        html.Div(
                            [
                                html.P(
                                    "Weight, height and creatinine of the entries stay as they are: "
                                    "check them after the change.",
                                    className="quiet",
                                ),
                                html.Button(
                                    "The patient was entered wrongly: change",
                                    id=ids.IDENTITY_CHANGE,
                                    className="button target",
                                ),
                            ]
                        ),
                    ],
                    className="identity-ways",
                ),
                html.Div(id=ids.IDENTITY_MESSAGE, className="field-error", role="alert"),
            ],
            className="identity-ask",
            role="group",
            **{"aria-label": "Whose report is it?"},
        )
    ]


def _when(report: DoseReport) -> str | None:
    started = report.procedure.started_at or report.report.reported_at
    return vm.day_and_time(started) if started else None


def _places(workflow: Workflow, case_id: str, report: DoseReport) -> list[dict[str, str]]:
    """Cases of the report's patient, the newest first, and a case of its own."""
    mine = [c for c in workflow.cases() if c.patient_id == report.patient.id and c.id != case_id]
    options = [{"label": _case_words(c), "value": c.id} for c in reversed(mine[-MOST_CASES:])]
    return [{"label": "to a case of its own", "value": OWN_CASE}, *options]


def _case_words(case: CaseSummary) -> str:
    when = vm.day_and_time(case.started_at) if case.started_at else None
    return "to " + vm.joined(
        case.procedure or "procedure not told", case.room, when, str(case.state), by=", "
    )


def _field(label: str, control: Component) -> Component:
    return html.Label([html.Span(label, className="field-label"), control], className="field")


def move(workflow: Workflow, case_id: str, *, where: str | None, why: str | None, actor: Actor) -> str:
    """Move the report in doubt; what is wrong, '' when done."""
    _, others = workflow.reports_of_others(case_id)
    if not (why or "").strip():
        return REASON_MISSING
    if not others:
        return "No report is in doubt any more."
    into = None if where in (None, OWN_CASE) else where
    try:
        workflow.join_report(others[0].sha256, into=into, actor=actor, reason=why or "")
    except DosetrackError as error:
        return str(error)
    return ""


def change(workflow: Workflow, case_id: str, *, why: str | None, actor: Actor) -> str:
    """Give the case to the patient of the report in doubt; what is wrong, '' when done."""
    _, others = workflow.reports_of_others(case_id)
    if not (why or "").strip():
        return REASON_MISSING
    if not others:
        return "No report is in doubt any more."
    try:
        workflow.record(
            case_id, PatientChanged(others[0].patient), actor=actor, reason=why, is_confirmed=True
        )
    except DosetrackError as error:
        return str(error)
    return ""


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    """The callbacks of the question."""

    @app.callback(
        Output(ids.IDENTITY_ASK, "children"),
        Output(ids.IDENTITY_MARK, "data"),
        Input(ids.IDENTITY_TICK, "n_intervals"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.IDENTITY_MARK, "data"),
        prevent_initial_call=True,
    )
    def follow(_n: int, case_id: str, seen: dict[str, Any]) -> tuple[Any, Any]:
        at = workflow.position()
        if at == seen["position"]:
            return no_update, no_update
        now = mark(workflow, case_id, at)
        if (now["reports"], now["entered"]) == (seen["reports"], seen["entered"]):
            return no_update, now
        return question(workflow, case_id), now

    @app.callback(
        Output(ids.IDENTITY_MESSAGE, "children"),
        Input(ids.IDENTITY_MOVE, "n_clicks"),
        Input(ids.IDENTITY_CHANGE, "n_clicks"),
        State(ids.IDENTITY_WHERE, "value"),
        State(ids.IDENTITY_WHY, "value"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.ENTRY_BY, "value"),
        prevent_initial_call=True,
    )
    def decide(moved: Any, changed: Any, where: str, why: str, case_id: str, by: str) -> Any:
        if not (moved or changed):
            return no_update
        actor = actor_of(by, None)
        if ctx.triggered_id == ids.IDENTITY_MOVE:
            return move(workflow, case_id, where=where, why=why, actor=actor)
        return change(workflow, case_id, why=why, actor=actor)
