"""What machines sent that waits for a person, on the wall and in the hand."""

from __future__ import annotations

import json

import pytest
from dash import no_update
from plotly.utils import PlotlyJSONEncoder

from dashboards.components.held_card import ANSWER_WORDS, answer_key, answer_of
from dashboards.pages import room, room_held
from dosetrack.entry.messages import injection_of
from dosetrack.records.entries import ConsoleReading, Injection
from dosetrack.workflow import Workflow
from dosetrack.workflow.feed_case import answers_to
from dosetrack.workflow.results import Grant
from tests.dashboards.conftest import NURSE, ROOM, SteppedClock, read_console

HAND, WALL = {"room": ROOM, "kind": "hand"}, {"room": ROOM, "kind": "wall"}


@pytest.fixture
def gateway(workflow: Workflow) -> Grant:
    return workflow.grant_access(name="Console gateway", room=ROOM, token_sha256="a" * 64, actor=NURSE)


def misread(workflow: Workflow, gateway: Grant, case_id: str) -> str:
    """A reading of 5.1 Gy, then one of 4.2 Gy from the gateway; the id under which it waits."""
    read_console(workflow, case_id, 5100)
    fed = workflow.feed(gateway, ConsoleReading(reference_air_kerma_mgy=4200), message_id="r1")
    assert fed.held_as is not None
    return fed.held_as


def text_of(component: object) -> str:
    return json.dumps(component, cls=PlotlyJSONEncoder, ensure_ascii=False)


def test_nothing_stands_where_nothing_waits(workflow: Workflow, case_id: str) -> None:
    assert room_held.refreshed(workflow, HAND, []) == (no_update, no_update)
    assert "not counted yet" not in text_of(room.hand(workflow, {"room": ROOM}))


def test_the_hand_shows_what_came_the_question_and_its_answers(
    workflow: Workflow, gateway: Grant, case_id: str
) -> None:
    held = misread(workflow, gateway, case_id)
    shown = text_of(room.hand(workflow, {"room": ROOM}))
    assert "Console gateway: Console reading: Ka,r 4200 mGy" in shown
    assert "lower than the last reading, 5100 mGy" in shown
    assert answer_key(held, "began again") in shown
    assert answer_key(held, "does not count") in shown


def test_the_wall_shows_it_without_buttons_and_counts_the_rest(
    workflow: Workflow, gateway: Grant, case_id: str
) -> None:
    misread(workflow, gateway, case_id)
    for number in (1, 2):
        typed = injection_of({"volume_ml": 79 + number})
        fed = workflow.feed(gateway, typed.value, message_id=f"i{number}", questions=typed.questions)
        assert fed.outcome == "asked"
    shown = text_of(room.wall(workflow, {"room": ROOM}))
    assert "2 more not counted yet" in shown
    assert "Ka,r 4200 mGy" in shown
    assert "held-answer" not in shown


def test_an_answer_is_recorded_with_who_gave_it_and_the_card_goes(
    workflow: Workflow, gateway: Grant, case_id: str
) -> None:
    held = misread(workflow, gateway, case_id)
    cards, marks = room_held.refreshed(workflow, HAND, [])
    assert (len(cards), marks) == (1, [held])
    assert room_held.refreshed(workflow, HAND, marks) == (no_update, no_update)
    key = answer_key(held, "began again")
    assert room_held.decided(workflow, key, case_id=case_id, by="Ines", room=ROOM) == ""
    assert room_held.refreshed(workflow, HAND, marks) == ([], [])
    last = workflow.case_view(case_id).case.readings[-1]
    assert (last.value.is_reset, last.by.name, last.by.is_claimed) == (True, "Ines", True)
    again = room_held.decided(workflow, key, case_id=case_id, by="Ines", room=ROOM)
    assert "decided already" in again


def test_what_came_before_the_case_can_be_given_to_it(
    workflow: Workflow, gateway: Grant, clock: SteppedClock, case_id: str
) -> None:
    workflow.end_case(case_id, actor=NURSE)
    clock.pass_minutes(10)
    fed = workflow.feed(gateway, Injection(12, from_injector=True), message_id="i1")
    opening = workflow.case_view(case_id).case.opening
    assert opening is not None
    clock.pass_minutes(5)
    second = workflow.open_case(opening.value, actor=NURSE).case_id
    assert second is not None
    key = answer_key(fed.held_as or "", "counts")
    assert "12 mL" in text_of(room.hand(workflow, {"room": ROOM}))
    assert room_held.decided(workflow, key, case_id=second, by=None, room=ROOM) == ""
    assert [s.value.volume_ml for s in workflow.case_view(second).case.injections] == [12]


@pytest.mark.parametrize("kinds", [("reset",), ("carried-over",), ("range", "fit"), ("no-case",)])
def test_every_answer_has_its_words(kinds: tuple[str, ...]) -> None:
    assert set(answers_to(kinds)) <= set(ANSWER_WORDS)


def test_the_key_of_a_button_tells_entry_and_answer() -> None:
    assert answer_of(answer_key("grant/message.1:2~3-4", "does not count")) == (
        "grant/message.1:2~3-4",
        "does not count",
    )


def test_the_head_tells_the_age_of_each_gateway(
    workflow: Workflow, gateway: Grant, clock: SteppedClock, case_id: str
) -> None:
    workflow.feed(gateway, ConsoleReading(reference_air_kerma_mgy=5), message_id="r1")
    clock.pass_minutes(2)
    assert "Console gateway 2 min ago" in text_of(room.wall(workflow, {"room": ROOM}))
