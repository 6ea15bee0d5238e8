"""Settings, part two: reference levels to choose from, and the published limits with their sources."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash_ag_grid as dag
import dash_mantine_components as dmc
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import ids
from dashboards.components.tables import section, table
from dashboards.components.who import checked_actor, role_field, who_field
from dashboards.pages.settings_parts import procedures, tabs
from dashboards.router import Query
from dashboards.view_models_settings import (
    QUANTITY_WORDS,
    REFERENCES_KEY,
    ChosenReference,
    chosen_references,
    published_rows,
    reference_rows,
    references_with,
    references_without,
    source_line,
)
from dosetrack.errors import DosetrackError
from dosetrack.settings import SITE
from dosetrack.tables import sources

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

INTRODUCTION = (
    "A reference level describes a country and a year, not a patient: it is no limit. None is used until "
    "the site chooses it for one of its own procedures; the local median of the rolling window is then "
    "compared with it when there are enough cases. Rows marked 'context only' are drawn and never compared."
)
TAKE_BACK = "reference-take-back"
COLUMNS = (
    ("procedure", "Procedure as published", 230),
    ("quantity_words", "Quantity", 120),
    ("value", "Value", 120),
    ("statistic", "Statistic", 190),
    ("country", "Country", 130),
    ("year", "Year", 80),
    ("population", "Population", 200),
    ("usable", "Use", 120),
    ("checked", "How checked", 220),
    ("source", "Source", 320),
)
PUBLISHED = (
    ("Contrast limits", "contrast_limits"),
    ("Radiation levels", "notification_levels"),
    ("Defaults of this project", "defaults"),
)


def layout(workflow: Workflow, query: Query) -> Component:
    """The reference levels chosen, and the table to choose from."""
    return html.Div(
        [
            html.H1("Reference levels"),
            tabs("references"),
            html.P(INTRODUCTION, className="lead"),
            html.Div(id=ids.REFERENCES_BODY, children=chosen_table(workflow)),
            section("Choose a level", grid(query.get("q", "")), choose_form(workflow)),
        ],
        className="page settings",
    )


def chosen_table(workflow: Workflow) -> Component:
    """The levels in use, each with a button that takes the choice back."""
    chosen = chosen_references(workflow.settings().text(REFERENCES_KEY))
    if not chosen:
        return section(
            "Chosen", html.P("None chosen: no comparison is drawn on any page.", className="quiet")
        )
    by_key = {row["key"]: row for row in reference_rows()}
    return section("Chosen", table(
        ("Our procedure", "Quantity", "Level", "Published for", "Source", ""),
        [_chosen_cells(choice, by_key.get(choice.key)) for choice in chosen],
        caption="Reference levels chosen by the site",
    ))  # fmt: skip


def _chosen_cells(choice: ChosenReference, row: dict[str, str] | None) -> list[object]:
    button = html.Button(
        "take back",
        id=ids.family(TAKE_BACK, choice.line),
        type="button",
        className="plain-button",
        n_clicks=0,
    )
    quantity = QUANTITY_WORDS.get(choice.quantity, choice.quantity)
    if row is None:
        return [choice.procedure, quantity, "no such row in the table", choice.key, "", button]
    published = f"{row['procedure']}, {row['population'] or row['country']}, {row['statistic']}"
    return [choice.procedure, quantity, row["value"], published, row["source"], button]


def grid(words: str) -> Component:
    """The packaged table of reference levels, to be filtered and picked from."""
    return dag.AgGrid(
        id=ids.REFERENCES_GRID,
        rowData=reference_rows(),
        columnDefs=[
            {"field": field, "headerName": name, "width": width, "tooltipField": field}
            for field, name, width in COLUMNS
        ],
        defaultColDef={"filter": True, "sortable": True, "resizable": True, "floatingFilter": True},
        getRowId="params.data.key",
        dashGridOptions={
            "rowSelection": {"mode": "singleRow", "enableClickSelection": True},
            "quickFilterText": words,
        },
        style={"height": "420px"},
        className="ag-theme-quartz grid",
    )


def choose_form(workflow: Workflow) -> Component:
    """For which of our procedures the selected row is used, why, and who decides."""
    return html.Form(
        [
            dmc.Autocomplete(
                id=ids.REFERENCES_PROCEDURE,
                label="Use the selected row for our procedure",
                data=procedures(workflow),
                required=True,
            ),
            dmc.TextInput(id=ids.REFERENCES_REASON, label="Reason", required=True),
            who_field(ids.REFERENCES_WHO, workflow.people(None)),
            role_field(ids.REFERENCES_ROLE),
            html.Button(
                "Record the choice",
                id=ids.REFERENCES_CHOOSE,
                n_clicks=0,
                type="button",
                className="button is-strong",
            ),
            html.P("", id=ids.REFERENCES_MESSAGE, role="status", className="recorded"),
        ],
        className="setting-form is-row",
    )


def choose(
    workflow: Workflow, selected: list[dict[str, str]] | None, form: dict[str, str | None]
) -> tuple[Any, str]:
    """The table of chosen levels after a choice, and what was recorded or would be accepted."""
    if not selected:
        return no_update, "Accepted: one row of the table, selected."
    procedure = (form["procedure"] or "").strip()
    if not procedure or "|" in procedure:
        return no_update, "Accepted: one of our procedures, its name without '|'."
    row = selected[0]
    if row["usable"] != "yes":
        return no_update, (
            f"The row '{row['statistic']}' is context only; accepted: a row marked 'yes' under Use."
        )
    text = workflow.settings().text(REFERENCES_KEY)
    added = ChosenReference(procedure=procedure, quantity=row["quantity"], key=row["key"])
    return _record(
        workflow, references_with(text, added), form, f"{procedure}: {row['value']} is used.", row["source"]
    )


def take_back(workflow: Workflow, line: str, form: dict[str, str | None]) -> tuple[Any, str]:
    """The table of chosen levels after one was taken back."""
    text = references_without(workflow.settings().text(REFERENCES_KEY), line)
    return _record(workflow, text, form, f"Taken back: {line}.", None)


def _record(
    workflow: Workflow, text: str, form: dict[str, str | None], said: str, source: str | None
) -> tuple[Any, str]:
    actor, refusal = checked_actor(form["who"], form["role"])
    reason = (form["reason"] or "").strip()
    if actor is None:
        return no_update, refusal
    if not reason:
        return no_update, "Accepted: a few words on why, under Reason."
    try:
        workflow.change_setting(
            key=REFERENCES_KEY, scope=SITE, value=text, valid_from=workflow.today(),
            actor=actor, reason=reason, source=source,
        )  # fmt: skip
    except DosetrackError as error:
        return no_update, str(error)
    return chosen_table(workflow), said


def published(workflow: Workflow, query: Query) -> Component:
    """Every published limit and level the program uses, with its source and how it was checked."""
    parts = [section(title, _published_table(title, name)) for title, name in PUBLISHED]
    listed = html.Ul([html.Li(source_line(source)) for source in sources().values()], className="sources")
    return html.Div(
        [
            html.H1("Published limits"),
            tabs("published"),
            html.P(
                [
                    "The numbers as printed. Those a site may change stand under ",
                    dcc.Link("Levels and choices", href="/settings"),
                    ".",
                ],
                className="lead",
            ),
            *parts,
            section("Sources", listed),
        ],
        className="page settings",
    )


def _published_table(title: str, name: str) -> Component:
    head = ("Key", "Value", "Applies to", "Source", "How checked", "Note")
    cells = [[r.key, r.value, r.applies_to, r.source, r.checked, r.note] for r in published_rows(name)]
    return table(head, cells, caption=title)


def register(app: Dash, workflow: Workflow) -> None:
    """The callbacks of the reference levels."""
    form = (
        State(ids.REFERENCES_PROCEDURE, "value"),
        State(ids.REFERENCES_REASON, "value"),
        State(ids.REFERENCES_WHO, "value"),
        State(ids.REFERENCES_ROLE, "value"),
    )
    names = ("procedure", "reason", "who", "role")

    @app.callback(
        Output(ids.REFERENCES_BODY, "children"),
        Output(ids.REFERENCES_MESSAGE, "children"),
        Input(ids.REFERENCES_CHOOSE, "n_clicks"),
        Input(ids.family(TAKE_BACK, ALL), "n_clicks"),
        State(ids.REFERENCES_GRID, "selectedRows"),
        *form,
        prevent_initial_call=True,
    )
    def change(
        chosen: int | None, taken: list[int | None], selected: list[dict[str, str]] | None, *given: str | None
    ) -> tuple[Any, str]:
        values = dict(zip(names, given, strict=True))
        if ctx.triggered_id == ids.REFERENCES_CHOOSE:
            return choose(workflow, selected, values) if chosen else (no_update, "")
        if not any(taken) or not ctx.triggered_id:
            return no_update, no_update
        return take_back(workflow, ctx.triggered_id["key"], values)
