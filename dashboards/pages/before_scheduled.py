"""Before the case: the schedule of the room, filled in with one touch, and the earlier skin dose."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import ids, skin_words, theme
from dashboards import view_models as vm
from dashboards.before_schedule import emptied, filled, identity_words, marks
from dashboards.components import skin_panel
from dashboards.components.numbers import number
from dashboards.figures.skin_flat import skin_flat
from dashboards.figures.style import GRAPH_CONFIG
from dashboards.router import path_of
from dosetrack.errors import DosetrackError
from dosetrack.times import zone_named

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import SkinMapView
    from dosetrack.workflow.scheduling import Planned

TICK_MS = 10_000
NOT_SCHEDULED = "not-scheduled"
NOTHING_PLANNED = "Nothing on the schedule for this room today. Type the patient below."
ALL_BEGUN = "Everything on the schedule for this room has begun."
NO_EARLIER = "No earlier case with a dose report here: no patch of skin is known to steer away from."
WORKING = "The skin map of the earlier cases is being worked out. The form can be filled meanwhile."
ISSUER_WORDS = "Earlier cases hold the number {number} with the issuer {issuer}. The same person: use it"
STEER = "Another beam entry keeps new dose off this patch, where the procedure allows it."


def schedule_panel(workflow: Workflow, room: str) -> Component:
    """What is planned for the room today, kept up while the form stands open."""
    planned = workflow.schedule_of(workflow.today(), room)
    zone = zone_named(workflow.settings(room=room).text("site.time_zone"))
    return html.Section(
        [
            html.H2("On the schedule today"),
            dcc.Interval(id=ids.BEFORE_LIST_TICK, interval=TICK_MS),
            dcc.Store(id=ids.BEFORE_LIST_MARK, data=_mark(planned)),
            dcc.Store(id=ids.BEFORE_SCHEDULED),
            dcc.Store(id=ids.BEFORE_PATIENT),
            html.Div(schedule_list(planned, zone=zone), id=ids.BEFORE_LIST),
        ],
        className="schedule",
    )


def schedule_list(
    planned: Sequence[Planned], *, zone: ZoneInfo, chosen: str | None = None
) -> list[Component]:
    """One touch per planned procedure; what has its case already stands below, small."""
    waiting = [p for p in planned if p.case_id is None]
    begun = [p for p in planned if p.case_id is not None]
    if not waiting and not begun:
        return [html.P(NOTHING_PLANNED, className="quiet")]
    rows = {p.told.key: _button(p, zone, is_chosen=p.told.key == chosen) for p in waiting}
    parts: list[Component] = [_row(list(rows.values()))] if rows else [html.P(ALL_BEGUN, className="quiet")]
    if chosen is not None:
        others = [row for key, row in rows.items() if key != chosen]
        first = [rows[chosen]] if chosen in rows else []
        folded = html.Details([html.Summary(f"Others on the schedule ({len(others)})"), _row(others)])
        parts = [_row([*first, _not_scheduled()]), *([folded] if others else [])]
    lines = [_begun(p, zone) for p in begun]
    return [*parts, *([html.Ul(lines, className="schedule-begun")] if lines else [])]


def _row(shown: list[Component]) -> Component:
    return html.Div(shown, className="schedule-list")


def _not_scheduled() -> Component:
    return html.Button(
        "Not from the schedule: empty the form",
        id=ids.family(ids.BEFORE_FILL, NOT_SCHEDULED),
        className="button target is-quiet",
    )


def _button(planned: Planned, zone: ZoneInfo, *, is_chosen: bool) -> Component:
    told = planned.told
    born = f"born {vm.day(told.patient.birth_date)}" if told.patient.birth_date else None
    place = None if told.room else vm.joined("no room told", told.station, by=": ")
    people = ", ".join(map(vm.person_name, told.operators))
    return html.Button(
        [
            html.Span(_when(planned, zone), className="schedule-time"),
            html.Span(
                [
                    html.Strong(vm.joined(vm.person_name(told.patient.name) or told.patient.id)),
                    html.Span(vm.joined(told.patient.id, born), className="quiet"),
                    html.Span(vm.joined(told.procedure or "procedure not told", people or None, place)),
                ],
                className="schedule-who",
            ),
        ],
        id=ids.family(ids.BEFORE_FILL, told.key),
        className="button schedule-row is-chosen" if is_chosen else "button schedule-row",
        **{"aria-pressed": str(is_chosen).lower()},
    )


def _begun(planned: Planned, zone: ZoneInfo) -> Component:
    told = planned.told
    words = vm.joined(
        _when(planned, zone), vm.person_name(told.patient.name) or told.patient.id, told.procedure
    )
    return html.Li(
        [f"{words}: ", dcc.Link(planned.case_state or "case", href=path_of("case", planned.case_id or ""))],
        className="quiet",
    )


def _when(planned: Planned, zone: ZoneInfo) -> str:
    return vm.clock_time(planned.at, zone) if planned.at else "no time"


def _mark(planned: Sequence[Planned]) -> list[list[str | None]]:
    """What the list shows, to tell whether it must be drawn again."""
    return [
        [p.told.key, p.told.scheduled_at, p.case_id, p.case_state, p.told_at.isoformat()] for p in planned
    ]


def identity_bar() -> Component:
    """The two identifiers of a patient from the schedule, to be held against the wristband."""
    return html.Div(
        [
            html.Span(id=ids.BEFORE_IDENTITY_WORDS),
            dcc.Checklist(
                id=ids.BEFORE_IDENTITY_AGREES,
                options=["both agree with the patient's wristband"],
                value=[],
                className="choices",
            ),
        ],
        id=ids.BEFORE_IDENTITY,
        className="identity-bar",
        hidden=True,
    )


def skin_place() -> Component:
    """Where the earlier skin dose comes to stand; it never keeps the form waiting."""
    return html.Section(
        dcc.Loading(
            [dcc.Store(id=ids.BEFORE_SKIN_OF), html.Div(id=ids.BEFORE_SKIN)],
            custom_spinner=html.P(WORKING, className="quiet"),
            delay_show=200,
        ),
        className="section",
    )


def earlier_skin(view: SkinMapView | None) -> list[Component]:
    """The hottest patch of the earlier cases: site in words, small drawing, range."""
    if view is None:
        return [html.H2("Skin dose of earlier cases"), html.P(NO_EARLIER, className="quiet")]
    head = html.H2(f"Skin dose of {_cases(len(view.cases))}")
    skin_map = view.map
    if skin_map is None or skin_map.peak_mgy is None:
        return [head, skin_panel.no_map(view, is_short=True)]
    figure = skin_flat(skin_map, ground=theme.LIGHT, ramp="grey", uirevision="before-skin")
    return [
        head,
        number(skin_words.peak(skin_map), size="large"),
        html.P(STEER),
        html.Div(
            dcc.Graph(figure=figure, config=GRAPH_CONFIG, responsive=True), className="before-skin-figure"
        ),
        html.Details(
            [
                html.Summary("What the map stands on"),
                html.Ul([html.Li(words) for words in skin_words.assumed_words(skin_map)]),
                skin_panel.flat_numbers(skin_map, skin_map.dose_mgy),
            ]
        ),
    ]


def _cases(count: int) -> str:
    return "the earlier case" if count == 1 else f"{count} earlier cases"


def issuer_ask() -> Component:
    """The one touch that adds the issuer under which the number is held here."""
    return html.Div(
        html.Button(id=ids.BEFORE_ISSUER, className="button is-wide"),
        id=ids.BEFORE_ISSUER_ASK,
        className="choice-field",
        hidden=True,
    )


def issuer_offered(workflow: Workflow, fields: dict[str, str | None]) -> str | None:
    """The issuer under which earlier cases hold this number, where the form tells none."""
    number_typed = (fields.get("id") or "").strip()
    if not number_typed or (fields.get("issuer") or "").strip():
        return None
    held = workflow.issuers_of(number_typed)
    return held[0] if len(held) == 1 else None


# callbacks -------------------------------------------------------------------------------


def fill(
    workflow: Workflow, key: str, values: dict[str, str | None]
) -> tuple[dict[str, str | None], str | None]:
    """The fields and the key they came from, after a touch on `key`."""
    if key == NOT_SCHEDULED:
        return emptied(values), None
    told = workflow.scheduled(key)
    return (values, None) if told is None else (filled(values, told), key)


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    """The callbacks of the schedule."""
    _register_filling(app, workflow)
    _register_following(app, workflow)
    _register_skin(app, workflow)
    _register_issuer(app, workflow)


def _register_filling(app: Dash, workflow: Workflow) -> None:
    @app.callback(
        Output(ids.family(ids.BEFORE_FIELD, ALL), "value"),
        Output(ids.BEFORE_SCHEDULED, "data"),
        Output(ids.BEFORE_IDENTITY_AGREES, "value"),
        Input(ids.family(ids.BEFORE_FILL, ALL), "n_clicks"),
        State(ids.family(ids.BEFORE_FIELD, ALL), "id"),
        State(ids.family(ids.BEFORE_FIELD, ALL), "value"),
        prevent_initial_call=True,
    )
    def touch(
        clicks: list[int | None], names: list[dict[str, str]], values: list[str | None]
    ) -> tuple[Any, ...]:
        touched = ctx.triggered_id
        if not any(clicks) or not isinstance(touched, dict) or not ctx.triggered[0]["value"]:
            return [no_update] * len(names), no_update, no_update
        fields = {name["key"]: value for name, value in zip(names, values, strict=True)}
        now, key = fill(workflow, touched["key"], fields)
        return [now[name["key"]] for name in names], key, []

    @app.callback(
        Output(ids.BEFORE_LIST, "children"),
        Output(ids.BEFORE_LIST_MARK, "data"),
        Input(ids.BEFORE_LIST_TICK, "n_intervals"),
        Input(ids.BEFORE_SCHEDULED, "data"),
        State(ids.BEFORE_ROOM, "data"),
        State(ids.BEFORE_LIST_MARK, "data"),
        prevent_initial_call=True,
    )
    def keep_up(_n: int | None, chosen: str | None, room: str, mark: Any) -> tuple[Any, Any]:
        planned = workflow.schedule_of(workflow.today(), room)
        if ctx.triggered_id == ids.BEFORE_LIST_TICK and _mark(planned) == mark:
            return no_update, no_update
        zone = zone_named(workflow.settings(room=room).text("site.time_zone"))
        return schedule_list(planned, zone=zone, chosen=chosen), _mark(planned)


def _register_following(app: Dash, workflow: Workflow) -> None:
    @app.callback(
        Output(ids.family(ids.BEFORE_MARK, ALL), "children"),
        Output(ids.BEFORE_IDENTITY_WORDS, "children"),
        Output(ids.BEFORE_IDENTITY, "hidden"),
        Output(ids.BEFORE_PATIENT, "data"),
        Input(ids.family(ids.BEFORE_FIELD, ALL), "value"),
        Input(ids.BEFORE_SCHEDULED, "data"),
        State(ids.family(ids.BEFORE_FIELD, ALL), "id"),
        State(ids.family(ids.BEFORE_MARK, ALL), "id"),
        State(ids.BEFORE_PATIENT, "data"),
    )
    def follow(
        values: list[str | None],
        key: str | None,
        names: list[dict[str, str]],
        places: list[dict[str, str]],
        known: list[str | None] | None,
    ) -> tuple[Any, ...]:
        fields = {name["key"]: value for name, value in zip(names, values, strict=True)}
        told = marks(fields, workflow.scheduled(key) if key else None)
        patient = [(fields.get(name) or "").strip() or None for name in ("id", "issuer")]
        return (
            [told.get(place["key"], "") for place in places],
            identity_words(fields),
            key is None,
            no_update if patient == known else patient,
        )


def _register_skin(app: Dash, workflow: Workflow) -> None:
    @app.callback(
        Output(ids.BEFORE_SKIN, "children"),
        Output(ids.BEFORE_SKIN_OF, "data"),
        Input(ids.BEFORE_PATIENT, "data"),
        prevent_initial_call=True,
    )
    def show_skin(patient: list[str | None] | None) -> tuple[Any, Any]:
        if not patient or not patient[0]:
            return [], None
        try:
            view = workflow.skin_map_before(patient[0], patient_issuer=patient[1])
        except DosetrackError as error:
            return html.P(str(error), className="quiet"), patient
        return earlier_skin(view), patient

    app.clientside_callback(
        ClientsideFunction("shell", "hide_others"),
        Output(ids.BEFORE_SKIN, "hidden"),
        Input(ids.family(ids.BEFORE_FIELD, ALL), "value"),
        Input(ids.BEFORE_SKIN_OF, "data"),
        State(ids.family(ids.BEFORE_FIELD, ALL), "id"),
    )


def _register_issuer(app: Dash, workflow: Workflow) -> None:
    @app.callback(
        Output(ids.BEFORE_ISSUER_ASK, "hidden"),
        Output(ids.BEFORE_ISSUER, "children"),
        Output(ids.BEFORE_ISSUER, "value"),
        Input(ids.family(ids.BEFORE_FIELD, ALL), "value"),
        State(ids.family(ids.BEFORE_FIELD, ALL), "id"),
    )
    def offer_issuer(values: list[str | None], names: list[dict[str, str]]) -> tuple[Any, ...]:
        fields = {name["key"]: value for name, value in zip(names, values, strict=True)}
        issuer = issuer_offered(workflow, fields)
        return issuer is None, ISSUER_WORDS.format(number=fields.get("id"), issuer=issuer), issuer

    @app.callback(
        Output(ids.family(ids.BEFORE_FIELD, "issuer"), "value", allow_duplicate=True),
        Input(ids.BEFORE_ISSUER, "n_clicks"),
        State(ids.BEFORE_ISSUER, "value"),
        prevent_initial_call=True,
    )
    def use_issuer(clicks: int | None, issuer: str | None) -> Any:
        return issuer if clicks and issuer else no_update
