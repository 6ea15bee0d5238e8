"""Case: where on the skin the dose went, how it grew, and the patient's place tried out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import ids, skin_words
from dashboards.components import skin_panel
from dashboards.components.skin_ahead import ahead_panel
from dashboards.components.skin_setup import entries_of, setup_controls, setup_from, tried_words
from dashboards.components.tables import section
from dashboards.figures.style import GRAPH_CONFIG
from dashboards.pages.room_entry import actor_of
from dashboards.skin_held import Drawn, HeldMaps
from dashboards.skin_steps import (
    body_figure,
    body_patch,
    flat_figure,
    growth_figure,
    moment_of,
    moment_words,
)
from dosetrack.errors import DosetrackError
from dosetrack.records.entries import PatientPlaced
from dosetrack.skin.ahead import fluoroscopy_rate, look_ahead
from dosetrack.skin.setup import PatientSetup
from dosetrack.times import zone_named

if TYPE_CHECKING:
    from dosetrack.skin.ahead import Ahead
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import SkinMapView

WORKING = "The skin map is being worked out."
WHO_MISSING = "Name who records it, in the field 'corrections by' below."
NOTHING_TRIED = "Nothing differs from what is recorded."
SAVED = "Recorded; the map follows."


# layout ----------------------------------------------------------------------------------


def skin_section() -> Component:
    """The place of the map on the page of a case; filled as soon as the map is worked out."""
    return section(
        "Skin dose",
        dcc.Store(id=ids.SKIN_MARK),
        html.Div(
            html.P(WORKING, className="quiet skin-waiting", role="status"),
            id=ids.SKIN_PLACE,
            className="skin",
        ),
        name="skin-section",
    )


def place(
    view: SkinMapView, held: HeldMaps, *, zone: ZoneInfo, ahead: Ahead | None = None
) -> list[Component]:
    """Map and controls as recorded."""
    return [
        dcc.Store(id=ids.SKIN_TRIED),
        html.Div(maps(view, held, zone=zone, ahead=ahead), id=ids.SKIN_MAPS, className="skin-maps"),
        setup_controls(view.setup),
    ]


def maps(
    view: SkinMapView,
    held: HeldMaps,
    *,
    zone: ZoneInfo,
    ahead: Ahead | None = None,
    is_tried: bool = False,
) -> list[Component]:
    """All that changes with the patient's place: figures, numbers and tables, or why there is no map.

    is_tried : nothing is recorded; the figure says so, and places do not tell their views
    """
    if view.map is None or view.map.peak_mgy is None:
        return [html.Div(_without_peak(view), className="skin-none")]
    drawn = held.of(view.map)
    return [
        html.Div(
            [
                _flat_graph(drawn, is_tried=is_tried),
                _slider(drawn, zone),
                html.Div(skin_panel.flat_numbers(view.map, view.map.dose_mgy), id=ids.SKIN_FLAT_ROWS),
                *_growth(drawn, zone),
            ],
            className="skin-map",
        ),
        html.Div([skin_panel.number_block(view), _body_graph(drawn)], className="skin-side"),
        html.Div(
            [
                html.Div(ahead_panel(ahead), id=ids.SKIN_AHEAD),
                skin_panel.tables(view.map, zone=zone),
                html.P(skin_words.CAUTION, className="quiet"),
            ],
            className="skin-below",
        ),
    ]


def _without_peak(view: SkinMapView) -> Component:
    if view.map is None:
        return skin_panel.no_map(view)
    told = "; ".join(finding.text for finding in view.map.findings)
    return skin_panel.no_map(replace(view, map=None, reason=told or "No beam meets the body."))


def _flat_graph(drawn: Drawn, *, is_tried: bool) -> Component:
    return graph(ids.SKIN_FLAT, flat_figure(drawn, None, is_tried=is_tried), name="skin-flat")


def _body_graph(drawn: Drawn) -> Component:
    return html.Div(
        [
            graph(
                ids.SKIN_BODY,
                body_figure(drawn, None),
                name="skin-body",
                buttons=("toImage", "resetCameraDefault3d"),
            ),
            html.P("Drag to turn; the faint sheet is the table top.", className="quiet skin-hint"),
        ]
    )


def graph(
    name_id: str,
    figure: Any,
    *,
    name: str,
    buttons: tuple[str, ...] = ("toImage", "zoomIn2d", "zoomOut2d", "resetScale2d"),
) -> Component:
    """A figure in a frame of its own height, which can be saved as a picture."""
    config = {
        **GRAPH_CONFIG,
        "displayModeBar": "hover",
        "modeBarButtons": [list(buttons)],
        "toImageButtonOptions": {"format": "png", "scale": 2, "filename": name},
    }
    return html.Div(dcc.Graph(id=name_id, figure=figure, config=config, responsive=True), className=name)


def _slider(drawn: Drawn, zone: ZoneInfo) -> Component:
    steps = len(drawn.ends)
    return html.Div(
        [
            html.Div(
                [
                    html.Span("How the map grew", id="skin-step-name"),
                    html.Strong(
                        moment_words(drawn, None, zone), id=ids.SKIN_MOMENT, **{"aria-live": "polite"}
                    ),
                ],
                className="skin-step-head",
            ),
            dcc.Slider(
                id=ids.SKIN_STEP,
                min=1,
                max=max(steps, 1),
                step=1,
                value=max(steps, 1),
                marks={n: str(events) for n, events in enumerate(drawn.ends, start=1)},
                allow_direct_input=False,
                updatemode="drag",
            ),
            html.P("events from the start; arrow keys move it", className="quiet skin-hint"),
        ],
        className="skin-step",
        role="group",
        **{"aria-labelledby": "skin-step-name"},
    )


def _growth(drawn: Drawn, zone: ZoneInfo) -> list[Component]:
    if not drawn.skin_map.growth:
        return []
    return [
        html.H3("Growth of the peak"),
        graph(ids.SKIN_GROWTH, growth_figure(drawn, None, zone), name="skin-growth"),
        skin_panel.growth_numbers(drawn.skin_map, zone=zone),
    ]


# what the controls do --------------------------------------------------------------------


def mark_of(view: SkinMapView) -> str:
    """What tells one map from another, so that a page redraws only when its map changed."""
    peak = view.map.peak_mgy if view.map else None
    beams = sum(len(case.beams) for case in view.map.cases) if view.map else 0
    return repr((peak, beams, view.reason, view.setup, view.screening, view.cases))


def what_may_come(workflow: Workflow, case_id: str, view: SkinMapView) -> Ahead | None:
    """The look ahead of a running case with the rate of its latest fluoroscopy; None at rest."""
    case = workflow.case_view(case_id).case
    if view.map is None or not case.is_open:
        return None
    rate = fluoroscopy_rate([timed.counted.event for timed in case.events])
    return look_ahead(view.map, rate_mgy_per_min=rate, angle_frame=view.system.angle_frame)


def tried_setup(workflow: Workflow, case_id: str, values: Mapping[str, Any]) -> PatientSetup | None:
    """The setup the controls tell; None when it is the recorded one."""
    recorded = workflow.skin_map(case_id).setup
    tried = setup_from(recorded, values)
    return None if tried == recorded else tried


def setup_as_data(setup: PatientSetup | None) -> dict[str, Any] | None:
    """A setup as a browser keeps it."""
    return None if setup is None else asdict(setup)


def setup_from_data(data: Mapping[str, Any] | None) -> PatientSetup | None:
    """A setup as a browser kept it."""
    if data is None:
        return None
    return PatientSetup(**{**data, "shift_mm": tuple(data["shift_mm"])})


def save(workflow: Workflow, case_id: str, tried: PatientSetup | None, *, by: str | None) -> str:
    """Record what was tried; what was done, or what is wrong."""
    if tried is None:
        return NOTHING_TRIED
    if not (by or "").strip():
        return WHO_MISSING
    actor = actor_of(by, None)
    try:
        for entry in entries_of(workflow.skin_map(case_id).setup, tried):
            if isinstance(entry, PatientPlaced):
                workflow.place_patient(case_id, entry, actor=actor)
            else:
                workflow.record(case_id, entry, actor=actor, is_confirmed=True)
    except DosetrackError as error:
        return str(error)
    return SAVED


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    """The callbacks of the map."""
    desk = _Desk(workflow, HeldMaps())
    _register_place(app, desk)
    _register_trying(app, desk)
    _register_steps(app, desk)


@dataclass(frozen=True, slots=True)
class _Desk:
    """What every callback of the map works with."""

    workflow: Workflow
    held: HeldMaps

    def zone(self, case_id: str) -> ZoneInfo:
        return zone_named(self.workflow.case_view(case_id).time_zone)

    def place(self, case_id: str, view: SkinMapView) -> list[Component]:
        ahead = what_may_come(self.workflow, case_id, view)
        return place(view, self.held, zone=self.zone(case_id), ahead=ahead)

    def maps(self, case_id: str, tried: PatientSetup | None) -> list[Component]:
        view = self.workflow.skin_map(case_id, setup_override=tried)
        ahead = what_may_come(self.workflow, case_id, view)
        return maps(view, self.held, zone=self.zone(case_id), ahead=ahead, is_tried=tried is not None)

    def drawn(self, case_id: str, tried: Mapping[str, Any] | None) -> Drawn | None:
        view = self.workflow.skin_map(case_id, setup_override=setup_from_data(tried))
        return self.held.of(view.map) if view.map is not None else None


def _register_place(app: Dash, desk: _Desk) -> None:
    @app.callback(
        Output(ids.SKIN_PLACE, "children"),
        Output(ids.SKIN_MARK, "data"),
        Input(ids.CASE_POSITION, "data"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.SKIN_MARK, "data"),
    )
    def follow(_position: int, case_id: str, mark: str | None) -> tuple[Any, Any]:
        try:
            view = desk.workflow.skin_map(case_id)
        except DosetrackError as error:
            return html.P(str(error), className="notice", role="alert"), None
        if mark_of(view) == mark:
            return no_update, no_update
        return desk.place(case_id, view), mark_of(view)

    @app.callback(
        Output(ids.SKIN_PLACE, "children", allow_duplicate=True),
        Input(ids.SKIN_BACK, "n_clicks"),
        State(ids.ENTRY_CASE, "data"),
        prevent_initial_call=True,
    )
    def back(clicks: int | None, case_id: str) -> Any:
        return desk.place(case_id, desk.workflow.skin_map(case_id)) if clicks else no_update


def _register_trying(app: Dash, desk: _Desk) -> None:
    @app.callback(
        Output(ids.SKIN_MAPS, "children"),
        Output(ids.SKIN_TRIED, "data"),
        Output(ids.SKIN_TRIED_WORDS, "children"),
        Output(ids.SKIN_SAVE, "disabled"),
        Output(ids.SKIN_BACK, "disabled"),
        Input(ids.family(ids.SKIN_SETUP, ALL), "value"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.SKIN_TRIED, "data"),
        prevent_initial_call=True,
    )
    def try_out(_values: list[Any], case_id: str, before: dict[str, Any] | None) -> tuple[Any, ...]:
        values = {one["id"]["key"]: one.get("value") for one in ctx.inputs_list[0]}
        tried = tried_setup(desk.workflow, case_id, values)
        if setup_as_data(tried) == before:
            return (no_update,) * 5
        is_tried = tried is not None
        shown = desk.maps(case_id, tried)
        return shown, setup_as_data(tried), tried_words(is_tried), not is_tried, not is_tried

    @app.callback(
        Output(ids.SKIN_MESSAGE, "children"),
        Input(ids.SKIN_SAVE, "n_clicks"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.SKIN_TRIED, "data"),
        State(ids.ENTRY_BY, "value"),
        prevent_initial_call=True,
    )
    def record(clicks: int | None, case_id: str, tried: dict[str, Any] | None, by: str | None) -> Any:
        return save(desk.workflow, case_id, setup_from_data(tried), by=by) if clicks else no_update


def _register_steps(app: Dash, desk: _Desk) -> None:
    @app.callback(
        Output(ids.SKIN_FLAT, "figure"),
        Output(ids.SKIN_BODY, "figure"),
        Output(ids.SKIN_GROWTH, "figure"),
        Output(ids.SKIN_MOMENT, "children"),
        Output(ids.SKIN_FLAT_ROWS, "children"),
        Input(ids.SKIN_STEP, "value"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.SKIN_TRIED, "data"),
        prevent_initial_call=True,
    )
    def step_to(step: int | None, case_id: str, tried: dict[str, Any] | None) -> tuple[Any, ...]:
        drawn = desk.drawn(case_id, tried)
        if drawn is None:
            return (no_update,) * 5
        zone, moment = desk.zone(case_id), moment_of(drawn, step)
        dose = drawn.skin_map.dose_mgy if moment is None else moment.dose_mgy
        return (
            flat_figure(drawn, step, zone=zone, is_tried=tried is not None),
            body_patch(drawn, step),
            growth_figure(drawn, step, zone),
            moment_words(drawn, step, zone),
            skin_panel.flat_numbers(drawn.skin_map, dose),
        )

    app.clientside_callback(
        ClientsideFunction("skin", "say_step"),
        Output(ids.SKIN_STEP, "className"),
        Input(ids.SKIN_MOMENT, "children"),
    )
