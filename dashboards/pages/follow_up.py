"""Follow-up: who is seen again, by whom and when; the most urgent first, one row for each patient."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import ALL, Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import follow_up_view as fv
from dashboards import ids
from dashboards.components.filters import choice, filters, register_filters
from dashboards.components.who import checked_actor, who_field
from dashboards.follow_up_view import KIND_WORDS, Line, Row, Worklist
from dashboards.pages import follow_up_calls, follow_up_card
from dashboards.router import Page, Query, query_of
from dosetrack.errors import DosetrackError
from dosetrack.records.people import Role
from dosetrack.workflow.follow_up_audit import export_follow_up

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

NOTHING = "Nobody on record is to be seen again, as far as the ended cases tell."
NONE_FITS = "No patient fits these filters."
CUT = f"The first {fv.MOST_ITEMS} items are listed, the most urgent first; filters find the others."
MEANING = (
    "Every ended case is decided by the levels in force on its day. An item stands until a person settles it "
    "with a reason; 'not assessed' is not the same as no injury."
)
CHOOSE = "Choose patients in the list first."
HEAD = ("", "patient", "case", "why", "stands", "last", "next step", "owner")


def layout(workflow: Workflow, query: Query) -> Component:
    """The worklist for the filters of the address."""
    view = fv.worklist(workflow, query)
    return html.Div(
        [
            html.Header([html.H1("Follow-up"), head_words(view)], className="page-head"),
            html.P(MEANING, className="lead"),
            _filters(view, query),
            _tools(view, query),
            html.Div(body(view, query), id=ids.FOLLOW_LIST),
            dcc.Download(id=ids.FOLLOW_FILE),
        ],
        className="page follow-up",
    )


def head_words(view: Worklist) -> Component:
    """'7 overdue · 12 this week · 3 without owner · 4 kidney not assessed', each a link."""
    parts: list[Any] = []
    for count in view.head:
        parts += [" · " if parts else "", dcc.Link(f"{count.number} {count.words}", href=count.href)]
    return html.P(parts, className="follow-head")


def _filters(view: Worklist, query: Query) -> Component:
    owners = [(fv.NOBODY, "nobody"), *((name, name) for name in view.owners)]
    return filters(
        choice(ids.FOLLOW_DUE, "Due", list(fv.DUE.items()), query.get("due"), everything="any day"),
        choice(ids.FOLLOW_OWNER, "Owner", owners, query.get("owner"), everything="anybody"),
        choice(ids.FOLLOW_KIND, "Kind", list(KIND_WORDS.items()), query.get("kind"), everything="both"),
        choice(
            ids.FOLLOW_TIER, "Tier", [(t, t) for t in fv.TIERS], query.get("tier"), everything="every tier"
        ),
        choice(
            ids.FOLLOW_STATE,
            "State",
            [(s.value, s.value) for s in fv.OPEN_STATES],
            query.get("state"),
            everything="every state",
        ),
        choice(
            ids.FOLLOW_ROOM, "Room", [(r, r) for r in view.rooms], query.get("room"), everything="every room"
        ),
        choice(
            ids.FOLLOW_ORDER,
            "Order",
            list(fv.ORDERS.items()),
            query.get("order"),
            everything="urgent first",
        ),
        choice(ids.FOLLOW_ALL, "Settled", [("yes", "listed too")], query.get("all"), everything="left out"),
    )


def _tools(view: Worklist, query: Query) -> Component:
    owner = dmc.Autocomplete(
        id=ids.FOLLOW_NEW_OWNER, label="New owner", description="Empty: nobody", data=list(view.owners)
    )
    assign = html.Details(
        [
            html.Summary("Assign the chosen patients"),
            html.Div(
                [
                    owner,
                    who_field(ids.FOLLOW_WHO, view.owners),
                    html.Button("Choose all listed", id=ids.FOLLOW_CHOOSE_ALL, className="button"),
                    html.Button("Assign", id=ids.FOLLOW_ASSIGN, className="button is-strong"),
                ],
                className="setting-form is-row",
            ),
        ],
        className="follow-assign",
    )
    return html.Div(
        [
            assign,
            html.Div(
                [
                    dcc.Link("Call list of today", href=f"{fv.PATH}/calls", className="button"),
                    html.Button("Save list as CSV", id=ids.FOLLOW_EXPORT, className="button"),
                ],
                className="follow-buttons",
            ),
            html.P(id=ids.FOLLOW_MESSAGE, className="recorded", role="status"),
        ],
        className="follow-tools entry",
    )


def body(view: Worklist, query: Query) -> list[Component]:
    """The list, or why it is empty."""
    if not view.rows:
        is_filtered = any(key != "order" for key in query)
        return [html.P(NONE_FITS if is_filtered else NOTHING, className="notice")]
    cut = [html.P(CUT, className="quiet")] if view.is_cut else []
    return [*cut, _table(view.rows)]


def _table(rows: Sequence[Row]) -> Component:
    head = [html.Th(word or html.Span("choose", className="for-readers"), scope="col") for word in HEAD]
    return html.Div(
        html.Table(
            [
                html.Caption("Patients to be seen again, the most urgent first", className="for-readers"),
                html.Thead(html.Tr(head)),
                *(_patient(row) for row in rows),
            ],
            className="table follow-table",
        ),
        className="table-frame",
    )


def _patient(row: Row) -> Component:
    """One patient: a body of the table with one line for each item."""
    many = {"rowSpan": len(row.lines)}
    pick = dcc.Checklist(
        id=ids.family(ids.FOLLOW_PICK, row.keys),
        options=[{"label": html.Span(f"choose {row.name}", className="for-readers"), "value": row.keys}],
        value=[],
    )
    first: list[Component] = [
        html.Td(pick, className="follow-pick", **many),
        html.Th(
            [dcc.Link(row.name, href=row.href), html.Div(row.identity, className="quiet small")],
            scope="rowgroup",
            className="follow-patient",
            **many,
        ),
        html.Td(row.where, className="follow-where", **many),
    ]
    return html.Tbody(
        [html.Tr([*(first if n == 0 else []), *_cells(line)]) for n, line in enumerate(row.lines)]
    )


def _cells(line: Line) -> list[Component]:
    reasons = html.Ul([_reason(reason) for reason in line.reasons], className="follow-reasons")
    stands: list[Any] = [
        html.Span(line.shape, className="follow-shape", **{"aria-hidden": "true"}),
        html.Strong(line.standing),
        html.Div(line.state),
    ]
    if line.warning:
        mark = html.Span("◆ ", **{"aria-hidden": "true"})
        stands.append(html.Div([mark, line.warning], className="follow-warning"))
    told = (("why", [html.Strong(line.what), reasons]), ("stands", stands), ("last", line.last))
    rest = (("next step", line.next_step), ("owner", line.owner))
    return [html.Td(cell, **{"data-head": name}) for name, cell in (*told, *rest)]


def _reason(reason: fv.Reason) -> Component:
    value: list[Any] = []
    if reason.value:
        value = [": ", html.I(reason.value) if reason.is_estimated else html.Span(reason.value)]
    return html.Li([reason.text, *value], title=reason.source)


# what the controls do --------------------------------------------------------------------


def assign(
    workflow: Workflow, chosen: Sequence[str], *, owner: str | None, who: str | None
) -> tuple[bool, str]:
    """Give the chosen items to an owner; whether it was done, and what is said of it."""
    actor, wrong = checked_actor(who, Role.FOLLOW_UP.value)
    keys = [tuple(key.split("|", 1)) for keys in chosen for key in keys.split(";")]
    if actor is None or not keys:
        return False, wrong or CHOOSE
    try:
        changed = workflow.assign_follow_ups([(case, kind) for case, kind in keys], owner, actor=actor)
    except DosetrackError as error:
        return False, str(error)
    items = "1 item" if changed == 1 else f"{changed} items"
    return True, f"{items} given to {(owner or '').strip() or 'nobody'}."


def exported(workflow: Workflow, query: Query) -> dict[str, Any]:
    """Every item that fits the filters as a file, however many are listed."""
    return {
        "content": export_follow_up(fv.items_of(workflow, query)),
        "filename": f"follow-up-{workflow.today()}.csv",
        "type": "text/csv;charset=utf-8",
    }


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    register_filters(
        app,
        {
            "due": ids.FOLLOW_DUE,
            "owner": ids.FOLLOW_OWNER,
            "kind": ids.FOLLOW_KIND,
            "tier": ids.FOLLOW_TIER,
            "state": ids.FOLLOW_STATE,
            "room": ids.FOLLOW_ROOM,
            "order": ids.FOLLOW_ORDER,
            "all": ids.FOLLOW_ALL,
        },
    )

    @app.callback(
        Output(ids.FOLLOW_LIST, "children"),
        Output(ids.FOLLOW_MESSAGE, "children"),
        Input(ids.FOLLOW_ASSIGN, "n_clicks"),
        State(ids.family(ids.FOLLOW_PICK, ALL), "value"),
        State(ids.FOLLOW_NEW_OWNER, "value"),
        State(ids.FOLLOW_WHO, "value"),
        State(ids.LOCATION, "search"),
        prevent_initial_call=True,
    )
    def give(n: int | None, picked: list[list[str]], owner: str, who: str, search: str) -> Any:
        if not n:
            return no_update, no_update
        chosen = [value for values in picked for value in values or []]
        is_done, said = assign(workflow, chosen, owner=owner, who=who)
        query = query_of(search)
        return (body(fv.worklist(workflow, query), query) if is_done else no_update), said

    @app.callback(
        Output(ids.family(ids.FOLLOW_PICK, ALL), "value"),
        Input(ids.FOLLOW_CHOOSE_ALL, "n_clicks"),
        State(ids.family(ids.FOLLOW_PICK, ALL), "options"),
        prevent_initial_call=True,
    )
    def choose_all(n: int | None, options: list[list[dict[str, Any]]]) -> Any:
        return [[one["value"] for one in row] for row in options] if n else [no_update] * len(options)

    @app.callback(
        Output(ids.FOLLOW_FILE, "data"),
        Input(ids.FOLLOW_EXPORT, "n_clicks"),
        State(ids.LOCATION, "search"),
        prevent_initial_call=True,
    )
    def save(n: int | None, search: str) -> Any:
        return exported(workflow, query_of(search)) if n else no_update


PAGES = (
    Page(fv.PATH, layout, lambda _: "Follow-up", "Follow-up"),
    Page(f"{fv.PATH}/calls", follow_up_calls.layout, follow_up_calls.title, "Follow-up"),
    Page(f"{fv.PATH}/<case>", follow_up_card.layout, follow_up_card.title, "Follow-up"),
)
