"""The callbacks of the hand view's entry: touches, pads, prompts, and the end of the case."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any

from dash import ALL, MATCH, ClientsideFunction, Dash, Input, Output, State, ctx, html, no_update

from dashboards import ids
from dashboards import view_models as vm
from dashboards.case_words import ending_words
from dashboards.components import entry_pad
from dashboards.pages.room_entry import Typed, act, actor_of, decide, product_words, shown
from dosetrack.alerts import CHANGE_PLAN, GO_ON
from dosetrack.errors import DosetrackError
from dosetrack.records.people import Actor

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    """Every callback of the hand view's entry."""
    _register_touches(app, workflow)
    _register_pads(app)
    _register_prompts(app, workflow)
    _register_end(app, workflow)


def _register_touches(app: Dash, workflow: Workflow) -> None:
    @app.callback(
        Output(ids.ENTRY_MESSAGE, "children"),
        Output(ids.ENTRY_CONFIRM, "hidden"),
        Output(ids.ENTRY_CONFIRM_YES, "children"),
        Output(ids.ENTRY_CONFIRM_NO, "children"),
        Output(ids.ENTRY_PENDING, "data"),
        Output(ids.ENTRY_LAST, "children"),
        Output(ids.ENTRY_LAST_ID, "data"),
        Output(ids.ENTRY_UNDO, "disabled"),
        Output(ids.ENTRY_DONE, "data"),
        Output(ids.KEYPAD_TEXT, "value"),
        Input(ids.ENTRY_GIVEN, "n_clicks"),
        Input(ids.KEYPAD_RECORD, "n_clicks"),
        Input(ids.KEYPAD_TEXT, "n_submit"),
        Input(ids.ENTRY_CONFIRM_YES, "n_clicks"),
        Input(ids.ENTRY_CONFIRM_NO, "n_clicks"),
        Input(ids.ENTRY_UNDO, "n_clicks"),
        State(ids.ENTRY_VOLUME, "data"),
        State(ids.ENTRY_AGENT, "value"),
        State(ids.ENTRY_CONCENTRATION, "value"),
        State(ids.ENTRY_DILUTION, "value"),
        State(ids.ENTRY_SITE, "value"),
        State(ids.KEYPAD_WHAT, "value"),
        State(ids.KEYPAD_PLANE, "value"),
        State(ids.KEYPAD_TEXT, "value"),
        State(ids.KEYPAD_UNIT, "value"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.ENTRY_BY, "value"),
        State(ids.ROOM_PLACE, "data"),
        State(ids.ENTRY_PENDING, "data"),
        State(ids.ENTRY_LAST_ID, "data"),
        State(ids.ENTRY_DONE, "data"),
        prevent_initial_call=True,
    )
    def touch(*values: Any) -> tuple[Any, ...]:
        if not any(values[:6]):  # the pad was only just drawn
            return (no_update,) * 10
        typed, (case_id, by, place, pending, last, done) = Typed(*values[6:15]), values[15:]
        actor = actor_of(by, place["room"])
        outcome = act(workflow, ctx.triggered_id, case_id, typed, actor=actor, pending=pending, last=last)
        return shown(outcome, done)

    app.clientside_callback(
        ClientsideFunction("room", "after_entry"),
        Output(ids.ENTRY_VOLUME, "data"),
        Output(ids.ENTRY_GIVEN, "children"),
        Output(ids.ENTRY_GIVEN, "disabled"),
        Output(ids.family(ids.VOLUME, ALL), "className"),
        Input(ids.family(ids.VOLUME, ALL), "n_clicks"),
        Input(ids.ENTRY_DONE, "data"),
        State(ids.family(ids.VOLUME, ALL), "id"),
        prevent_initial_call=True,
    )


def _register_pads(app: Dash) -> None:
    app.clientside_callback(
        ClientsideFunction("room", "change_reading"),
        Output(ids.ENTRY_CONFIRM, "title"),
        Input(ids.ENTRY_CONFIRM_NO, "n_clicks"),
        State(ids.ENTRY_PENDING, "data"),
        prevent_initial_call=True,
    )

    app.clientside_callback(
        ClientsideFunction("room", "type_digit"),
        Output(ids.KEYPAD_TEXT, "value", allow_duplicate=True),
        Input(ids.family(ids.KEY, ALL), "n_clicks"),
        State(ids.KEYPAD_TEXT, "value"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output(ids.KEYPAD_UNIT, "options"),
        Output(ids.KEYPAD_UNIT, "value"),
        Input(ids.KEYPAD_WHAT, "value"),
        prevent_initial_call=True,
    )
    def offer_units(what: str) -> tuple[list[str], str]:
        return list(entry_pad.UNITS[what]), entry_pad.UNITS[what][0]

    @app.callback(
        Output(ids.ENTRY_CONTEXT, "children"),
        Input(ids.ENTRY_AGENT, "value"),
        Input(ids.ENTRY_CONCENTRATION, "value"),
        Input(ids.ENTRY_DILUTION, "value"),
        Input(ids.ENTRY_SITE, "value"),
        prevent_initial_call=True,
    )
    def say_context(agent: str, concentration: str, dilution: str, site: str) -> str:
        return product_words(agent=agent, concentration=concentration, dilution_percent=dilution, site=site)


def _register_prompts(app: Dash, workflow: Workflow) -> None:
    @app.callback(
        Output(ids.family(ids.PROMPT_MESSAGE, MATCH), "children"),
        Input(ids.family(ids.PROMPT_GO_ON, MATCH), "n_clicks"),
        Input(ids.family(ids.PROMPT_CHANGE, MATCH), "n_clicks"),
        State(ids.family(ids.PROMPT_WHO, MATCH), "value"),
        State(ids.family(ids.PROMPT_REASON, MATCH), "value"),
        State(ids.family(ids.PROMPT_WORDS, MATCH), "value"),
        State(ids.ENTRY_CASE, "data"),
        prevent_initial_call=True,
    )
    def answer(
        _go: int | None,
        _change: int | None,
        who: str | None,
        reason: str | None,
        words: str | None,
        case_id: str,
    ) -> Any:
        touched = ctx.triggered_id
        if not isinstance(touched, dict) or not (_go or _change):
            return no_update
        decision = GO_ON if touched["type"] == ids.PROMPT_GO_ON else CHANGE_PLAN
        why = vm.joined(reason, (words or "").strip(), by=": ")
        return decide(workflow, case_id, touched["key"], decision=decision, who=who, reason=why)


def end(workflow: Workflow, touched: Any, case_id: str, *, actor: Actor) -> tuple[bool, Any, str]:
    """(whether the question is hidden, what the case ends with, what is wrong) after a touch."""
    if touched == ids.CASE_END:
        return False, [html.Li(words) for words in ending_words(workflow.case_view(case_id))], ""
    if touched == ids.CASE_END_YES:
        try:
            workflow.end_case(case_id, actor=actor)
        except DosetrackError as error:
            return True, no_update, str(error)
    return True, no_update, ""


def _register_end(app: Dash, workflow: Workflow) -> None:
    @app.callback(
        Output(ids.CASE_END_ASK, "hidden"),
        Output(ids.CASE_END_SUMMARY, "children"),
        Output(ids.CASE_STEP_MESSAGE, "children"),
        Input(ids.CASE_END, "n_clicks"),
        Input(ids.CASE_END_YES, "n_clicks"),
        Input(ids.CASE_END_NO, "n_clicks"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.ENTRY_BY, "value"),
        State(ids.ROOM_PLACE, "data"),
        prevent_initial_call=True,
    )
    def end_case(
        _ask: Any, _yes: Any, _no: Any, case_id: str, by: str, place: dict[str, Any]
    ) -> tuple[bool, Any, str]:
        return end(workflow, ctx.triggered_id, case_id, actor=actor_of(by, place["room"]))
