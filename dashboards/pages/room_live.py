"""What keeps Room live: the poll, what it redraws, and what is announced."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, no_update

from dashboards import ids
from dashboards.components import prompt_card
from dashboards.pages import identity, room, room_entry, room_held, room_touches
from dashboards.pages.room_drawn import drawn, is_many
from dashboards.router import path_of
from dosetrack.alerts import to_decide

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import CaseView


def watch(workflow: Workflow, place: dict[str, Any], mode: dict[str, Any]) -> tuple[Any, Any]:
    """The room's body when its case ended or another began; else no change.

    A case on screen stays there while it runs: a second one in the room never takes its place.
    """
    now = room.mode_of(workflow, place["room"], mode["case"] or place.get("case"))
    seen = ("case", "running") if now["case"] else ("case", "planned")
    if all(now[part] == mode[part] for part in seen):
        return no_update, no_update
    return room.body(workflow, place["room"], place["kind"], now), now


def refresh(
    workflow: Workflow, place: dict[str, Any], shown: dict[str, Any], *, is_due: bool
) -> tuple[Any, ...]:
    """What changed on screen since `shown`: head, numbers, figure, rows, prompts, answers, mark, words.

    Nothing is computed while the ledger stands still and no age is due.
    """
    nothing = (no_update,) * 8
    note_shown(workflow, shown, screen=place["kind"])
    position = workflow.case_position(shown["case"])
    is_moved = position > shown["position"]
    if not is_moved and not is_due:
        return nothing
    view = workflow.case_view_on_screen(shown["case"], position=position)
    kind = place["kind"]
    same = drawn(view, kind)
    mark = same.mark | {"held": same.held(workflow, place["room"])}
    has_new_prompts = as_pairs(mark["open"]) != as_pairs(shown["open"])
    people = workflow.people(place["room"]) if has_new_prompts and kind == room.HAND else ()
    return (
        same.head,
        same.numbers,
        same.figure,
        same.rows() if is_due or not is_many(view) else no_update,
        room.prompts(view, people, kind) if has_new_prompts else no_update,
        same.answered if is_moved else no_update,
        mark,
        announcement(view, shown) if has_new_prompts else no_update,
    )


def note_shown(workflow: Workflow, shown: dict[str, Any], *, screen: str) -> None:
    """Record the cards that the browser says stand on its screen and of which the ledger knows nothing."""
    told = set(shown.get("told", ()))
    new = [prompt for prompt in shown.get("standing", ()) if prompt not in told]
    if new:
        workflow.show_prompts(shown["case"], new, screen=screen)


def as_pairs(marks: list[Any]) -> set[tuple[str, int]]:
    """Open prompts as (id, number of levels), whether they came through JSON or not."""
    return {(str(name), int(levels)) for name, levels in marks}


def announcement(view: CaseView, shown: dict[str, Any]) -> str:
    """The new prompts in words, for readers of the page; focus stays where it is."""
    known = as_pairs(shown["open"])
    new = [p for p in to_decide(view.prompts) if (p.id, len(p.levels)) not in known]
    return ". ".join(f"{prompt_card.WORDS[prompt_card.kind_of(p)]}: {p.headline}" for p in new)


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    """The callbacks of both views."""

    @app.callback(
        Output(ids.ROOM_BODY, "children"),
        Output(ids.ROOM_MODE, "data"),
        Input(ids.ROOM_WATCH, "data"),
        State(ids.ROOM_PLACE, "data"),
        State(ids.ROOM_MODE, "data"),
        prevent_initial_call=True,
    )
    def watch_room(_asked: Any, place: dict[str, Any], mode: dict[str, Any]) -> tuple[Any, Any]:
        return watch(workflow, place, mode)

    @app.callback(
        Output(ids.ROOM_HEAD, "children"),
        Output(ids.ROOM_NUMBERS, "children"),
        Output(ids.ROOM_FIGURE, "figure"),
        Output(ids.ROOM_FIGURE_ROWS, "children"),
        Output(ids.ROOM_PROMPTS, "children"),
        Output(ids.ROOM_ANSWERED, "children"),
        Output(ids.ROOM_SHOWN, "data"),
        Output(ids.ANNOUNCER, "children"),
        Input(ids.ROOM_TICK, "data"),
        Input(ids.ENTRY_DONE, "data"),
        State(ids.ROOM_PLACE, "data"),
        State(ids.ROOM_SHOWN, "data"),
        prevent_initial_call=True,
    )
    def refresh_room(
        asked: dict[str, Any] | None, done: Any, place: dict[str, Any], shown: dict[str, Any]
    ) -> tuple[Any, ...]:
        if asked is None and done is None:  # the page was only just drawn; what follows the mark runs
            return (*(no_update,) * 6, shown, no_update)
        return refresh(workflow, place, shown, is_due=bool((asked or {}).get("is_due")))

    app.clientside_callback(
        ClientsideFunction("live", "enter"),
        Output(ids.ROOM_ENTERED, "data"),
        Input(ids.ROOM_MODE, "data"),
        State(ids.ROOM_PLACE, "data"),
    )
    app.clientside_callback(
        ClientsideFunction("live", "drawn"),
        Output(ids.ROOM_DRAWN, "data"),
        Input(ids.ROOM_SHOWN, "data"),
    )

    app.clientside_callback(
        ClientsideFunction("prompts", "ahead"),
        Output(ids.ROOM_AHEAD, "children"),
        Input(ids.ROOM_SHOWN, "data"),
    )
    app.clientside_callback(
        ClientsideFunction("prompts", "ring"),
        Output(ids.ROOM_SOUND, "children"),
        Input(ids.ROOM_SHOWN, "data"),
    )

    @app.callback(
        Output(ids.LOCATION, "href", allow_duplicate=True),
        Input(ids.family(ids.PLANNED_START, ALL), "n_clicks"),
        State(ids.ROOM_PLACE, "data"),
        prevent_initial_call=True,
    )
    def start_planned(clicks: list[int | None], place: dict[str, Any]) -> Any:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update
        workflow.start_case(ctx.triggered_id["key"], actor=room_entry.actor_of(None, place["room"]))
        return path_of("room", place["room"])

    room_held.register(app, workflow)
    room_touches.register(app, workflow, clock)
    identity.register(app, workflow, clock)
