"""Room: the running case on the wall and in the hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import ahead_words, case_words, ids, theme
from dashboards import view_models as vm
from dashboards.components import entry_pad, prompt_card
from dashboards.components.cautions import cautions
from dashboards.components.correction import correction_panel, swap_panel
from dashboards.components.facts import facts_panel
from dashboards.components.lane_head import lane_heads, wall_heads
from dashboards.components.tables import figure_numbers
from dashboards.figures.lane_data import two_accounts_rows
from dashboards.figures.style import GRAPH_CONFIG
from dashboards.figures.two_accounts import two_accounts_data
from dashboards.pages import identity, room_entry, room_held, rooms
from dashboards.pages.room_skin import hot_patch_panel
from dashboards.router import Query, path_of
from dosetrack.alerts import to_decide
from dosetrack.records.entries import (
    ConsoleReading,
    HeldForPerson,
    Injection,
    LevelsReached,
    PromptAnswered,
    PromptShown,
)
from dosetrack.times import zone_named

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import CaseView

HAND, WALL = "hand", "wall"
_MANY_AND_SMALL = (ConsoleReading, Injection, PromptShown, PromptAnswered, LevelsReached, HeldForPerson)
MOST_ON_WALL = 3
"""Open prompts that stand on the wall at once; the substantial ones come first."""
FIGURE_HEAD = ("time", "what", "Ka,r", "DAP", "contrast", "iodine")


# layouts ---------------------------------------------------------------------------------


def title(query: Query) -> str:
    """The room."""
    return query["room"]


def hand(workflow: Workflow, query: Query) -> Component:
    """The hand view of a room: both accounts, prompts, and the entry of what is given and read."""
    return _room(workflow, query, HAND)


def wall(workflow: Workflow, query: Query) -> Component:
    """The wall view of a room: no controls, four numbers for three metres."""
    return _room(workflow, query, WALL)


def _room(workflow: Workflow, query: Query, kind: str) -> Component:
    room = query["room"]
    mode = mode_of(workflow, room, query.get("case"))
    return html.Div(
        [
            dcc.Store(id=ids.ROOM_PLACE, data={"room": room, "kind": kind, "case": query.get("case")}),
            dcc.Store(id=ids.ROOM_MODE, data=mode),
            dcc.Store(id=ids.ROOM_WATCH),
            dcc.Store(id=ids.ROOM_ENTERED),
            html.Div(id=ids.ROOM_PLACE_MARK, hidden=True),
            html.Div(id=ids.ROOM_LOST, className="room-lost", role="alert", hidden=True),
            html.Div(body(workflow, room, kind, mode), id=ids.ROOM_BODY, className="room-body"),
        ],
        className=f"room is-{kind}",
    )


def mode_of(workflow: Workflow, room: str, chosen: str | None = None) -> dict[str, Any]:
    """What the room shows: the ids of its running and planned cases and the one on screen."""
    here = sorted((c for c in workflow.running_cases() if c.room == room), key=lambda c: c.started_at or "")
    running = [c.id for c in here]
    planned = [c.id for c in workflow.planned_cases() if c.room == room]
    case = chosen if chosen in running else (running[-1] if running else None)
    return {"case": case, "running": running, "planned": planned}


def body(workflow: Workflow, room: str, kind: str, mode: dict[str, Any]) -> Component:
    """The room's body for its present state."""
    if mode["case"] is None:
        return rooms.no_case(workflow, room, is_wall=kind == WALL)
    view = workflow.case_view(mode["case"])
    if kind == WALL:
        return _wall_body(workflow, view, room, running=len(mode["running"]))
    return _hand_body(workflow, view, room, others=[c for c in mode["running"] if c != mode["case"]])


def _tick(view: CaseView, kind: str) -> list[Component]:
    return [
        dcc.Store(id=ids.ROOM_TICK),
        dcc.Store(id=ids.ROOM_DRAWN),
        dcc.Store(id=ids.ROOM_SHOWN, data=shown_mark(view, kind)),
        html.P(id=ids.ROOM_SOUND, className="sound-refused", role="status"),
        dcc.Store(id=ids.ENTRY_DONE),
    ]


def shown_mark(view: CaseView, kind: str = HAND) -> dict[str, Any]:
    """What is on screen: enough to tell what must be redrawn, and what was shown first.

    standing : prompts whose card stands on this screen; told : those of which the ledger knows it
    """
    waiting = to_decide(view.prompts)
    standing = waiting[:MOST_ON_WALL] if kind == WALL else waiting
    return {
        "case": view.case.id,
        "position": view.position,
        "as_of": view.as_of.isoformat(),
        "facts": _facts_mark(view),
        "open": [(p.id, len(p.levels)) for p in waiting],
        "standing": [p.id for p in standing],
        "told": [s.value.prompt_id for s in view.case.shown if s.value.screen == kind],
        "sound": view.settings.flag("room.sound"),
        "ahead": ahead_words.room_lines(view, is_wall=kind == WALL),
    }


def _facts_mark(view: CaseView) -> list[int]:
    """Moves with what the skin map and the patient's identity are made from: all but numbers and prompts."""
    seqs = (e.seq for e in reversed(view.case.entries) if not isinstance(e.payload, _MANY_AND_SMALL))
    return [next(seqs, 0), view.settings.seq]


def _hand_body(workflow: Workflow, view: CaseView, room: str, *, others: list[str]) -> Component:
    zone = zone_named(view.time_zone)
    people = workflow.people(room)
    return html.Div(
        [
            *_tick(view, HAND),
            dcc.Store(id=ids.ENTRY_CASE, data=view.case.id),
            html.Header(
                [
                    dcc.Link("Rooms", href="/room", className="nav-link"),
                    html.Div(hand_head(view, zone), id=ids.ROOM_HEAD, className="room-head"),
                    dcc.Link("This case", href=path_of("case", view.case.id), className="nav-link"),
                    _entered_by(people),
                ],
                className="room-top",
            ),
            *([_other_cases(room, others)] if others else []),
            identity.panel(workflow, view.case.id),
            html.Div(
                [
                    html.Div(lane_heads(case_words.accounts(view, zone=zone)), id=ids.ROOM_NUMBERS),
                    _graph(two_accounts_data(view, ground=theme.DARK, zone=zone)),
                    _ahead(view, HAND),
                    html.Div(
                        [
                            html.H2("To decide"),
                            html.Div(prompts(view, people, HAND), id=ids.ROOM_PROMPTS, className="prompts"),
                            room_held.held_panel(workflow, room),
                        ],
                        className="room-decide",
                    ),
                ],
                className="room-accounts",
            ),
            html.Div(
                [
                    entry_pad.injection_pad(room_entry.volumes(view), context=room_entry.context_of(view)),
                    entry_pad.undo_bar(room_entry.last_words(view), room_entry.last_id(view)),
                    entry_pad.questions_bar(),
                    entry_pad.reading_pad(
                        plane=room_entry.plane_of(view), units=entry_pad.UNITS[entry_pad.KERMA]
                    ),
                ],
                className="room-entry",
            ),
            html.Div(
                [
                    html.Section(
                        [html.H2("Earlier today"), html.Div(answered(view), id=ids.ROOM_ANSWERED)],
                        className="section",
                    ),
                    html.Div(figure_rows(view, zone), id=ids.ROOM_FIGURE_ROWS),
                    hot_patch_panel(),
                    facts_panel(view),
                    correction_panel(view, zone=zone),
                    swap_panel(),
                    _end_of_case(),
                ],
                className="room-more",
            ),
            cautions(),
        ],
        className="hand",
    )


def _wall_body(workflow: Workflow, view: CaseView, room: str, *, running: int) -> Component:
    zone = zone_named(view.time_zone)
    sizes = theme.wall_sizes(
        screen_width_mm=view.settings.number("room.wall_width_mm"),
        distance_m=view.settings.number("room.wall_distance_m"),
    )
    style = {"--number": f"{sizes.number_vw:.3f}vw", "--label": f"{sizes.label_vw:.3f}vw"}
    return html.Div(
        [
            *_tick(view, WALL),
            html.Header(
                html.Div(wall_head(view, zone), id=ids.ROOM_HEAD, className="room-head"), className="room-top"
            ),
            *(
                [html.P(f"{running} cases run in this room; this is one of them.", className="other-cases")]
                if running > 1
                else []
            ),
            html.Div(
                [
                    html.Div(
                        wall_heads(case_words.accounts(view, zone=zone, decimals=1)),
                        id=ids.ROOM_NUMBERS,
                    ),
                    _graph(two_accounts_data(view, ground=theme.DARK, zone=zone, font_size=22, is_wall=True)),
                    html.Aside(
                        [
                            html.H2("To decide"),
                            html.Div(prompts(view, (), WALL), id=ids.ROOM_PROMPTS, className="prompts"),
                            room_held.held_panel(workflow, room, is_wall=True),
                            html.H2("Earlier today"),
                            html.Div(answered(view), id=ids.ROOM_ANSWERED),
                        ],
                        className="wall-side",
                    ),
                ],
                className="wall-lanes",
            ),
            _ahead(view, WALL),
            html.Div(id=ids.ROOM_FIGURE_ROWS, hidden=True),
        ],
        className="wall",
        style=style,
    )


def _ahead(view: CaseView, kind: str) -> Component:
    """What one more run adds, and what is to be asked: written by the page from its mark."""
    lines = ahead_words.room_lines(view, is_wall=kind == WALL)
    return html.P(lines, id=ids.ROOM_AHEAD, className="room-ahead")


def _graph(figure: Any) -> Component:
    return dcc.Graph(
        id=ids.ROOM_FIGURE, figure=figure, config=GRAPH_CONFIG, className="room-figure", responsive=True
    )


def figure_rows(view: CaseView, zone: ZoneInfo) -> Component:
    """The numbers of the figure as a table."""
    return figure_numbers(
        FIGURE_HEAD,
        two_accounts_rows(view, zone=zone),
        caption="Radiation and contrast over time",
        numeric=frozenset({2, 3, 4, 5}),
    )


def hand_head(view: CaseView, zone: ZoneInfo) -> list[Component]:
    """Room, patient (behind a touch), start and ages."""
    case = view.case
    return [
        html.Strong(case.room),
        html.Details(
            [
                html.Summary(case_words.short_identity(case.patient)),
                html.Span(case_words.full_identity(case.patient), className="full-identity"),
            ],
            className="identity",
        ),
        html.Span(case.procedure or "procedure not told"),
        html.Span(", ".join(map(vm.person_name, case.operators)) or "operator not told"),
        html.Span(case_words.started_words(view, zone=zone)),
        html.Span(case_words.feed_words(view), className="quiet"),
    ]


def wall_head(view: CaseView, zone: ZoneInfo) -> list[Component]:
    """One line for near reading."""
    case = view.case
    return [
        html.Span(
            vm.joined(
                case.room, case_words.short_identity(case.patient), case_words.started_words(view, zone=zone)
            )
        ),
        html.Span(case_words.feed_words(view), className="quiet"),
    ]


def prompts(view: CaseView, people: tuple[str, ...], kind: str) -> list[Component]:
    """The open prompts, substantial ones first."""
    zone = zone_named(view.time_zone)
    waiting = to_decide(view.prompts)
    if not waiting:
        return [prompt_card.nothing_to_decide()]
    if kind == WALL:
        more = len(waiting) - MOST_ON_WALL
        shown = [prompt_card.prompt_notice(p, zone=zone) for p in waiting[:MOST_ON_WALL]]
        return [*shown, prompt_card.more_waiting(more)] if more > 0 else shown
    return [
        prompt_card.prompt_card(p, people=people, zone=zone, is_open=number == 0)
        for number, p in enumerate(waiting)
    ]


def answered(view: CaseView) -> Component:
    """The prompts already answered, newest first."""
    zone = zone_named(view.time_zone)
    rows = [p for p in reversed(view.prompts) if p.answer is not None]
    if not rows:
        return html.P("No decision yet.", className="quiet")
    return html.Ul([prompt_card.answered_row(p, zone=zone) for p in rows], className="answered")


def _entered_by(people: tuple[str, ...]) -> Component:
    return html.Label(
        [
            html.Span("entered by", className="quiet"),
            dcc.Input(
                id=ids.ENTRY_BY,
                type="text",
                list="entered-by-names",
                className="input",
                placeholder="name",
                persistence=True,
                persistence_type="session",
            ),
            html.Datalist(
                [html.Option(value=vm.person_name(name)) for name in people], id="entered-by-names"
            ),
        ],
        className="entered-by",
    )


def _other_cases(room: str, others: list[str]) -> Component:
    return html.P(
        [
            "More than one case runs in this room. ",
            *[
                dcc.Link(
                    f"Other case {i}",
                    href=f"{path_of('room', room)}?case={case}",
                    className="button is-quiet",
                )
                for i, case in enumerate(others, start=1)
            ],
        ],
        className="other-cases",
    )


def _end_of_case() -> Component:
    return html.Section(
        [
            html.H2("End of the case"),
            html.Button("End the case", id=ids.CASE_END, className="button target"),
            html.Div(
                [
                    html.P("The patient leaves the table? The case ends with:"),
                    html.Ul(id=ids.CASE_END_SUMMARY, className="ending"),
                    html.Div(
                        [
                            html.Button("Yes, end it", id=ids.CASE_END_YES, className="button target"),
                            html.Button("Not yet", id=ids.CASE_END_NO, className="button target"),
                        ],
                        className="entry-confirm is-below",
                    ),
                ],
                id=ids.CASE_END_ASK,
                hidden=True,
                className="ask-over",
                role="alertdialog",
                **{"aria-label": "End of the case"},
            ),
            html.Div(id=ids.CASE_STEP_MESSAGE, className="field-error", role="alert"),
        ],
        className="section",
    )
