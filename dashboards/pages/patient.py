"""Patient: the body across cases, radiation, contrast and creatinine on one time axis, what is open."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import ids, patient_view, skin_words, theme
from dashboards.components import skin_panel
from dashboards.components.follow_up_links import follow_up_list
from dashboards.components.number_table import figure_with_numbers, number_table
from dashboards.components.tables import section, table
from dashboards.components.who import checked_actor, who_field
from dashboards.figures.patient_course import patient_course
from dashboards.figures.skin_body import skin_body
from dashboards.figures.skin_flat import skin_flat
from dashboards.pages.skin import graph
from dashboards.router import Page, Query
from dashboards.skin_held import HeldMaps
from dosetrack.errors import DosetrackError
from dosetrack.records.people import Role
from dosetrack.workflow.patients import KINDS_ELSEWHERE

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.patients import PatientCourse
    from dosetrack.workflow.results import SkinMapView

ASK = "Which patient? Give the number, and its issuer where several hold the same number."
WORKING = "The skin of the newest cases is being worked out."
COURSE_SAYS = (
    "Dots: Ka,r of single cases, by plane. Dashed upright: a case on record whose number is not known; it is "
    "a gap and not zero. Grey: the look-back windows. Diamonds: creatinine as the laboratory wrote it, "
    "hollow while it was changing; dotted uprights: contrast."
)
OTHER_ISSUERS = "The same number is also held by another issuer. Nobody has said that it is the same person:"
TOLD = "Noted."


def title(query: Query) -> str:
    """Patients are not named in a browser's history."""
    return "Patient"


def layout(workflow: Workflow, query: Query) -> Component:
    """The patient of the number and issuer in the address."""
    number = (query.get("id") or "").strip()
    if not number:
        return html.Div([html.H1("Patient"), search(), html.P(ASK, className="notice")], className="page")
    try:
        course = workflow.patient_course(number, patient_issuer=query.get("issuer") or None)
    except DosetrackError as error:
        said = html.P(str(error), className="notice", role="alert")
        return html.Div([html.H1("Patient"), search(), said, *_choices(workflow, number)], className="page")
    return html.Div(
        [
            dcc.Store(id=ids.PATIENT_NEWEST, data=course.newest_case_id),
            dcc.Store(id=ids.PATIENT_OF, data=[number, course.patient.id_issuer]),
            html.Header([html.H1("Patient"), search()], className="page-head patient-head"),
            html.P(patient_view.identity_words(course.patient), className="patient-identity"),
            *_others(course, number),
            section("Follow-up", _follow_up(workflow, course)),
            section("Over time", html.P(patient_view.NO_TOTAL, className="quiet"), _over_time(course)),
            section(
                "Skin across cases",
                html.Div(html.P(WORKING, className="quiet", role="status"), id=ids.PATIENT_SKIN),
            ),
            section("Cases", number_table(patient_view.case_table(course))),
            _elsewhere(workflow, course),
        ],
        className="page patient",
    )


def search() -> Component:
    """A field that leads to a patient's page by number."""
    return html.Label(
        [
            html.Span("patient number", className="field-label"),
            dcc.Input(
                id=ids.PATIENT_SEARCH,
                type="text",
                className="input",
                debounce=True,
                autoComplete="off",
                placeholder="number, then Enter",
            ),
        ],
        className="field patient-search",
    )


def _choices(workflow: Workflow, number: str) -> list[Component]:
    """The issuers that hold a number, to choose from."""
    links = [
        html.Li(dcc.Link(issuer, href=patient_view.address(number, issuer)))
        for issuer in workflow.patient_issuers(number)
    ]
    return [html.Ul(links)] if links else []


def _others(course: PatientCourse, number: str) -> list[Component]:
    if not course.issuers:
        return []
    links: list[Any] = []
    for issuer in course.issuers:
        links += [" ", dcc.Link(issuer or "no issuer", href=patient_view.address(number, issuer))]
    return [html.P([html.Span("▲ ", **{"aria-hidden": "true"}), OTHER_ISSUERS, *links])]


def _over_time(course: PatientCourse) -> Component:
    figure = patient_course(patient_view.lanes_of(course))
    numbers = patient_view.creatinine_table(course)
    return figure_with_numbers(figure, numbers, component_id="patient-course", says=COURSE_SAYS)


def _follow_up(workflow: Workflow, course: PatientCourse) -> Component:
    patient = course.patient
    found = workflow.follow_up_items(patient_id=patient.id, is_open=None) if patient.id else ()
    same = [one for one in found if one.item.patient.id_issuer == patient.id_issuer and one.item.was_asked]
    return follow_up_list(same)


# radiotherapy and cases elsewhere ---------------------------------------------------------


def _elsewhere(workflow: Workflow, course: PatientCourse) -> Component:
    rows = [(told.kind, told.when, told.text, told.by) for told in course.elsewhere]
    listed = (
        table(("what", "when", "as told", "noted by"), rows, caption="Told from elsewhere")
        if rows
        else html.P("Nothing was told; that does not mean that there was nothing.", className="quiet")
    )
    form = html.Details(
        [
            html.Summary("Add radiotherapy or a case elsewhere"),
            html.Div(
                [
                    dmc.Select(
                        id=ids.PATIENT_TOLD_KIND,
                        label="What",
                        data=list(KINDS_ELSEWHERE),
                        value=KINDS_ELSEWHERE[0],
                        allowDeselect=False,
                    ),
                    dmc.TextInput(
                        id=ids.PATIENT_TOLD_WHEN, label="When", placeholder="YYYY, YYYY-MM or YYYY-MM-DD"
                    ),
                    dmc.TextInput(
                        id=ids.PATIENT_TOLD_TEXT,
                        label="Site and dose as told",
                        placeholder="left breast, 50 Gy in 25 fractions",
                    ),
                    who_field(ids.PATIENT_TOLD_WHO, workflow.people()),
                    html.Button("Note it", id=ids.PATIENT_TOLD_RECORD, className="button"),
                    html.Div(id=ids.PATIENT_TOLD_MESSAGE, className="field-error", role="alert"),
                ],
                className="setting-form is-row",
            ),
        ],
        className="entry",
    )
    says = html.P(patient_view.ELSEWHERE_SAYS, className="quiet")
    return section("Radiotherapy and cases elsewhere", says, listed, form)


def tell(
    workflow: Workflow,
    case_id: str | None,
    *,
    kind: str | None,
    when: str | None,
    text: str | None,
    who: str | None,
) -> str:
    """Note what was told; what was done, or what is wrong."""
    actor, wrong = checked_actor(who, Role.FOLLOW_UP.value)
    if actor is None:
        return wrong
    if case_id is None:
        return "There is no case with a date to keep it with."
    try:
        workflow.tell_elsewhere(case_id, kind=kind or "", when=when, text=text or "", actor=actor)
    except DosetrackError as error:
        return str(error)
    return TOLD


# the skin --------------------------------------------------------------------------------


def skin_place(view: SkinMapView, course: PatientCourse, held: HeldMaps) -> list[Component]:
    """The common map, what each case gave, and the cases apart."""
    apart = patient_view.apart_rows(view, course)
    parts: list[Component] = []
    if view.map is None or view.map.peak_mgy is None:
        parts.append(skin_panel.no_map(view))
    else:
        parts.append(_maps(view, held))
        parts.append(html.H3("What each case gave"))
        parts.append(
            table(
                patient_view.SHARES_HEAD,
                patient_view.share_rows(view),
                caption="Cases on the map",
                numeric=frozenset({1, 2, 3}),
            )
        )
    if apart:
        parts.append(html.H3("Cases not on this body"))
        parts.append(
            table(patient_view.APART_HEAD, apart, caption="Cases not on the map", numeric=frozenset({1}))
        )
    window = f"Look-back window: {course.radiation_days:g} days before the newest case."
    parts.append(html.P(f"{window} {skin_words.CAUTION}", className="quiet"))
    return parts


def _maps(view: SkinMapView, held: HeldMaps) -> Component:
    skin_map = view.map
    assert skin_map is not None
    drawn = held.of(skin_map)
    flat = skin_flat(skin_map, ground=theme.LIGHT, grid=drawn.grid, views=drawn.views)
    body = skin_body(skin_map, ground=theme.LIGHT)
    turning = ("toImage", "resetCameraDefault3d")
    side = [skin_panel.number_block(view), graph("patient-body", body, name="skin-body", buttons=turning)]
    left = [
        graph("patient-flat", flat, name="skin-flat"),
        skin_panel.flat_numbers(skin_map, skin_map.dose_mgy),
    ]
    return html.Div([html.Div(left), html.Div(side)], className="patient-skin")


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    held = HeldMaps()

    @app.callback(
        Output(ids.PATIENT_SKIN, "children"),
        Input(ids.PATIENT_NEWEST, "data"),
        State(ids.PATIENT_OF, "data"),
    )
    def show_skin(newest: str | None, of: list[str | None]) -> Any:
        if newest is None:
            return html.P("No case has a date, so none can be laid on the body.", className="quiet")
        try:
            course = workflow.patient_course(of[0] or "", patient_issuer=of[1])
            return skin_place(workflow.patient_skin_map(newest), course, held)
        except DosetrackError as error:
            return html.P(str(error), className="notice", role="alert")

    @app.callback(
        Output(ids.LOCATION, "href", allow_duplicate=True),
        Input(ids.PATIENT_SEARCH, "value"),
        prevent_initial_call=True,
    )
    def go_to(number: str | None) -> Any:
        typed = (number or "").strip()
        return patient_view.address(typed, None) if typed else no_update

    @app.callback(
        Output(ids.PATIENT_TOLD_MESSAGE, "children"),
        Input(ids.PATIENT_TOLD_RECORD, "n_clicks"),
        State(ids.PATIENT_NEWEST, "data"),
        State(ids.PATIENT_TOLD_KIND, "value"),
        State(ids.PATIENT_TOLD_WHEN, "value"),
        State(ids.PATIENT_TOLD_TEXT, "value"),
        State(ids.PATIENT_TOLD_WHO, "value"),
        prevent_initial_call=True,
    )
    def note(n: int | None, case: str | None, kind: str, when: str, text: str, who: str) -> Any:
        return tell(workflow, case, kind=kind, when=when, text=text, who=who) if n else no_update


PAGES = (Page("/patient", layout, title, "Case"),)
