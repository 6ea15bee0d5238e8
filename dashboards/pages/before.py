"""Before the case: who, what and with which limits; opens the room."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, get_args

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import ids
from dashboards.before_form import Form, assessment, open_case, parsed
from dashboards.components import entry_pad
from dashboards.components.limits import earlier_panel, limits_table
from dashboards.pages.before_scheduled import identity_bar, issuer_ask, schedule_panel, skin_place
from dashboards.router import Query, path_of
from dashboards.skin_words import POSITION_WORDS
from dashboards.view_models import person_name
from dosetrack.errors import DosetrackError
from dosetrack.kidney import (
    KidneySettings,
)
from dosetrack.records.entries import InjectionSite, Knowledge
from dosetrack.records.report import Patient
from dosetrack.skin.setup import BodyRegion

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

Clock = Callable[[], datetime]
YES_NO_UNKNOWN = [
    {"label": "yes", "value": Knowledge.YES.value},
    {"label": "no", "value": Knowledge.NO.value},
    {"label": "not known", "value": Knowledge.UNKNOWN.value},
]
PREGNANCY_NOTE = (
    "Pregnancy possible: ask the physicist before the first exposure. No foetal dose is estimated here."
)
CONFIRM_IDENTITY = (
    "Hold both identifiers against the patient's wristband first: the form came from the schedule."
)
ARMS_NOTE = "An arm in a lateral beam lies near the tube."


def title(query: Query) -> str:
    """The room and what is done here."""
    return f"{query['room']}: before the case"


def layout(workflow: Workflow, query: Query) -> Component:
    """The form, the limits that result, and what the patient received lately."""
    room = query["room"]
    settings = workflow.settings(room=room)
    usual = settings.number_or_none("room.concentration_mgi_ml")
    return html.Div(
        [
            dcc.Store(id=ids.BEFORE_ROOM, data=room),
            html.Div(
                [
                    html.H1(f"{room}: before the case"),
                    dcc.Link("Back to the room", href=path_of("room", room), className="nav-link"),
                ],
                className="page-head",
            ),
            schedule_panel(workflow, room),
            html.Div(
                [
                    html.Div(
                        [
                            _patient_fields(),
                            _kidney_fields(settings.text("kidney.creatinine_unit")),
                            _case_fields(workflow.people(room), usual),
                            _care_fields(),
                            _open_bar(),
                        ],
                        className="before-form",
                    ),
                    html.Aside(
                        [
                            html.Section(html.Div(id=ids.BEFORE_EARLIER), className="section"),
                            skin_place(),
                            html.Section(html.Div(id=ids.BEFORE_LIMITS), className="section"),
                        ],
                        className="before-side",
                    ),
                ],
                className="before",
            ),
        ],
        className="page",
    )


def _patient_fields() -> Component:
    return _group(
        "Patient",
        _text("id", "number"),
        _text("issuer", "issuer of the number, if several"),
        issuer_ask(),
        _text("name", "name"),
        _text("born", "birth date", "YYYY-MM-DD"),
        _choice("sex", "sex", ["F", "M", "O"]),
        _text("weight", "weight, with its unit", "68 kg"),
        _text("height", "height, with its unit", "160 cm"),
    )


def _kidney_fields(unit: str) -> Component:
    hint = f"1.20 {unit}" if unit else "1.20 mg/dL or 106 µmol/L"
    return _group(
        "Kidneys",
        _text("creatinine", "creatinine, with its unit", hint),
        _text("creatinine_on", "taken on", "YYYY-MM-DD"),
        _choice("dialysis", "on dialysis", YES_NO_UNKNOWN, Knowledge.UNKNOWN.value),
        _choice("unstable", "creatinine changing, or acute kidney injury", ["yes", "no"], "no"),
        _choice("inpatient", "inpatient", ["yes", "no"], "no"),
        _choice("earlier", "contrast in the days before", YES_NO_UNKNOWN, Knowledge.UNKNOWN.value),
        _text("earlier_ml", "how much, if yes", "90 mL"),
        _text("earlier_strength", "of which strength [mg I/mL]", "350"),
    )


def _case_fields(people: tuple[str, ...], usual: float | None) -> Component:
    return _group(
        "Case",
        _text("procedure", "planned procedure"),
        _text(
            "operators",
            "operators, first one primary, separated by ;",
            "; ".join(map(person_name, people[:1])),
        ),
        _text("accession", "accession number"),
        _text("strength", "contrast on the table [mg I/mL]", "320", value=f"{usual:g}" if usual else None),
        _choice(
            "site",
            "where contrast will go first",
            [{"label": entry_pad.SITE_WORDS[s], "value": s.value} for s in InjectionSite],
            InjectionSite.UNKNOWN.value,
        ),
    )


def _care_fields() -> Component:
    return _group(
        "Beam",
        _choice(
            "position",
            "position on the table",
            [
                *({"label": words, "value": key} for key, words in POSITION_WORDS.items()),
                {"label": "as reported", "value": ""},
            ],
            "",
        ),
        _choice(
            "region",
            "at the isocentre first",
            [*get_args(BodyRegion), {"label": "not told", "value": ""}],
            "",
        ),
        _choice("arms", "arms", ["beside the body", "above the head", "one above", "not known"], "not known"),
        html.P(ARMS_NOTE, className="quiet"),
        _choice("pregnancy", "pregnancy possible", YES_NO_UNKNOWN, Knowledge.UNKNOWN.value),
    )


def _open_bar() -> Component:
    return html.Div(
        [
            identity_bar(),
            html.Div(id=ids.BEFORE_QUESTIONS, role="alert"),
            html.Label(
                [
                    dcc.Checklist(
                        id=ids.BEFORE_CONFIRM, options=["yes, record it"], value=[], className="choices"
                    )
                ],
                id=ids.BEFORE_CONFIRM_LINE,
                hidden=True,
            ),
            html.Div(
                [
                    html.Button("Start the case", id=ids.BEFORE_START, className="button target is-strong"),
                    html.Button("Plan it for later", id=ids.BEFORE_PLAN, className="button target"),
                ],
                className="entry-confirm",
            ),
            html.Div(id=ids.BEFORE_MESSAGE, className="field-error", role="alert"),
        ],
        className="open-bar",
    )


def _group(title: str, *children: Component) -> Component:
    return html.Fieldset([html.Legend(title), *children], className="group")


def _text(name: str, label: str, hint: str = "", *, value: str | None = None) -> Component:
    return html.Div(
        [
            html.Label(
                [
                    html.Span(label, className="field-label"),
                    dcc.Input(
                        id=ids.family(ids.BEFORE_FIELD, name),
                        type="text",
                        className="input",
                        placeholder=hint,
                        value=value,
                        debounce=0.6,
                        autoComplete="off",
                    ),
                ],
                className="field",
            ),
            html.Div(id=ids.family(ids.BEFORE_MARK, name), className="field-mark"),
            html.Div(id=ids.family(ids.BEFORE_ERROR, name), className="field-error", role="alert"),
        ],
        className="field",
    )


def _choice(name: str, label: str, options: list[Any], value: str | None = None) -> Component:
    return html.Fieldset(
        [
            html.Legend(label),
            dcc.RadioItems(
                id=ids.family(ids.BEFORE_FIELD, name),
                options=options,
                value=value,
                className="choices",
                inline=True,
            ),
            html.Div(id=ids.family(ids.BEFORE_MARK, name), className="field-mark"),
            html.Div(id=ids.family(ids.BEFORE_ERROR, name), className="field-error", role="alert"),
        ],
        className="field choice-field",
    )


# callbacks -------------------------------------------------------------------------------


def register(app: Dash, workflow: Workflow, clock: Clock) -> None:
    """The callbacks of the form."""

    def form_of(
        names: list[dict[str, str]],
        values: list[str | None],
        room: str,
        *,
        key: str | None,
        is_planned: bool = False,
    ) -> Form:
        fields = {name["key"]: value for name, value in zip(names, values, strict=True)}
        settings = workflow.settings(room=room)
        on = date.fromisoformat(workflow.today())
        return parsed(
            fields,
            room=room,
            on=on,
            default_unit=settings.text("kidney.creatinine_unit"),
            is_planned=is_planned,
            scheduled=workflow.scheduled(key) if key else None,
        )

    @app.callback(
        Output(ids.BEFORE_LIMITS, "children"),
        Output(ids.BEFORE_EARLIER, "children"),
        Output(ids.BEFORE_QUESTIONS, "children"),
        Output(ids.BEFORE_CONFIRM_LINE, "hidden"),
        Output(ids.family(ids.BEFORE_ERROR, ALL), "children"),
        Input(ids.family(ids.BEFORE_FIELD, ALL), "value"),
        Input(ids.BEFORE_SCHEDULED, "data"),
        State(ids.family(ids.BEFORE_FIELD, ALL), "id"),
        State(ids.family(ids.BEFORE_ERROR, ALL), "id"),
        State(ids.BEFORE_ROOM, "data"),
    )
    def follow_form(
        values: list[str | None],
        key: str | None,
        names: list[dict[str, str]],
        places: list[dict[str, str]],
        room: str,
    ) -> tuple[Any, ...]:
        form = form_of(names, values, room, key=key)
        kidney = KidneySettings.from_settings(workflow.settings(room=room))
        found = assessment(form, on=date.fromisoformat(workflow.today()), settings=kidney)
        told = [form.errors.get(place["key"], "") if _is_begun(values) else "" for place in places]
        return limits_table(found), _earlier_of(workflow, form, clock), _asked(form), not form.questions, told

    @app.callback(
        Output(ids.BEFORE_MESSAGE, "children"),
        Output(ids.LOCATION, "href", allow_duplicate=True),
        Input(ids.BEFORE_START, "n_clicks"),
        Input(ids.BEFORE_PLAN, "n_clicks"),
        State(ids.family(ids.BEFORE_FIELD, ALL), "value"),
        State(ids.family(ids.BEFORE_FIELD, ALL), "id"),
        State(ids.BEFORE_CONFIRM, "value"),
        State(ids.BEFORE_ROOM, "data"),
        State(ids.BEFORE_SCHEDULED, "data"),
        State(ids.BEFORE_IDENTITY_AGREES, "value"),
        prevent_initial_call=True,
    )
    def open_room(
        _s: Any,
        _p: Any,
        values: list[str | None],
        names: list[dict[str, str]],
        confirmed: list[str],
        room: str,
        key: str | None,
        agrees: list[str],
    ) -> tuple[Any, Any]:
        if not (_s or _p):  # the form was only just drawn
            return no_update, no_update
        is_planned = ctx.triggered_id == ids.BEFORE_PLAN
        form = form_of(names, values, room, key=key, is_planned=is_planned)
        if form.errors:
            return " ".join(form.errors.values()), no_update
        if form.questions and not confirmed:
            return "Answer the question above first.", no_update
        if key and not agrees and not is_planned:
            return CONFIRM_IDENTITY, no_update
        try:
            open_case(workflow, form)
        except DosetrackError as error:
            return str(error), no_update
        return "", path_of("room", room)


def _is_begun(values: list[str | None]) -> bool:
    """Whether anyone has typed: an empty form shows no errors."""
    return bool(values and any((value or "").strip() for value in values[:4]))


def _asked(form: Form) -> list[Component]:
    asked = [html.P(text) for text in form.questions]
    if form.opening and form.opening.pregnancy is Knowledge.YES:
        asked.append(html.P(PREGNANCY_NOTE, className="notice"))
    return asked


def _earlier_of(workflow: Workflow, form: Form, clock: Clock) -> Component:
    patient = form.opening.patient if form.opening else Patient()
    if not patient.id:
        return html.P("Earlier cases appear once the patient's number is given.", className="quiet")
    found = workflow.patient_history(patient.id, patient_issuer=patient.id_issuer, before=clock())
    return earlier_panel(found)
