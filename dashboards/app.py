"""The Dash application: shell, addresses, one callback that shows the page of an address."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import ClientsideFunction, Dash, Input, Output, dcc, html
from dash.development.base_component import Component

from dashboards import ids, theme
from dashboards.components.cautions import cautions
from dashboards.http_interface import interface
from dashboards.pages import (
    before,
    before_scheduled,
    case,
    cases,
    correcting,
    facts,
    follow_up,
    follow_up_card,
    machines,
    month,
    operators,
    patient,
    room,
    room_live,
    room_skin,
    rooms,
    settings,
    skin,
)
from dashboards.papers import papers
from dashboards.pulse import pulse
from dashboards.router import Page, match
from dashboards.security import protect
from dosetrack.errors import DosetrackError

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

Clock = Callable[[], datetime]
NO_PAGE = "Nothing is shown at this address."


def _now() -> datetime:
    return datetime.now(UTC)


def make_app(workflow: Workflow, *, clock: Clock = _now) -> Dash:
    """The dashboard over `workflow`, ready to be served; `clock` gives the present moment."""
    app = Dash(
        "dashboards",
        assets_folder="assets",
        title="Radiation and contrast",
        update_title="",
        serve_locally=True,
        suppress_callback_exceptions=True,  # pages come and go with the address
        enable_mcp=False,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    app.index_string = app.index_string.replace("<html>", '<html lang="en">')
    pages = page_table()
    app.layout = shell
    _register_router(app, workflow, pages)
    for register in page_registers():
        register(app, workflow, clock)
    app.server.register_blueprint(interface(workflow, clock))
    app.server.register_blueprint(papers(workflow))
    app.server.register_blueprint(pulse(workflow, clock))
    protect(app)
    return app


def page_table() -> tuple[Page, ...]:
    """Every address, most specific first within a section."""
    return (
        Page("/", rooms.picker, lambda _: "Rooms", "Room"),
        Page("/room", rooms.picker, lambda _: "Rooms", "Room"),
        Page("/room/<room>", room.hand, room.title, "Room", theme.DARK, has_chrome=False),
        Page("/room/<room>/wall", room.wall, room.title, "Room", theme.DARK, has_chrome=False),
        Page("/room/<room>/before", before.layout, before.title, "Room"),
        Page("/case", cases.layout, lambda _: "Cases", "Case"),
        Page("/case/<case>", case.layout, case.title, "Case"),
        *patient.PAGES,
        *follow_up.PAGES,
        *month.PAGES,
        *operators.PAGES,
        *machines.PAGES,
        *settings.PAGES,
    )


def page_registers() -> tuple[Callable[..., None], ...]:
    """What each page module calls to add its callbacks: ``register(app, workflow, clock)``."""
    modules = (
        room_live,
        room_skin,
        facts,
        correcting,
        before,
        before_scheduled,
        cases,
        case,
        skin,
        patient,
        follow_up,
        follow_up_card,
        month,
        operators,
        machines,
        settings,
    )
    return tuple(module.register for module in modules)


def shell() -> Component:
    """What surrounds every page: skip link, navigation, page, live region for new prompts."""
    return dmc.MantineProvider(
        id=ids.PROVIDER,
        forceColorScheme="light",
        theme={"fontFamily": theme.FONT_FAMILY, "primaryColor": "gray", "defaultRadius": 4},
        children=[
            dcc.Location(id=ids.LOCATION, refresh="callback-nav"),
            dcc.Store(id=ids.TITLE),
            html.Div(id=ids.ANNOUNCER, className="for-readers", role="status", **{"aria-live": "polite"}),
            html.Div(
                id=ids.SHELL,
                className="shell",
                **{"data-ground": "light"},
                children=[
                    html.A("Skip to the page", href=f"#{ids.PAGE}", className="skip-link"),
                    html.Header(id=ids.NAVIGATION),
                    html.Main(id=ids.PAGE, tabIndex=-1),
                ],
            ),
        ],
    )


def navigation(pages: tuple[Page, ...], current: str | None) -> Component:
    """The plain words that lead to each section; `current` is the section shown."""
    items = []
    for section in dict.fromkeys(page.section for page in pages):
        mark = {"aria-current": "page"} if section == current else {}
        items.append(html.Li(dcc.Link(section, href=f"/{section.lower()}", className="nav-link"), **mark))
    return html.Nav(html.Ul(items), className="nav", **{"aria-label": "Pages"})


def page_of(
    workflow: Workflow, pages: tuple[Page, ...], pathname: str | None, search: str | None
) -> tuple[Component, str, Page | None]:
    """What stands at an address: the page's body, its title, and its row of the table."""
    found = match(pages, pathname, search)
    if found is None:
        return html.P(NO_PAGE, className="notice"), NO_PAGE, None
    try:
        body = found.page.layout(workflow, found.query)
    except DosetrackError as error:
        body = html.P(str(error), className="notice", role="alert")
    return body, found.page.title(found.query), found.page


def _register_router(app: Dash, workflow: Workflow, pages: tuple[Page, ...]) -> None:
    @app.callback(
        Output(ids.PAGE, "children"),
        Output(ids.NAVIGATION, "children"),
        Output(ids.TITLE, "data"),
        Output(ids.SHELL, "data-ground"),
        Output(ids.SHELL, "style"),
        Output(ids.PROVIDER, "forceColorScheme"),
        Input(ids.LOCATION, "pathname"),
        Input(ids.LOCATION, "search"),
    )
    def show(pathname: str | None, search: str | None) -> tuple[Any, ...]:
        body, title, page = page_of(workflow, pages, pathname, search)
        ground = page.ground if page else theme.LIGHT
        has_chrome = page.has_chrome if page else True
        links = navigation(pages, page.section if page else None) if has_chrome else None
        foot = cautions() if has_chrome else None
        return [body, foot], links, title, ground.name, ground.css_variables(), ground.name

    app.clientside_callback(
        ClientsideFunction("shell", "to_top"),
        Output(ids.PAGE, "tabIndex"),
        Input(ids.LOCATION, "pathname"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction("shell", "set_title"),
        Output(ids.TITLE, "modified_timestamp"),
        Input(ids.TITLE, "data"),
        prevent_initial_call=True,
    )
