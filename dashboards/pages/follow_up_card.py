"""Follow-up: the card of one patient, made for a call with one hand."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import TYPE_CHECKING, Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import follow_up_acts as acts
from dashboards import follow_up_view as fv
from dashboards import ids
from dashboards.components import call_card
from dashboards.components import follow_up_forms as forms
from dashboards.components.who import who_field
from dashboards.router import Query
from dosetrack.errors import DosetrackError
from dosetrack.followup.items import KIDNEY, SKIN

if TYPE_CHECKING:
    from dosetrack.followup.on_day import ItemOnDay
    from dosetrack.workflow import Workflow

NO_ITEM = "No follow-up was ever asked for in this case."
WORKING = "Place and expected weeks are being worked out."


def title(query: Query) -> str:
    """Patients are not named in a browser's history."""
    return "Follow-up of one patient"


def items_of(workflow: Workflow, case_id: str) -> tuple[ItemOnDay, ...]:
    """Every item of the patient of a case: open ones first, then those of this case."""
    own = workflow.follow_up_items(case_id=case_id, is_open=None)
    if not own or own[0].item.patient.id is None:
        return own
    patient = own[0].item.patient
    found = workflow.follow_up_items(patient_id=patient.id, is_open=None)
    same = [one for one in found if one.item.patient.id_issuer == patient.id_issuer]
    return tuple(sorted(same, key=lambda one: (not one.item.is_open, one.item.case_id != case_id)))


def layout(workflow: Workflow, query: Query) -> Component:
    """The card of the patient of the case in the address."""
    case_id = query["case"]
    items = items_of(workflow, case_id)
    if not items:
        workflow.case_view(case_id)  # says so where there is no such case
        return html.Div([html.H1("Follow-up"), html.P(NO_ITEM, className="notice")], className="page")
    return html.Div(
        [
            dcc.Store(id=ids.CARD_CASE, data=case_id),
            dcc.Store(id=ids.CARD_ASKED),
            html.Header(
                [dcc.Link("← worklist", href=fv.PATH, className="follow-back"), html.H1("Follow-up")],
                className="page-head",
            ),
            call_card.identity(items[0].item.patient),
            html.Div(_who(workflow.people()), className="card-who entry"),
            html.P(id=ids.CARD_MESSAGE, className="recorded card-message", role="status"),
            html.Div(body(items, workflow.people()), id=ids.CARD_BODY),
        ],
        className="page follow-up card",
    )


def _who(people: tuple[str, ...]) -> Component:
    """Who calls; kept from card to card for the session."""
    field = who_field(ids.CARD_WHO, people)
    field.persistence, field.persistence_type = True, "session"
    return field


def body(items: tuple[ItemOnDay, ...], people: tuple[str, ...]) -> list[Component]:
    """Everything below the identifiers; drawn anew after each record."""
    on = items[0].on
    return [
        html.Section(
            [
                html.H2("Reach the patient"),
                call_card.contact(items),
                html.Div([forms.contact_form(items[0].item)], className="entry"),
            ],
            className="card-part",
        ),
        *[_item(one) for one in items],
        html.Section(
            [html.H2("The call"), html.Div(forms.call_form(items, on), className="entry")],
            className="card-part",
        ),
        *[_entries(one, on, people) for one in items],
        html.Section([html.H2("What happened"), call_card.history(items)], className="card-part"),
    ]


def _item(one: ItemOnDay) -> Component:
    """One item: how it stands, why, and what to look at or to read."""
    item = one.item
    parts: list[Any] = [call_card.item_head(one)]
    if item.kind == SKIN:
        waiting = html.P(WORKING, className="quiet", role="status")
        parts.append(html.Div(waiting, id=ids.family(ids.CARD_SKIN, item.case_id), className="card-skin"))
    elif item.kind == KIDNEY:
        parts.append(call_card.kidney(item))
    return html.Section(parts, className="card-part", **{"aria-label": forms.about_words(item)})


def _entries(one: ItemOnDay, on: date, people: tuple[str, ...]) -> Component:
    """What may be recorded of one item beside a call."""
    item = one.item
    entries: list[Component] = [forms.end_form(one, people)]
    if item.kind == SKIN:
        entries = [forms.seen_form(item, on, people), forms.estimate_form(one), *entries]
    elif item.kind == KIDNEY:
        entries = [forms.creatinine_form(item), *entries]
    return html.Section(
        [html.H2(f"Record: {forms.about_words(item)}"), *entries], className="card-part entry"
    )


def skin_part(workflow: Workflow, case_id: str) -> list[Component]:
    """Place, drawing and bands of one case."""
    one = workflow.follow_up_item(case_id, SKIN)
    if one is None:
        return []
    try:
        view = workflow.skin_map(case_id, detail="peak")
    except DosetrackError as error:
        return [html.P(str(error), className="quiet"), *call_card.skin(one, None, workflow.settings())]
    return call_card.skin(one, view, workflow.settings(room=one.item.room))


def register(app: Dash, workflow: Workflow, clock: Callable[[], Any]) -> None:
    def drawn(case_id: str, said: acts.Said) -> tuple[Any, str]:
        if not said.is_done:
            return no_update, said.text
        return body(items_of(workflow, case_id), workflow.people()), said.text

    @app.callback(
        Output(ids.family(ids.CARD_SKIN, ALL), "children"), Input(ids.family(ids.CARD_SKIN, ALL), "id")
    )
    def show_skin(places: list[dict[str, str]]) -> list[Any]:
        return [skin_part(workflow, place["key"]) for place in places]

    _register_call(app, workflow, drawn)
    _register_skin(app, workflow, drawn)
    _register_end(app, workflow, drawn)


Drawn = Callable[[str, acts.Said], tuple[Any, str]]
_CARD = (State(ids.CARD_CASE, "data"), State(ids.CARD_WHO, "value"))


def _outputs() -> tuple[Output, Output]:
    return (
        Output(ids.CARD_BODY, "children", allow_duplicate=True),
        Output(ids.CARD_MESSAGE, "children", allow_duplicate=True),
    )


def _touched() -> str | None:
    """The key of the button that was touched; None when buttons were only drawn."""
    is_touched = ctx.triggered and ctx.triggered[0]["value"]
    found = ctx.triggered_id
    return found["key"] if is_touched and isinstance(found, dict) else None


def _of(states: list[Any], key: str) -> Any:
    """The value of the member `key` of a family among the callback's states."""
    return next((one.get("value") for one in states if one["id"]["key"] == key), None)


def _fields(case_id: str) -> dict[str, Any]:
    """What stands in the form of an item, by the name of the field."""
    states = {one["id"]["key"]: one.get("value") for one in ctx.states_list[2]}
    start = f"{case_id}|"
    return {key.removeprefix(start): value for key, value in states.items() if key.startswith(start)}


def _register_call(app: Dash, workflow: Workflow, drawn: Drawn) -> None:
    @app.callback(
        *_outputs(),
        Output(ids.CARD_ASKED, "data"),
        Input(ids.family(ids.CALL_OUTCOME, ALL), "n_clicks"),
        *_CARD,
        State(ids.CALL_ABOUT, "value"),
        State(ids.CALL_NOTE, "value"),
        State(ids.CALL_NEXT, "value"),
        State(ids.CALL_NEXT_TYPED, "value"),
        State(ids.CARD_ASKED, "data"),
        prevent_initial_call=True,
    )
    def call(
        _n: Any, case: str, who: str, about: list[str], note: str, near: str, typed: str, asked: Any
    ) -> Any:
        outcome = _touched()
        if outcome is None:
            return no_update, no_update, no_update
        if outcome in acts.ASKED_TWICE and asked != outcome:
            return no_update, acts.ask_again(outcome), outcome
        next_on = (typed or "").strip() or near or None
        said = acts.call(workflow, about, outcome=outcome, note=note, next_on=next_on, who=who)
        return *drawn(case, said), None

    @app.callback(
        *_outputs(),
        Input(ids.CONTACT_KEEP, "n_clicks"),
        *_CARD,
        State(ids.CONTACT_PHONE, "value"),
        State(ids.CONTACT_CONSENTS, "value"),
        State(ids.CONTACT_INTERPRETER, "value"),
        State(ids.CONTACT_DOCTOR, "value"),
        prevent_initial_call=True,
    )
    def keep(
        n: int | None, case: str, who: str, phone: str, consents: list[str], language: str, doctor: str
    ) -> Any:
        if not n:
            return no_update, no_update
        told = acts.Reach(phone, tuple(consents or ()), language, doctor)
        return drawn(case, acts.keep_contact(workflow, case, told, who=who))


def _register_skin(app: Dash, workflow: Workflow, drawn: Drawn) -> None:
    @app.callback(
        *_outputs(),
        Input(ids.family(ids.SEEN_RECORD, ALL), "n_clicks"),
        *_CARD,
        State(ids.family(ids.SEEN_FIELD, ALL), "value"),
        prevent_initial_call=True,
    )
    def see(_n: Any, case: str, who: str, _told: Any) -> Any:
        of = _touched()
        if of is None:
            return no_update, no_update
        return drawn(case, acts.see(workflow, of, acts.Seen(**_fields(of)), who=who))

    @app.callback(
        *_outputs(),
        Input(ids.family(ids.ESTIMATE_DECIDE, ALL), "n_clicks"),
        *_CARD,
        State(ids.family(ids.ESTIMATE_FIELD, ALL), "value"),
        prevent_initial_call=True,
    )
    def estimate(_n: Any, case: str, who: str, _told: Any) -> Any:
        touched = _touched()
        if touched is None:
            return no_update, no_update
        of, decision = touched.split("|", 1)
        return drawn(case, acts.estimate(workflow, of, decision, acts.Estimated(**_fields(of)), who=who))


def _register_end(app: Dash, workflow: Workflow, drawn: Drawn) -> None:
    @app.callback(
        *_outputs(),
        Input(ids.family(ids.RESULT_RECORD, ALL), "n_clicks"),
        *_CARD,
        State(ids.family(ids.RESULT_VALUE, ALL), "value"),
        State(ids.family(ids.RESULT_ON, ALL), "value"),
        State(ids.family(ids.RESULT_SURE, ALL), "value"),
        prevent_initial_call=True,
    )
    def result(_n: Any, case: str, who: str, *_told: Any) -> Any:
        of = _touched()
        if of is None:
            return no_update, no_update
        value, taken_on, sure = (_of(states, of) for states in ctx.states_list[2:])
        said = acts.creatinine(workflow, of, value=value, taken_on=taken_on, is_sure=bool(sure), who=who)
        return drawn(case, said)

    @app.callback(
        *_outputs(),
        Input(ids.family(ids.END_DO, ALL), "n_clicks"),
        *_CARD,
        State(ids.family(ids.END_REASON, ALL), "value"),
        State(ids.family(ids.END_SURE, ALL), "value"),
        prevent_initial_call=True,
    )
    def end(_n: Any, case: str, who: str, *_told: Any) -> Any:
        touched = _touched()
        if touched is None:
            return no_update, no_update
        key, what = touched.rsplit("|", 1)
        reason, sure = (_of(states, key) for states in ctx.states_list[2:])
        said = acts.end(
            workflow, key, is_opening=what == "reopen", reason=reason, is_sure=bool(sure), who=who
        )
        return drawn(case, said)

    @app.callback(
        *_outputs(),
        Input(ids.family(ids.OWNER_DO, ALL), "n_clicks"),
        *_CARD,
        State(ids.family(ids.OWNER_NAME, ALL), "value"),
        prevent_initial_call=True,
    )
    def own(_n: Any, case: str, who: str, _names: Any) -> Any:
        key = _touched()
        if key is None:
            return no_update, no_update
        return drawn(case, acts.own(workflow, key, owner=_of(ctx.states_list[2], key), who=who))
