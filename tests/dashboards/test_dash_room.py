"""Room: what its callbacks do, called as functions on a real workflow."""

from __future__ import annotations

from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from dash import no_update

from dashboards import case_words
from dashboards.components import entry_pad
from dashboards.components.cautions import CAUTIONS
from dashboards.pages import facts, room, room_entry, room_live, room_touches, rooms
from dashboards.pages.room_entry import Typed
from dosetrack.alerts import CHANGE_PLAN, GO_ON
from dosetrack.entry import Question
from dosetrack.records.entries import Agent, ConsoleReading, Injection
from dosetrack.workflow import Workflow

from .conftest import NURSE, ROOM, SteppedClock, inject, opening, read_console

UTC = ZoneInfo("UTC")
PLACE = {"room": ROOM, "kind": room.HAND, "case": None}
TEN = Typed(volume="10", agent="iodinated", concentration="320", dilution_percent="100", site="second-pass")


def ids_in(component: Any) -> list[Any]:
    """Every id of a layout."""
    return [c.id for c in component._traverse() if getattr(c, "id", None) is not None]


def text_of(component: Any) -> str:
    return str(component)


# what the room shows ---------------------------------------------------------------------


def test_picker_names_every_room_and_what_runs_there(workflow: Workflow, case_id: str) -> None:
    text = text_of(rooms.picker(workflow, {}))
    assert "Room 2" in text
    assert "TIPS creation" in text
    assert "No patient." in text  # Room 3


def test_room_without_a_case_leads_to_the_form(workflow: Workflow) -> None:
    text = text_of(room.hand(workflow, {"room": ROOM}))
    assert "No patient." in text
    assert "/room/Room%202/before" in text


def test_wall_has_no_controls(workflow: Workflow, case_id: str) -> None:
    layout = room.wall(workflow, {"room": ROOM})
    kinds = {type(c).__name__ for c in layout._traverse()}
    assert kinds.isdisjoint({"Button", "Input", "RadioItems", "Dropdown", "Link", "A"})


def test_wall_shows_four_numbers_and_least_identity(workflow: Workflow, case_id: str) -> None:
    read_console(workflow, case_id, 3421.0)
    layout = text_of(room.wall(workflow, {"room": ROOM}))
    assert "MO-417" in layout
    assert "Moreira" not in layout
    assert layout.count("number is-wall") == 4


def test_hand_keeps_the_cautions_in_sight(workflow: Workflow, case_id: str) -> None:
    assert CAUTIONS[0] in text_of(room.hand(workflow, {"room": ROOM}))


def test_body_is_drawn_anew_only_when_the_case_changes(workflow: Workflow, case_id: str) -> None:
    mode = room.mode_of(workflow, ROOM)
    assert room_live.watch(workflow, PLACE, mode) == (no_update, no_update)
    workflow.end_case(case_id, actor=NURSE)
    body, now = room_live.watch(workflow, PLACE, mode)
    assert now["case"] is None
    assert "has ended" in text_of(body)


def test_several_running_cases_are_both_reachable(
    workflow: Workflow, case_id: str, clock: SteppedClock
) -> None:
    on_screen = room.mode_of(workflow, ROOM)
    clock.pass_minutes(30)
    other = workflow.open_case(opening(), actor=NURSE).case_id
    assert other is not None
    _, kept = room_live.watch(workflow, PLACE, on_screen)
    assert kept["case"] == case_id  # a second case never takes the place of the one on screen
    assert room.mode_of(workflow, ROOM)["case"] == other
    assert room.mode_of(workflow, ROOM, case_id)["case"] == case_id
    assert f"?case={case_id}" in text_of(room.hand(workflow, {"room": ROOM}))


def test_a_case_planned_for_later_does_not_disturb_the_one_on_screen(
    workflow: Workflow, case_id: str
) -> None:
    mode = room.mode_of(workflow, ROOM)
    workflow.open_case(opening(is_planned=True), actor=NURSE)
    assert room_live.watch(workflow, PLACE, mode) == (no_update, no_update)


def test_planned_case_can_be_started_from_the_room(workflow: Workflow) -> None:
    planned = workflow.open_case(opening(is_planned=True), actor=NURSE).case_id
    assert planned is not None
    assert "Start" in text_of(room.hand(workflow, {"room": ROOM}))
    workflow.start_case(planned, actor=NURSE)
    assert room.mode_of(workflow, ROOM)["case"] == planned


def test_nothing_is_computed_while_nothing_happened(workflow: Workflow, case_id: str) -> None:
    shown = room.shown_mark(workflow.case_view(case_id))
    assert room_live.refresh(workflow, PLACE, shown, is_due=False) == (no_update,) * 8


def test_prompts_are_left_alone_when_only_ages_change(
    workflow: Workflow, case_id: str, clock: SteppedClock
) -> None:
    inject(workflow, case_id, 100.0)
    shown = room.shown_mark(workflow.case_view(case_id))
    clock.pass_minutes(1)
    head, _, _, _, prompts, _, _, spoken = room_live.refresh(workflow, PLACE, shown, is_due=True)
    assert head is not no_update
    assert prompts is no_update  # what is being typed there stays
    assert spoken is no_update


def test_a_new_prompt_is_spoken_once(workflow: Workflow, case_id: str) -> None:
    shown = room.shown_mark(workflow.case_view(case_id))
    inject(workflow, case_id, 100.0)
    *_, prompts, _, mark, spoken = room_live.refresh(workflow, PLACE, shown, is_due=False)
    assert len(prompts) == 1
    assert spoken.startswith("to decide: ")
    assert room_live.refresh(workflow, PLACE, mark, is_due=True)[-1] is no_update


def test_silent_feed_is_hollow_and_says_since_when(
    workflow: Workflow, case_id: str, clock: SteppedClock
) -> None:
    read_console(workflow, case_id, 400.0)
    clock.pass_minutes(10)
    view = workflow.case_view(case_id)
    found = case_words.accounts(view, zone=UTC)
    assert found.kerma.is_stale
    assert found.kerma.notes[0] == "no data since 09:12"
    assert found.skin.is_stale
    assert not found.contrast.is_stale


@pytest.mark.parametrize(
    ("kerma_mgy", "shown"), [(2996.0, "2.9"), (3000.0, "3.0"), (3996.0, "3.9"), (4004.0, "4.0")]
)
def test_wall_never_shows_a_level_that_is_not_reached(
    workflow: Workflow, case_id: str, kerma_mgy: float, shown: str
) -> None:
    read_console(workflow, case_id, kerma_mgy)
    found = case_words.accounts(workflow.case_view(case_id), zone=UTC, decimals=1)
    assert (found.kerma.text, found.kerma.unit) == (shown, "Gy")


def test_upper_skin_estimate_never_shows_a_level_that_is_not_reached(
    workflow: Workflow, case_id: str
) -> None:
    read_console(workflow, case_id, 1000.0)
    high = workflow.case_view(case_id).skin
    assert high is not None
    just_below = 1000.0 * 1990.0 / high.high_mgy  # the upper end grows with the air kerma
    read_console(workflow, case_id, just_below)
    found = case_words.accounts(workflow.case_view(case_id), zone=UTC)
    assert (found.skin.text, found.skin.unit) == ("1.9", "Gy")
    assert found.skin.is_estimated
    said = [words for words in case_words.ending_words(workflow.case_view(case_id)) if "skin dose" in words]
    assert found.skin.notes[0].removeprefix("range ") in said[0]  # the same digits wherever it is told


def test_first_minute_says_not_known_and_not_zero(workflow: Workflow) -> None:
    case = workflow.open_case(opening(), actor=NURSE).case_id
    assert case is not None
    found = case_words.accounts(workflow.case_view(case), zone=UTC)
    assert found.kerma.text == found.skin.text == "not known"
    assert found.distance.text == "limit unknown"
    assert found.distance.notes == ("creatinine missing",)


# entry -----------------------------------------------------------------------------------


def test_an_injection_is_two_touches(workflow: Workflow, case_id: str) -> None:
    outcome = room_entry.act(workflow, "entry-given", case_id, TEN, actor=NURSE, pending=None, last=None)
    assert outcome.is_recorded
    (stair,) = workflow.case_view(case_id).stairs
    assert stair.injection.volume_ml == 10.0
    assert stair.iodine_g == pytest.approx(3.2)  # 10 mL x 320 mg I/mL / 1000


def test_undo_is_one_touch_and_keeps_the_trace(workflow: Workflow, case_id: str) -> None:
    first = room_entry.give(workflow, case_id, TEN, actor=NURSE)
    outcome = room_entry.undo(workflow, case_id, first.entry_id, actor=NURSE)
    assert outcome.is_recorded
    assert outcome.words == "nothing entered yet"
    view = workflow.case_view(case_id)
    assert view.stairs == ()
    assert any(row.replaced_by for row in view.timeline)
    again = room_entry.undo(workflow, case_id, first.entry_id, actor=NURSE)
    assert "corrected already" in again.message


def test_last_used_volumes_come_first(workflow: Workflow, case_id: str) -> None:
    assert room_entry.volumes(workflow.case_view(case_id)) == [5.0, 8.0, 10.0, 15.0, 20.0]
    inject(workflow, case_id, 20.0)
    inject(workflow, case_id, 7.0)
    assert room_entry.volumes(workflow.case_view(case_id))[:3] == [7.0, 20.0, 5.0]
    assert len(room_entry.volumes(workflow.case_view(case_id))) == room_entry.MOST_BUTTONS


def test_product_is_remembered_from_the_last_injection(workflow: Workflow, case_id: str) -> None:
    assert room_entry.context_of(workflow.case_view(case_id)).concentration_mgi_ml == 320.0
    inject(workflow, case_id, 10.0, concentration_mgi_ml=270.0, contrast_fraction=0.5)
    words = entry_pad.context_words(room_entry.context_of(workflow.case_view(case_id)))
    assert words == "270 mg I/mL · 50% contrast · second pass"


@pytest.mark.parametrize(
    ("number", "unit", "what", "field", "value"),
    [
        ("3.4", "Gy", entry_pad.KERMA, "reference_air_kerma_mgy", 3400.0),
        ("45", "mGy", entry_pad.KERMA, "reference_air_kerma_mgy", 45.0),
        ("2", "Gy·cm²", entry_pad.DAP, "dose_area_product_gycm2", 2.0),
        ("1.5", "min", entry_pad.TIME, "fluoroscopy_time_s", 90.0),
    ],
)
def test_reading_is_taken_with_the_unit_shown(
    workflow: Workflow, case_id: str, number: str, unit: str, what: str, field: str, value: float
) -> None:
    outcome = room_entry.read(
        workflow, case_id, Typed(what=what, number=number, unit=unit, plane="a"), actor=NURSE
    )
    if outcome.question is not None:
        assert outcome.pending is not None
        outcome = room_entry.confirm(workflow, case_id, outcome.pending, actor=NURSE, is_yes=False)
    assert outcome.is_recorded
    (reading,) = workflow.case_view(case_id).case.readings
    assert getattr(reading.value, field) == pytest.approx(value)
    assert reading.value.plane == "a"


def test_every_unit_offered_can_be_read() -> None:
    for what in (entry_pad.KERMA, entry_pad.DAP, entry_pad.TIME):
        for unit in entry_pad.UNITS[what]:
            assert room_entry._reading(Typed(what=what, number="12", unit=unit))


def test_a_lower_reading_asks_and_records_which(
    workflow: Workflow, case_id: str, clock: SteppedClock
) -> None:
    read_console(workflow, case_id, 50.0)
    clock.pass_minutes(3)
    typed = Typed(what=entry_pad.KERMA, number="12", unit="mGy")
    asked = room_entry.read(workflow, case_id, typed, actor=NURSE)
    assert not asked.is_recorded
    assert asked.question == room_entry.RESET
    assert "start again from zero" in asked.message
    assert asked.pending is not None
    refused = room_entry.confirm(workflow, case_id, asked.pending, actor=NURSE, is_yes=False)
    assert not refused.is_recorded
    taken = room_entry.confirm(workflow, case_id, asked.pending, actor=NURSE, is_yes=True)
    assert taken.is_recorded
    assert workflow.case_view(case_id).case.readings[-1].value.is_reset
    worst = workflow.case_view(case_id).radiation.worst_plane
    assert worst is not None
    assert worst.reference_air_kerma_mgy.typed == pytest.approx(62.0)


def test_a_first_reading_carried_over_is_subtracted_when_told(workflow: Workflow, case_id: str) -> None:
    typed = Typed(what=entry_pad.KERMA, number="2.5", unit="Gy")
    asked = room_entry.read(workflow, case_id, typed, actor=NURSE)
    assert asked.question == room_entry.CARRIED
    assert asked.pending is not None
    room_entry.confirm(workflow, case_id, asked.pending, actor=NURSE, is_yes=True)
    reading = workflow.case_view(case_id).case.readings[-1].value
    assert reading.offset_reference_air_kerma_mgy == pytest.approx(2500.0)


def test_what_the_room_showed_last_is_the_offset(
    workflow: Workflow, case_id: str, clock: SteppedClock
) -> None:
    read_console(workflow, case_id, 2500.0)
    workflow.end_case(case_id, actor=NURSE)
    clock.pass_minutes(60)
    following = workflow.open_case(opening(), actor=NURSE).case_id
    assert following is not None
    typed = Typed(what=entry_pad.KERMA, number="2.6", unit="Gy")  # 0.1 Gy since that patient left
    asked = room_entry.read(workflow, following, typed, actor=NURSE)
    assert asked.pending is not None
    assert room_entry.shown(asked, None)[2:4] == ("Carried over", "This patient's")
    room_entry.confirm(workflow, following, asked.pending, actor=NURSE, is_yes=True)
    worst = workflow.case_view(following).radiation.worst_plane
    assert worst is not None
    assert worst.reference_air_kerma_mgy.typed == pytest.approx(100.0)


def test_a_first_reading_of_this_patient_counts_whole(workflow: Workflow, case_id: str) -> None:
    typed = Typed(what=entry_pad.KERMA, number="2.5", unit="Gy")
    asked = room_entry.read(workflow, case_id, typed, actor=NURSE)
    assert asked.pending is not None
    assert room_entry.confirm(workflow, case_id, asked.pending, actor=NURSE, is_yes=False).is_recorded
    worst = workflow.case_view(case_id).radiation.worst_plane
    assert worst is not None
    assert worst.reference_air_kerma_mgy.typed == pytest.approx(2500.0)


BETTER = {"creatinine": "0.80 mg/dL", "creatinine_on": "2026-11-24", "weight": "58.5 kg"}


def test_a_fact_that_raises_the_limit_is_asked_about_and_recorded_once(
    workflow: Workflow, case_id: str
) -> None:
    on = date(2026, 11, 25)
    before = workflow.case_view(case_id)
    said, is_question = facts.record(workflow, case_id, BETTER, on=on, actor=NURSE, is_confirmed=False)
    assert is_question
    assert "Record it?" in said
    assert workflow.case_view(case_id).kidney.leading_limit_ml == before.kidney.leading_limit_ml
    done = facts.record(workflow, case_id, BETTER, on=on, actor=NURSE, is_confirmed=True)
    assert done == (facts.RECORDED, False)
    view = workflow.case_view(case_id)
    assert view.kidney.leading_limit_ml is not None
    assert before.kidney.leading_limit_ml is not None
    assert view.kidney.leading_limit_ml > before.kidney.leading_limit_ml
    assert [c.value.value for c in view.case.creatinines] == ["1.00", "0.80"]


def test_what_was_recorded_before_a_question_is_not_recorded_again(workflow: Workflow, case_id: str) -> None:
    # the higher creatinine lowers the limit and is recorded; the weight raises it and is asked about
    mixed = {"creatinine": "1.40 mg/dL", "creatinine_on": "2026-11-24", "weight": "75 kg"}
    for is_confirmed in (False, True):
        facts.record(workflow, case_id, mixed, on=date(2026, 11, 25), actor=NURSE, is_confirmed=is_confirmed)
    view = workflow.case_view(case_id)
    assert [c.value.value for c in view.case.creatinines] == ["1.00", "1.40"]
    assert view.case.patient.weight_kg == 75.0


def test_an_injection_elsewhere_that_raises_the_limit_asks_in_the_bar(
    workflow: Workflow, case_id: str
) -> None:
    question = Question("change", "contrast limit", "The leading limit rises. Record it?")
    outcome = room_entry._ask(Injection(8.0, 320.0), (question,))
    shown = room_entry.shown(outcome, None)
    assert shown[0] == "The leading limit rises. Record it?"
    assert shown[1:4] == (False, "Yes, record it", "No")
    assert outcome.pending is not None
    assert room_entry.confirm(workflow, case_id, outcome.pending, actor=NURSE, is_yes=True).is_recorded


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        (Typed(what=entry_pad.KERMA, number="", unit="Gy"), "nothing given"),
        (Typed(what=entry_pad.KERMA, number="abc", unit="Gy"), "Accepted"),
        (Typed(what=entry_pad.CONTRAST, number="-4", unit="mL"), "Accepted"),
        (Typed(what=entry_pad.CONTRAST, number="4000", unit="mL"), "Accepted"),
    ],
)
def test_what_cannot_be_is_refused_in_words(
    workflow: Workflow, case_id: str, typed: Typed, says: str
) -> None:
    outcome = room_entry.read(workflow, case_id, typed, actor=NURSE)
    assert not outcome.is_recorded
    assert says in outcome.message


def test_a_large_injection_is_asked_about_in_place(workflow: Workflow, case_id: str) -> None:
    asked = room_entry.give(
        workflow, case_id, Typed(volume="60", agent="iodinated", site="second-pass"), actor=NURSE
    )
    if asked.question is None:  # 60 mL is within the quiet range of a hand injection
        pytest.fail("60 mL by hand was recorded without a question")
    shown = room_entry.shown(asked, None)
    assert shown[1] is False  # the two answers stand in place
    assert shown[2] == "Yes, record it"
    assert workflow.case_view(case_id).stairs == ()


def test_gas_is_not_contrast(workflow: Workflow, case_id: str) -> None:
    gas = Typed(
        volume="40", agent="carbon dioxide", concentration="320", dilution_percent="100", site="second-pass"
    )
    assert room_entry.give(workflow, case_id, gas, actor=NURSE).is_recorded
    view = workflow.case_view(case_id)
    assert view.kidney.given.now.contrast_ml == 0.0
    assert case_words.other_agents(view) == "carbon dioxide 40 mL in 1"
    assert view.stairs[-1].injection.agent is Agent.CARBON_DIOXIDE


def test_payload_survives_the_page() -> None:
    reading = ConsoleReading("a", 12.0, None, 3.0, is_reset=True)
    assert room_entry.payload_of(room_entry.payload_data(reading)) == reading


def test_entries_carry_the_name_picked_as_claimed(workflow: Workflow, case_id: str) -> None:
    room_entry.give(workflow, case_id, TEN, actor=room_entry.actor_of(" Ines ", ROOM))
    row = room_entry.last_entry(workflow.case_view(case_id))
    assert row is not None
    assert (row.by.name, row.by.is_claimed) == ("Ines", True)
    assert room_entry.actor_of(None, ROOM).name == "team in Room 2"


# prompts ---------------------------------------------------------------------------------


@pytest.fixture
def prompted(workflow: Workflow, case_id: str) -> tuple[str, str]:
    inject(workflow, case_id, 100.0)
    return case_id, workflow.case_view(case_id).prompts[0].id


@pytest.mark.parametrize(
    ("who", "reason", "decision", "says"),
    [
        (None, "clinical need", GO_ON, room_entry.WHO_MISSING),
        ("Dr Almeida", "", GO_ON, room_entry.REASON_MISSING),
        ("Dr Almeida", "clinical need", GO_ON, ""),
        ("Dr Almeida", None, CHANGE_PLAN, ""),
    ],
)
def test_a_decision_needs_a_name_and_going_on_a_reason(
    workflow: Workflow,
    prompted: tuple[str, str],
    who: str | None,
    reason: str | None,
    decision: str,
    says: str,
) -> None:
    case, prompt = prompted
    said = room_entry.decide(workflow, case, prompt, decision=decision, who=who, reason=reason)
    assert said == says
    answer = workflow.case_view(case).prompts[0].answer
    assert (answer is None) == bool(says)


def test_neither_decision_is_chosen_beforehand_and_both_are_alike(
    workflow: Workflow, prompted: tuple[str, str]
) -> None:
    cards = room.prompts(workflow.case_view(prompted[0]), ("Dr Almeida",), room.HAND)
    parts = list(cards[0]._traverse())
    buttons = [c for c in parts if type(c).__name__ == "Button"]
    assert len({b.className for b in buttons}) == 1
    assert all(getattr(c, "value", None) is None for c in parts if type(c).__name__ == "RadioItems")


def test_answered_prompt_stays_readable(workflow: Workflow, prompted: tuple[str, str]) -> None:
    case, prompt = prompted
    room_entry.decide(workflow, case, prompt, decision=GO_ON, who="Dr Almeida", reason="clinical need")
    view = workflow.case_view(case)
    assert "go on because clinical need" in text_of(room.answered(view))
    assert room.prompts(view, (), room.HAND)[0].children == "Nothing to decide."
    second = room_entry.decide(workflow, case, prompt, decision=CHANGE_PLAN, who="Dr Brandt", reason="later")
    assert second  # the first answer stands


def test_prompt_tells_state_by_word_and_shape(workflow: Workflow, prompted: tuple[str, str]) -> None:
    text = text_of(room.prompts(workflow.case_view(prompted[0]), (), room.WALL))
    assert "to decide" in text
    assert "▲" in text
    assert "say: " in text


def test_injections_ahead_stand_under_the_distance_and_only_while_the_case_runs(
    workflow: Workflow, case_id: str
) -> None:
    inject(workflow, case_id, 6.0)
    view = workflow.case_view(case_id)
    assert view.injections_ahead is not None
    words = view.injections_ahead.in_words()
    assert "reached after about" in words
    assert words in case_words.limit_distance(view).notes
    assert words in text_of(room.wall(workflow, {"room": ROOM}))
    workflow.end_case(case_id, actor=NURSE)
    assert words not in case_words.limit_distance(workflow.case_view(case_id)).notes


def test_the_wall_counts_the_prompts_it_has_no_room_for(
    workflow: Workflow, case_id: str, clock: SteppedClock
) -> None:
    for kerma in (3100.0, 4100.0, 5100.0, 6100.0):
        clock.pass_minutes(5)
        read_console(workflow, case_id, kerma)
    shown = room.prompts(workflow.case_view(case_id), (), room.WALL)
    assert len(shown) == room.MOST_ON_WALL + 1
    assert "more prompt" in text_of(shown[-1])


# the end ---------------------------------------------------------------------------------


def test_the_end_is_asked_with_what_the_case_hands_over(
    workflow: Workflow, prompted: tuple[str, str]
) -> None:
    case, _ = prompted
    is_hidden, items, said = room_touches.end(workflow, "case-end", case, actor=NURSE)
    assert (is_hidden, said) == (False, "")
    words = [item.children for item in items]
    assert "contrast given 100 mL" in words
    assert "1 prompt without an answer" in words
    assert "no dose report received yet" in words
    assert room_touches.end(workflow, "case-end-no", case, actor=NURSE)[0]
    assert workflow.case_view(case).case.is_open
    assert room_touches.end(workflow, "case-end-yes", case, actor=NURSE)[0]
    idle = text_of(room.hand(workflow, {"room": ROOM}))
    assert "TIPS creation, has ended, 09:12" in idle
    assert "1 prompt without an answer" in idle
    assert "Summary and reconciling" in idle
    assert "Moreira" not in idle
    again = room_touches.end(workflow, "case-end-yes", case, actor=NURSE)
    assert "ended" in again[2]
