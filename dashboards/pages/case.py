"""Case: one case at rest, with where every number came from."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from dash import ALL, Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import ahead_words, case_words, ids, theme
from dashboards import view_models as vm
from dashboards.case_tables import (
    GROUPS_HEAD,
    LEVELS_HEAD,
    PLANES_HEAD,
    PROVENANCE_HEAD,
    disagreement_words,
    level_group_rows,
    level_rows,
    plane_rows,
    provenance_rows,
)
from dashboards.components import closing_panel, prompt_card
from dashboards.components.case_lists import findings_list, timeline
from dashboards.components.correction import correction_panel, swap_panel
from dashboards.components.follow_up_links import NONE_ASKED, NOT_YET, follow_up_list
from dashboards.components.lane_head import lane_heads
from dashboards.components.limits import earlier_panel, limits_table
from dashboards.components.tables import figure_numbers, section, table
from dashboards.figures.lane_data import two_accounts_rows
from dashboards.figures.style import GRAPH_CONFIG_WITH_SAVE
from dashboards.figures.two_accounts import two_accounts
from dashboards.pages import identity, skin
from dashboards.pages.room import FIGURE_HEAD
from dashboards.pages.room_entry import actor_of
from dashboards.papers import paper_links
from dashboards.patient_view import patient_href
from dashboards.router import Query
from dosetrack.alerts import to_decide
from dosetrack.errors import DosetrackError
from dosetrack.times import zone_named

if TYPE_CHECKING:
    from dosetrack.records.report import Patient
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import CaseView


POLL_MS = 2000


def title(query: Query) -> str:
    """Which case."""
    return f"Case {query['case'][:8]}"


# one case --------------------------------------------------------------------------------


def layout(workflow: Workflow, query: Query) -> Component:
    """One case at rest."""
    view = workflow.case_view(query["case"])
    zone = zone_named(view.time_zone)
    return html.Div(
        [
            dcc.Store(id=ids.ENTRY_CASE, data=view.case.id),
            dcc.Store(id=ids.CASE_POSITION, data=view.position),
            dcc.Interval(id=ids.CASE_TICK, interval=POLL_MS),
            dcc.Store(id=ids.CASE_CLOSING_MARK, data=closing_panel.panel_mark(view)),
            identity.panel(workflow, view.case.id),
            html.Div(account(view), id=ids.CASE_BODY),
            skin.skin_section(),
            html.Div(trail(view), id=ids.CASE_TRAIL),
            section("Follow-up", _follow_up(workflow, view)),
            section("Documents", paper_links(view.case.id)),
            html.Section(
                [
                    _entered_by(),
                    correction_panel(view, zone=zone),
                    swap_panel(),
                    html.Div(_closing(view), id=ids.CASE_CLOSING),
                ],
                className="section",
            ),
        ],
        className="page case",
    )


def _follow_up(workflow: Workflow, view: CaseView) -> Component:
    items = [
        one for one in workflow.follow_up_items(case_id=view.case.id, is_open=None) if one.item.was_asked
    ]
    return follow_up_list(items, nothing=NOT_YET if view.case.is_open else NONE_ASKED)


def body(view: CaseView) -> Component:
    """What is known of the case without its skin map; drawn anew when the ledger moves."""
    return html.Div([account(view), trail(view)])


def account(view: CaseView) -> Component:
    """Who and what, both accounts on one clock, and the radiation of each plane."""
    zone = zone_named(view.time_zone)
    return html.Div(
        [
            _head(view, zone),
            *_identity(view, zone),
            html.Div(
                [
                    lane_heads(case_words.accounts(view, zone=zone)),
                    dcc.Graph(
                        figure=two_accounts(view, ground=theme.LIGHT, zone=zone),
                        config=GRAPH_CONFIG_WITH_SAVE,
                        className="case-figure",
                        responsive=True,
                    ),
                ],
                className="case-accounts",
            ),
            figure_numbers(
                FIGURE_HEAD,
                two_accounts_rows(view, zone=zone),
                caption="Radiation and contrast over time",
                numeric=frozenset({2, 3, 4, 5}),
            ),
            _radiation(view),
        ]
    )


def trail(view: CaseView) -> Component:
    """Limits, levels, decisions, findings, and where every number came from."""
    zone = zone_named(view.time_zone)
    return html.Div(
        [
            html.Section(limits_table(view.kidney, has_findings=False), className="section"),
            section("Levels reached", _levels(view, zone)),
            section("What raised the dose", _drivers(view)),
            html.Div(
                [
                    section("Decisions", _decisions(view, zone)),
                    section("Findings", findings_list(view.findings)),
                    html.Section(earlier_panel(view.earlier), className="section"),
                ],
                className="columns",
            ),
            section("Where each number came from", _provenance(view, zone)),
            section("What was entered", timeline(view, zone=zone)),
        ]
    )


def _head(view: CaseView, zone: ZoneInfo) -> Component:
    case = view.case
    ended = f"ended {vm.clock_time(case.ended_at, zone)} ({case.ended_how})" if case.ended_at else None
    return html.Div(
        [
            html.H1(case.procedure or "Procedure not told"),
            html.Span(
                vm.joined(
                    case.room,
                    vm.day_and_time(case.started_at),
                    ended,
                    f"state: {case.state}",
                    "operators: " + "; ".join(map(vm.person_name, case.operators))
                    if case.operators
                    else "operator not told",
                )
            ),
        ],
        className="page-head",
    )


def _identity(view: CaseView, zone: ZoneInfo) -> list[Component]:
    patient = view.case.patient
    size = vm.joined(
        f"{patient.weight_kg:g} kg" if patient.weight_kg is not None else "weight not known",
        f"{patient.height_cm:g} cm" if patient.height_cm is not None else "height not known",
    )
    return [
        html.Details(
            [
                html.Summary(f"Patient {case_words.short_identity(patient)}"),
                html.Span(vm.joined(case_words.full_identity(patient), size), className="full-identity"),
                *_patient_link(patient),
            ],
            className="identity",
        )
    ]


def _patient_link(patient: Patient) -> list[Component]:
    href = patient_href(patient)
    return [html.Span([" · ", dcc.Link("all cases of this patient", href=href)])] if href else []


def _radiation(view: CaseView) -> Component:
    rows = plane_rows(view)
    words = disagreement_words(view)
    return section(
        "Radiation by plane",
        table(PLANES_HEAD, rows, caption="Totals of each plane by source", numeric=frozenset({2, 3, 4, 5})),
        *[html.P(text) for text in words],
    )


def _levels(view: CaseView, zone: ZoneInfo) -> Component:
    """The highest level of each quantity; every step under a fold."""
    if not view.levels:
        return html.P("No level was reached.", className="quiet")
    groups = table(
        GROUPS_HEAD, level_group_rows(view, zone=zone), caption="Levels reached", numeric=frozenset({1, 4})
    )
    every = table(LEVELS_HEAD, level_rows(view), caption="Every level reached", numeric=frozenset({1}))
    words = f"every level reached: {len(view.levels)}"
    return html.Div([groups, html.Details([html.Summary(words), every], className="levels-all")])


def _drivers(view: CaseView) -> Component:
    """What raised the dose, against the reference conditions."""
    said = ahead_words.driver_sentences(view)
    if not said:
        why = "nothing" if view.case.reports else "not known, no dose report yet"
        return html.P(f"Against the reference conditions: {why}.", className="quiet")
    note = "Reference conditions are this project's own, from common practice. Factors do not multiply."
    return html.Div(
        [html.Ul([html.Li(one) for one in said], className="drivers"), html.P(note, className="quiet")]
    )


def _closing(view: CaseView) -> Component:
    return closing_panel.closing_panel(view, zone=zone_named(view.time_zone))


def _decisions(view: CaseView, zone: ZoneInfo) -> Component:
    waiting = to_decide(view.prompts)
    parts: list[Component] = []
    if waiting:
        parts.append(html.P(f"{count_of(len(waiting), 'prompt')} without an answer."))
    if not view.prompts:
        return html.P("No prompt was raised.", className="quiet")
    parts.append(
        html.Ul(
            [prompt_card.answered_row(p, zone=zone, has_waits=True) for p in view.prompts],
            className="answered",
        )
    )
    return html.Div(parts)


def count_of(number: int, word: str) -> str:
    """'1 prompt', '2 prompts'."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _provenance(view: CaseView, zone: ZoneInfo) -> Component:
    return table(
        PROVENANCE_HEAD, provenance_rows(view, zone=zone), caption="Provenance", numeric=frozenset({1})
    )


def _entered_by() -> Component:
    return html.Label(
        [
            html.Span("corrections by", className="field-label"),
            dcc.Input(
                id=ids.ENTRY_BY, type="text", className="input", persistence=True, persistence_type="session"
            ),
        ],
        className="field entry",
    )


# callbacks -------------------------------------------------------------------------------


def close(
    workflow: Workflow,
    case_id: str,
    *,
    note: str | None,
    by: str | None,
    choices: dict[tuple[str, str | None], str] | None = None,
    reason: str | None = None,
) -> str:
    """Close the case as reconciled; what was done, or what is wrong."""
    if not (by or "").strip():
        return "Name who reconciled it, beside the corrections."
    open_names = [
        closing_panel.name_of(d)
        for d in workflow.reconciliation(case_id).undecided
        if (d.quantity, d.plane) not in (choices or {})
    ]
    if open_names:
        return f"Say what counts for: {'; '.join(open_names)}."
    if choices and not (reason or "").strip():
        return "A few words why: they stay with what counts."
    try:
        workflow.close_case(
            case_id,
            actor=actor_of(by, None),
            note=(note or "").strip() or None,
            choices=choices,
            reason=reason,
        )
    except DosetrackError as error:
        return str(error)
    return "Closed."


def chosen(keys: list[dict[str, Any]], values: list[str | None]) -> dict[tuple[str, str | None], str]:
    """The choices made on the page, by quantity and plane."""
    return {
        closing_panel.key_of_choice(key["key"]): value
        for key, value in zip(keys, values, strict=True)
        if value
    }


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    """The callbacks of one case."""

    @app.callback(
        Output(ids.CASE_BODY, "children"),
        Output(ids.CASE_TRAIL, "children"),
        Output(ids.CASE_POSITION, "data"),
        Output(ids.CASE_CLOSING, "children"),
        Output(ids.CASE_CLOSING_MARK, "data"),
        Input(ids.CASE_TICK, "n_intervals"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.CASE_POSITION, "data"),
        State(ids.CASE_CLOSING_MARK, "data"),
        prevent_initial_call=True,
    )
    def follow_case(_n: int, case_id: str, position: int, seen: str) -> tuple[Any, ...]:
        if workflow.position() == position:
            return (no_update,) * 5
        view = workflow.case_view(case_id)
        mark = closing_panel.panel_mark(view)
        panel = _closing(view) if mark != seen else no_update
        return account(view), trail(view), view.position, panel, mark

    @app.callback(
        Output(ids.CLOSE_MESSAGE, "children"),
        Input(ids.CLOSE_RECORD, "n_clicks"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.CLOSE_NOTE, "value"),
        State(ids.ENTRY_BY, "value"),
        State(ids.family(ids.CLOSE_CHOICE, ALL), "id"),
        State(ids.family(ids.CLOSE_CHOICE, ALL), "value"),
        State(ids.CLOSE_REASON, "value", allow_optional=True),
        prevent_initial_call=True,
    )
    def close_case(
        n: int | None,
        case_id: str,
        note: str | None,
        by: str | None,
        keys: list[dict[str, Any]],
        values: list[str | None],
        reason: str | None,
    ) -> Any:
        if not n:
            return no_update
        choices = chosen(keys, values)
        return close(workflow, case_id, note=note, by=by, choices=choices, reason=reason)
