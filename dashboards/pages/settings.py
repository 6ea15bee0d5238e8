"""Settings: every level and choice of the site, with its source, who changed it, and how to change it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import ids
from dashboards.components.tables import section, table
from dashboards.components.who import checked_actor, role_field, who_field
from dashboards.pages import settings_references as references
from dashboards.pages.settings_parts import procedures, tab_link, tabs
from dashboards.router import Page, Query, query_of, search_of
from dashboards.view_models_settings import (
    SettingRow,
    accepted_words,
    change_words,
    groups,
    scope_words,
    setting_row,
    source_words,
    with_unit,
)
from dosetrack.errors import DosetrackError, InputError
from dosetrack.settings import SITE, SettingDefinition, checked_scope, checked_value, definition, definitions

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import SettingView

INTRODUCTION = (
    "Every level, window and reference is a setting of this site. A default stands here with its source; "
    "a change counts from the day given and never alters a decision already recorded."
)
CENTRED = {"data-block": "center"}
FIELDS = ("value", "scope", "from", "reason", "who")


def layout(workflow: Workflow, query: Query) -> Component:
    """The page at rest: settings by group, the form of the one chosen by `key`."""
    return html.Div(id=ids.SETTINGS_BODY, children=body(workflow, query), className="page settings")


def body(workflow: Workflow, query: Query, *, message: str = "") -> list[Component]:
    """What stands on the page for `query`; `message` says what was just recorded."""
    scope, key = query.get("scope", SITE), query.get("key")
    views = workflow.setting_views(scope)
    chosen = next((view for view in views if view.definition.key == key), None)
    return [
        html.H1("Settings"),
        tabs("settings"),
        html.P(INTRODUCTION, className="lead"),
        scopes(workflow, query),
        html.P(message, className="recorded", role="status"),
        html.Div(
            [html.Div(_groups(views, query), className="settings-groups"), *_panel(workflow, chosen, scope)],
            className="settings-columns" if chosen else "",
        ),
    ]


def scopes(workflow: Workflow, query: Query) -> Component:
    """Links to the scopes a setting can have: the site, each room, and each procedure met."""
    names = [
        SITE,
        *[f"room:{r}" for r in workflow.rooms()],
        *[f"procedure:{p}" for p in procedures(workflow)],
    ]
    current = query.get("scope", SITE)
    links = [
        tab_link(
            scope_words(name), "/settings" + search_of({**query, "scope": name}), is_current=name == current
        )
        for name in names
    ]
    return html.Nav(
        [html.Span("Values for", className="quiet"), *links], className="tabs", **{"aria-label": "Scope"}
    )


def _groups(views: tuple[SettingView, ...], query: Query) -> list[Component]:
    return [section(name, _table(name, members, query)) for name, members in groups(views).items()]


def _table(name: str, views: list[SettingView], query: Query) -> Component:
    head = ("Setting", "In force", "Default", "Source", "Last change")
    return table(head, [_cells(view, query) for view in views], caption=f"Settings: {name}")


def _cells(view: SettingView, query: Query) -> list[object]:
    row = setting_row(view)
    address = "/settings" + search_of({**query, "key": row.key}) + f"#row-{row.key}"
    return [
        [
            _link(row, address, is_chosen=query.get("key") == row.key),
            html.Div(row.meaning, className="quiet small"),
        ],
        [html.Div(row.value, className="setting-value"), html.Div(row.origin, className="quiet small")],
        html.Div(row.default, className="setting-value"),
        html.Div(row.source, className="small"),
        html.Div(row.changed, className="small quiet"),
    ]


def _link(row: SettingRow, address: str, *, is_chosen: bool) -> Component:
    link = dcc.Link(row.label, href=address, className="setting-link")
    mark = {"aria-current": "true"} if is_chosen else {}
    return html.Div(link, id=f"row-{row.key}", className="is-chosen" if is_chosen else "", **mark, **CENTRED)


def _panel(workflow: Workflow, view: SettingView | None, scope: str) -> list[Component]:
    if view is None:
        return []
    close = dcc.Link("close", href="/settings" + search_of({"scope": scope}), className="panel-close")
    return [
        html.Aside(
            [
                close,
                html.H2(view.definition.label),
                _facts(view),
                _form(workflow, view, scope),
                _history(view),
            ],
            id="setting-panel",
            className="settings-panel",
        )
    ]


def _facts(view: SettingView) -> Component:
    row = setting_row(view)
    lines = (
        ("In force", f"{row.value} ({row.origin})"),
        ("Default", row.default),
        ("Source", row.source),
        ("Key", row.key),
    )
    return html.Dl([html.Div([html.Dt(name), html.Dd(text)]) for name, text in lines], className="facts")


def _form(workflow: Workflow, view: SettingView, scope: str) -> Component:
    wanted = view.definition
    allowed = list(_scopes_of(workflow, wanted))
    chosen = scope if scope in allowed else allowed[0]
    return html.Form(
        [
            html.H3("Change it"),
            _value_field(wanted, view.value),
            dmc.Select(
                id=ids.SETTING_SCOPE,
                label="Where it counts",
                data=[{"value": s, "label": scope_words(s)} for s in allowed],
                value=chosen,
                allowDeselect=False,
            ),
            dmc.TextInput(
                id=ids.SETTING_FROM, label="Valid from", description="YYYY-MM-DD", value=workflow.today()
            ),
            dmc.TextInput(id=ids.SETTING_REASON, label="Reason", required=True),
            dmc.TextInput(
                id=ids.SETTING_SOURCE,
                label="Source of the value",
                description="Publication, protocol or check; may be empty",
            ),
            who_field(ids.SETTING_WHO, workflow.people(None)),
            role_field(ids.SETTING_ROLE),
            html.Button(
                "Record the change",
                id=ids.SETTING_SAVE,
                className="button is-strong",
                n_clicks=0,
                type="button",
            ),
        ],
        className="setting-form",
    )


def _value_field(wanted: SettingDefinition, value: str) -> Component:
    common = {
        "id": ids.SETTING_VALUE,
        "label": f"Value [{wanted.unit}]" if wanted.unit else "Value",
        "description": f"{accepted_words(wanted)} Empty: back to the wider scope.",
        "value": value,
    }
    if wanted.kind == "flag":
        return dmc.Select(data=["yes", "no"], clearable=True, **common)
    if wanted.kind == "choice":
        return dmc.Select(data=list(wanted.choices), clearable=True, **common)
    if wanted.kind == "text" and not wanted.unit:
        return dmc.Textarea(autosize=True, minRows=2, maxRows=12, **common)
    return dmc.TextInput(**common)


def _scopes_of(workflow: Workflow, wanted: SettingDefinition) -> list[str]:
    names = {"site": [SITE], "room": [f"room:{r}" for r in workflow.rooms()]}
    names["procedure"] = [f"procedure:{p}" for p in procedures(workflow)]
    return [name for place in wanted.scopes for name in names[place]] or [SITE]


def _history(view: SettingView) -> Component:
    if not view.history:
        return html.P("Never changed: the default has been in force throughout.", className="quiet")
    items = [
        html.Li([
            html.Strong(with_unit(change.value, view.definition.unit)), f" · {scope_words(change.scope)}",
            html.Div(change_words(change), className="small"),
            html.Div(source_words(change), className="small quiet"),
        ])
        for change in view.history
    ]  # fmt: skip
    return html.Div([html.H3("History, newest first"), html.Ol(items, className="history")])


def refusals(key: str, value: str, scope: str, valid_from: str, reason: str) -> dict[str, str]:
    """What cannot be accepted, by field of the form; empty when all can be recorded."""
    found: dict[str, str] = {}
    checks: tuple[tuple[str, Callable[[], object]], ...] = (
        ("value", lambda: checked_value(key, value)),
        ("scope", lambda: checked_scope(key, scope)),
        ("from", lambda: _checked_day(valid_from)),
        ("reason", lambda: _checked_reason(reason)),
    )
    for field, check in checks:
        try:
            check()
        except InputError as error:
            found[field] = f"Accepted: {error.accepted}."
    return found


def _checked_day(text: str) -> str:
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError:
        raise InputError(field="valid from", given=text, accepted="a day as YYYY-MM-DD") from None


def _checked_reason(text: str) -> str:
    if not text.strip():
        raise InputError(field="reason", given=text, accepted="a few words on why it is changed")
    return text.strip()


def save(workflow: Workflow, query: Query, form: dict[str, str | None]) -> tuple[Any, ...]:
    """The page's new body and the refusal beside each field, in the order of `FIELDS`."""
    key = query.get("key", "")
    given = {name: text or "" for name, text in form.items()}
    found = refusals(key, given["value"], given["scope"], given["from"], given["reason"])
    actor, refusal = checked_actor(given["who"], given["role"])
    if actor is None:
        found["who"] = refusal
    if found or actor is None or key not in definitions():
        return no_update, *(found.get(name, "") for name in FIELDS)
    try:
        workflow.change_setting(
            key=key,
            scope=given["scope"],
            value=checked_value(key, given["value"]),
            valid_from=_checked_day(given["from"]),
            actor=actor,
            reason=_checked_reason(given["reason"]),
            source=given["source"].strip() or None,
        )
    except InputError as error:
        return no_update, f"Accepted: {error.accepted}.", "", "", "", ""
    except DosetrackError as error:
        return no_update, str(error), "", "", "", ""
    message = f"Recorded: {definition(key).label}, {scope_words(given['scope'])}, valid from {given['from']}."
    return body(workflow, {**query, "scope": given["scope"]}, message=message), "", "", "", "", ""


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    """The callbacks of the page."""

    @app.callback(
        Output(ids.SETTINGS_BODY, "children"),
        Output(ids.SETTING_VALUE, "error"),
        Output(ids.SETTING_SCOPE, "error"),
        Output(ids.SETTING_FROM, "error"),
        Output(ids.SETTING_REASON, "error"),
        Output(ids.SETTING_WHO, "error"),
        Input(ids.SETTING_SAVE, "n_clicks"),
        State(ids.LOCATION, "search"),
        State(ids.SETTING_VALUE, "value"),
        State(ids.SETTING_SCOPE, "value"),
        State(ids.SETTING_FROM, "value"),
        State(ids.SETTING_REASON, "value"),
        State(ids.SETTING_SOURCE, "value"),
        State(ids.SETTING_WHO, "value"),
        State(ids.SETTING_ROLE, "value"),
        prevent_initial_call=True,
    )
    def record(clicks: int | None, search: str | None, *form: str | None) -> tuple[Any, ...]:
        if not clicks:
            return (no_update,) * 6
        names = ("value", "scope", "from", "reason", "source", "who", "role")
        return save(workflow, query_of(search), dict(zip(names, form, strict=True)))

    references.register(app, workflow)


PAGES = (
    Page("/settings", layout, lambda _: "Settings", "Settings"),
    Page("/settings/references", references.layout, lambda _: "Reference levels", "Settings"),
    Page("/settings/published", references.published, lambda _: "Published limits", "Settings"),
)
