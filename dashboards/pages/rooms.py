"""Room without a patient: the list of rooms, and what one shows while nobody is on its table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import case_words, ids
from dashboards import view_models as vm
from dashboards.router import Query, path_of
from dosetrack.cases import CaseState
from dosetrack.times import zone_named

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import CaseSummary

NO_CASE = "No patient."


def picker(workflow: Workflow, query: Query) -> Component:
    """Every room with what runs in it."""
    running = workflow.running_cases()
    planned = workflow.planned_cases()
    rooms = dict.fromkeys((*workflow.rooms(), *(c.room for c in (*running, *planned) if c.room)))
    cards = [
        _room_card(name, [c for c in running if c.room == name], [c for c in planned if c.room == name])
        for name in rooms
    ]
    empty = html.P(
        "No room is known yet. Rooms are named in Settings, or come with the first dose report.",
        className="notice",
    )
    return html.Div(
        [
            html.Div(html.H1("Rooms"), className="page-head"),
            html.Div(cards, className="rooms") if cards else empty,
            _other_room(),
        ],
        className="page",
    )


def _room_card(name: str, running: list[CaseSummary], planned: list[CaseSummary]) -> Component:
    lines: list[Component] = [
        html.P(
            vm.joined(
                c.procedure or "procedure not told", f"since {c.started_at[11:16]}" if c.started_at else None
            )
        )
        for c in running
    ]
    lines += [html.P(f"planned: {c.procedure or 'procedure not told'}", className="quiet") for c in planned]
    return html.Article(
        [
            html.H2(name),
            *(lines or [html.P(NO_CASE, className="quiet")]),
            html.Div(
                [
                    dcc.Link("Open", href=path_of("room", name), className="button is-strong"),
                    dcc.Link("Wall view", href=path_of("room", name, "wall"), className="button"),
                    dcc.Link("Before the case", href=path_of("room", name, "before"), className="button"),
                ],
                className="room-links",
            ),
        ],
        className="room-card",
    )


def _other_room() -> Component:
    return html.P(
        "The wall view has no controls: open it on the large screen of the room. Both show the same case.",
        className="quiet",
    )


def no_case(workflow: Workflow, room: str, *, is_wall: bool) -> Component:
    """No patient: dim and still; the hand view leads to the form and to planned cases."""
    planned = [c for c in workflow.planned_cases() if c.room == room]
    if is_wall:
        return html.Div([html.P(room), html.P(NO_CASE)], className="room-idle")
    starts = [
        html.Div(
            [
                html.Span(c.procedure or "procedure not told"),
                html.Button(
                    "Start", id=ids.family(ids.PLANNED_START, c.id), className="button target is-strong"
                ),
            ],
            className="planned",
        )
        for c in planned
    ]
    return html.Div(
        [
            html.H1(room),
            html.P(NO_CASE),
            *_last_case(workflow, room),
            *starts,
            dcc.Link(
                "Before the case", href=path_of("room", room, "before"), className="button target is-strong"
            ),
            html.Div(
                [
                    dcc.Link("Rooms", href="/room", className="button is-quiet"),
                    dcc.Link("Wall view", href=path_of("room", room, "wall"), className="button is-quiet"),
                ]
            ),
        ],
        className="room-idle",
    )


def _last_case(workflow: Workflow, room: str) -> list[Component]:
    """The case that ended here last today, to be reconciled."""
    ended = [
        c for c in workflow.cases(first_day=workflow.today()) if c.room == room and c.state is CaseState.ENDED
    ]
    if not ended:
        return []
    view = workflow.case_view(ended[-1].id)
    at = view.case.ended_at
    when = f"has ended, {vm.clock_time(at, zone_named(view.time_zone))}" if at else "has ended"
    return [
        html.Div(
            [
                html.Strong(f"The last case here, {view.case.procedure or 'procedure not told'}, {when}"),
                html.Ul([html.Li(words) for words in case_words.ending_words(view)], className="ending"),
                dcc.Link(
                    "Summary and reconciling", href=path_of("case", view.case.id), className="button target"
                ),
            ],
            className="last-case",
        )
    ]
