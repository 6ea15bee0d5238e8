"""What machines sent that a person must decide about: shown on both views, answered in the hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import ids
from dashboards.components.held_card import answer_of, held_cards
from dashboards.pages.room_entry import actor_of, input_words
from dosetrack.errors import DosetrackError, InputError
from dosetrack.times import zone_named

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow


def held_panel(workflow: Workflow, room: str, *, is_wall: bool = False) -> Component:
    """The place of these cards; empty where nothing waits."""
    cards, marks = _cards(workflow, room, is_wall=is_wall)
    return html.Div(
        [
            dcc.Store(id=ids.ROOM_HELD_SHOWN, data=marks),
            dcc.Store(id=ids.ROOM_HELD_TICK),
            html.Div(cards, id=ids.ROOM_HELD, className="prompts"),
            html.Div(id=ids.ROOM_HELD_MESSAGE, className="field-error", role="alert"),
        ]
    )


def _cards(workflow: Workflow, room: str, *, is_wall: bool) -> tuple[list[Component], list[str]]:
    waiting = workflow.held_in_room(room)
    if not waiting:
        return [], []
    zone = zone_named(workflow.settings(room=room).text("site.time_zone"))
    return held_cards(waiting, zone=zone, is_wall=is_wall), [held.entry_id for held in waiting]


def refreshed(workflow: Workflow, place: dict[str, Any], shown: list[str]) -> tuple[Any, Any]:
    """The cards and their marks when others wait than are shown; else no change."""
    cards, marks = _cards(workflow, place["room"], is_wall=place["kind"] != "hand")
    return (no_update, no_update) if marks == shown else (cards, marks)


def waiting_ids(workflow: Workflow, room: str) -> list[str]:
    """The entries whose cards should stand in the room."""
    return [held.entry_id for held in workflow.held_in_room(room)]


def decided(workflow: Workflow, key: str, *, case_id: str, by: str | None, room: str) -> str:
    """Record the answer of the button `key`; what is wrong with it, '' when recorded."""
    entry_id, answer = answer_of(key)
    try:
        workflow.answer_held(entry_id, answer, actor=actor_of(by, room), case_id=case_id)
    except InputError as error:
        return input_words(error)
    except DosetrackError as error:
        return str(error)
    return ""


def register(app: Dash, workflow: Workflow) -> None:
    """The callbacks of these cards."""
    app.clientside_callback(
        ClientsideFunction("live", "held"),
        Output(ids.ROOM_HELD_TICK, "data"),
        Input(ids.ROOM_SHOWN, "data"),  # tells which wait; the page asks for the cards when others do
        State(ids.ROOM_HELD_SHOWN, "data"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output(ids.ROOM_HELD, "children"),
        Output(ids.ROOM_HELD_SHOWN, "data"),
        Input(ids.ROOM_HELD_TICK, "data"),
        State(ids.ROOM_PLACE, "data"),
        State(ids.ROOM_HELD_SHOWN, "data"),
        prevent_initial_call=True,
    )
    def refresh(_shown: Any, place: dict[str, Any], marks: list[str]) -> tuple[Any, Any]:
        return refreshed(workflow, place, marks)

    @app.callback(
        Output(ids.ROOM_HELD_MESSAGE, "children"),
        Input(ids.family(ids.HELD_ANSWER, ALL), "n_clicks"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.ENTRY_BY, "value"),
        State(ids.ROOM_PLACE, "data"),
        prevent_initial_call=True,
    )
    def decide(clicks: list[int | None], case_id: str, by: str | None, place: dict[str, Any]) -> Any:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update
        return decided(workflow, ctx.triggered_id["key"], case_id=case_id, by=by, room=place["room"])
