"""Room: the patch of skin with the highest dose so far, to steer away from."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any

from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import ids, skin_words, theme
from dashboards.components import skin_panel
from dashboards.components.numbers import number
from dashboards.components.skin_ahead import ahead_panel
from dashboards.figures.skin_flat import skin_flat
from dashboards.figures.style import GRAPH_CONFIG
from dashboards.pages.skin import mark_of, what_may_come
from dosetrack.errors import DosetrackError

if TYPE_CHECKING:
    from dosetrack.skin.ahead import Ahead
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import SkinMapView

TICK_MS = 15_000
"""The page asks at once when what the map is made from moved; this is for what it cannot know of."""
WAITING = "The skin map follows the first dose report with events."


def hot_patch_panel() -> Component:
    """The place of the map in the hand view; filled and kept up by its own tick."""
    return html.Section(
        [
            html.H2("Skin dose map of what was reported so far"),
            dcc.Interval(id=ids.ROOM_SKIN_TICK, interval=TICK_MS),
            dcc.Store(id=ids.ROOM_SKIN_MARK),
            html.Div(html.P(WAITING, className="quiet"), id=ids.ROOM_SKIN, className="room-skin"),
        ],
        className="section room-skin-section",
    )


def hot_patch(view: SkinMapView, ahead: Ahead | None = None) -> list[Component]:
    """The map in greys with its lines of equal dose and what may come; without a map, why not."""
    skin_map = view.map
    if skin_map is None or skin_map.peak_mgy is None:
        return [skin_panel.no_map(view, is_short=True)]
    figure = skin_flat(skin_map, ground=theme.DARK, ramp="grey", uirevision="room-skin")
    return [
        html.Div(
            [
                html.Div(
                    dcc.Graph(id=ids.ROOM_SKIN_FIGURE, figure=figure, config=GRAPH_CONFIG, responsive=True),
                    className="room-skin-figure",
                ),
                skin_panel.flat_numbers(skin_map, skin_map.dose_mgy),
            ]
        ),
        html.Div([number(skin_words.peak(skin_map), size="large"), ahead_panel(ahead)]),
    ]


def shown(workflow: Workflow, case_id: str, mark: str | None) -> tuple[Any, Any]:
    """(what stands in the panel, its mark); nothing new while the map is the same."""
    try:
        view = workflow.skin_map(case_id, detail="peak")
    except DosetrackError as error:
        text = str(error)
        return (no_update, no_update) if text == mark else (html.P(text, className="quiet"), text)
    now = mark_of(view)
    if now == mark:
        return no_update, no_update
    return hot_patch(view, what_may_come(workflow, case_id, view)), now


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    """The callback of the panel."""

    @app.callback(
        Output(ids.ROOM_SKIN, "children"),
        Output(ids.ROOM_SKIN_MARK, "data"),
        Input(ids.ROOM_SKIN_TICK, "n_intervals"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.ROOM_SKIN_MARK, "data"),
    )
    def follow(_n: int | None, case_id: str, mark: str | None) -> tuple[Any, Any]:
        return shown(workflow, case_id, mark)
