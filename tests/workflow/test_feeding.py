"""Machines in the room: which case a message belongs to, what is asked, and what a person decides."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from dosetrack.entry.messages import INJECTION, READING, checked_message, injection_of, reading_of
from dosetrack.errors import InputError, StateError
from dosetrack.ledger import rebuild
from dosetrack.records.entries import ConsoleReading, Creatinine, Injection, InjectionSite
from dosetrack.workflow import Workflow
from dosetrack.workflow.results import Fed, Grant
from tests.workflow.invented import NURSE, OPENING, OPERATOR, Clock

ROOM = OPENING.room


@pytest.fixture
def console(workflow: Workflow) -> Grant:
    return workflow.grant_access(name="Console gateway", room=ROOM, token_sha256="a" * 64, actor=NURSE)


@pytest.fixture
def pump(workflow: Workflow) -> Grant:
    return workflow.grant_access(name="Pump gateway", room=ROOM, token_sha256="b" * 64, actor=NURSE)


def opened(workflow: Workflow) -> str:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    return case_id


def read(workflow: Workflow, grant: Grant, kerma: float, name: str, **more: object) -> Fed:
    reading = ConsoleReading(reference_air_kerma_mgy=kerma)
    return workflow.feed(grant, reading, message_id=name, **more)  # type: ignore[arg-type]


def inject(workflow: Workflow, grant: Grant, volume: float, name: str, **more: object) -> Fed:
    given = Injection(volume, from_injector=True)
    return workflow.feed(grant, given, message_id=name, **more)  # type: ignore[arg-type]


def kerma(workflow: Workflow, case_id: str) -> float | None:
    plane = workflow.case_view(case_id).radiation.plane("single")
    return plane.reference_air_kerma_mgy.typed if plane else None


def test_a_first_reading_far_from_zero_waits_and_may_be_carried_over(
    workflow: Workflow, clock: Clock, console: Grant
) -> None:
    case_id = opened(workflow)
    fed = read(workflow, console, 640, "r1")
    assert (fed.outcome, [q.kind for q in fed.questions]) == ("asked", ["carried-over"])
    assert kerma(workflow, case_id) is None
    (held,) = workflow.held_in_room(ROOM)
    assert held.answers == ("carried over", "counts", "does not count")
    workflow.answer_held(held.entry_id, "carried over", actor=NURSE)
    assert kerma(workflow, case_id) == 0
    assert read(workflow, console, 700, "r2").outcome == "recorded"
    assert kerma(workflow, case_id) == 60
    assert workflow.held_in_room(ROOM) == ()


def test_what_does_not_count_stays_readable_and_is_not_asked_again_when_sent_again(
    workflow: Workflow, console: Grant
) -> None:
    case_id = opened(workflow)
    fed = read(workflow, console, 640, "r1")
    assert fed.held_as is not None
    workflow.answer_held(fed.held_as, "does not count", actor=NURSE)
    assert kerma(workflow, case_id) is None
    assert read(workflow, console, 640, "r1").outcome == "not counted"
    rows = [row.text for row in workflow.case_view(case_id).timeline]
    assert any("Console gateway sent: Console reading: Ka,r 640 mGy. Not counted." in row for row in rows)
    with pytest.raises(StateError):
        workflow.answer_held(fed.held_as, "counts", actor=OPERATOR)


def test_the_same_question_is_asked_once_a_minute_with_the_newest_reading(
    workflow: Workflow, clock: Clock, console: Grant
) -> None:
    case_id = opened(workflow)
    read(workflow, console, 640, "r0")
    for second in range(1, 130):
        clock.forward(seconds=1)
        assert read(workflow, console, 640 + second, f"r{second}").outcome == "asked"
    sent = [entry for entry in workflow.case_view(case_id).timeline if entry.kind == "held-for-person"]
    assert len(sent) == 3
    (held,) = workflow.held_in_room(ROOM)
    assert held.sent.reading == ConsoleReading(reference_air_kerma_mgy=760)
    assert read(workflow, console, 640, "r0").outcome == "asked"  # replaced by a newer one, not decided
    with pytest.raises(StateError, match="newer"):
        workflow.answer_held(sent[0].entry_id, "counts", actor=NURSE)


def test_a_later_reading_without_a_question_ends_the_waiting(
    workflow: Workflow, clock: Clock, console: Grant
) -> None:
    case_id = opened(workflow)
    for number, value in enumerate((20, 500)):
        read(workflow, console, value, f"r{number}")
    assert read(workflow, console, 50, "misread").outcome == "asked"
    assert len(workflow.held_in_room(ROOM)) == 1
    assert read(workflow, console, 520, "r9").outcome == "recorded"
    assert workflow.held_in_room(ROOM) == ()
    assert workflow.all_held() == ()
    codes = [finding.code for finding in workflow.case_view(case_id).findings]
    assert "machine-entry-waits" not in codes


def test_an_injection_without_a_case_waits_for_the_case_that_a_person_names(
    workflow: Workflow, clock: Clock, pump: Grant
) -> None:
    fed = inject(workflow, pump, 12, "i1")
    assert (fed.outcome, fed.case_id) == ("no case", None)
    clock.forward(minutes=10)
    case_id = opened(workflow)
    assert inject(workflow, pump, 12, "i1").outcome == "no case"
    (held,) = workflow.held_in_room(ROOM)
    with pytest.raises(InputError, match="case"):
        workflow.answer_held(held.entry_id, "counts", actor=NURSE)
    workflow.answer_held(held.entry_id, "counts", actor=NURSE, case_id=case_id)
    (given,) = workflow.case_view(case_id).case.injections
    assert (given.value.volume_ml, given.value.concentration_mgi_ml, given.at) == (12, 320, held.at)
    assert given.by == NURSE
    assert inject(workflow, pump, 12, "i1").outcome == "held already"


def test_what_came_without_a_case_leaves_the_room_after_a_day_but_stays_listed(
    workflow: Workflow, clock: Clock, pump: Grant
) -> None:
    inject(workflow, pump, 12, "i1")
    clock.forward(hours=25)
    assert workflow.held_in_room(ROOM) == ()
    (held,) = workflow.all_held()
    workflow.answer_held(held.entry_id, "does not count", actor=NURSE)
    assert workflow.all_held() == ()


def test_a_late_message_belongs_to_the_case_that_ran_then(
    workflow: Workflow, clock: Clock, pump: Grant
) -> None:
    first = opened(workflow)
    clock.forward(minutes=30)
    during_first = clock()
    clock.forward(minutes=30)
    workflow.end_case(first, actor=NURSE)
    clock.forward(minutes=10)
    between = clock()
    clock.forward(minutes=10)
    second = opened(workflow)
    clock.forward(minutes=10)
    assert inject(workflow, pump, 5, "late", happened_at=during_first).case_id == first
    assert inject(workflow, pump, 6, "between", happened_at=between).outcome == "no case"
    assert inject(workflow, pump, 7, "now").case_id == second
    assert [s.value.volume_ml for s in workflow.case_view(first).case.injections] == [5]


def test_clocks_that_differ_by_a_minute_do_not_lose_the_first_message(
    workflow: Workflow, clock: Clock, pump: Grant
) -> None:
    before = clock()
    clock.forward(minutes=1)
    case_id = opened(workflow)
    assert inject(workflow, pump, 5, "i1", happened_at=before).case_id == case_id


def test_what_comes_after_closing_is_asked(workflow: Workflow, clock: Clock, pump: Grant) -> None:
    case_id = opened(workflow)
    clock.forward(minutes=5)
    during = clock()
    clock.forward(minutes=5)
    workflow.end_case(case_id, actor=NURSE)
    workflow.close_case(case_id, actor=NURSE)
    fed = inject(workflow, pump, 5, "i1", happened_at=during)
    assert (fed.outcome, fed.case_id) == ("asked", case_id)


def test_of_two_cases_in_one_room_the_one_begun_last_is_fed(
    workflow: Workflow, clock: Clock, pump: Grant
) -> None:
    opened(workflow)
    clock.forward(hours=1)
    second = opened(workflow)
    clock.forward(minutes=5)
    assert inject(workflow, pump, 5, "i1").case_id == second == workflow.case_on(ROOM)


def test_an_injection_entered_by_hand_as_well_is_asked_and_the_machine_s_own_are_not(
    workflow: Workflow, clock: Clock, pump: Grant
) -> None:
    case_id = opened(workflow)
    workflow.record(case_id, Injection(5, 320, site=InjectionSite.SECOND_PASS), actor=NURSE)
    clock.forward(seconds=30)
    fed = inject(workflow, pump, 5, "i1")
    assert [q.kind for q in fed.questions] == ["duplicate"]
    assert NURSE.name in fed.questions[0].text
    clock.forward(minutes=5)
    for number in range(3):
        clock.forward(seconds=5)
        assert inject(workflow, pump, 5, f"same-{number}").outcome == "recorded"


def test_an_injection_that_would_raise_the_leading_limit_is_asked(
    workflow: Workflow, clock: Clock, pump: Grant
) -> None:
    """By its site: where the first pass is unknown the limits of arterial work lead."""
    case_id = opened(workflow)
    workflow.record(case_id, Creatinine("1.5", "mg/dL", "2026-02-27"), actor=NURSE, is_confirmed=True)
    before = workflow.case_view(case_id).kidney.leading_limit_ml
    assert before is not None
    venous = Injection(5, 320, site=InjectionSite.VENOUS, from_injector=True)
    fed = workflow.feed(pump, venous, message_id="i1")
    after = workflow.case_view(case_id).kidney.leading_limit_ml
    if fed.outcome == "asked":
        assert [q.kind for q in fed.questions] == ["change"]
        assert after == before
    else:
        assert after is None or after <= before


def test_numbers_that_cannot_fit_are_asked_once_and_a_word_holds_for_the_case(
    workflow: Workflow, clock: Clock, console: Grant
) -> None:
    """A field of 0.1 cm2: 200 mGy with 0.02 Gy cm2, as where mGy cm2 are sent as if in 10 Gy cm2."""
    opened(workflow)

    def send(name: str, kerma_mgy: float) -> Fed:
        dap = kerma_mgy / 10_000
        message = {"message_id": name, "reference_air_kerma_mgy": kerma_mgy, "dose_area_product_gycm2": dap}
        typed = reading_of(checked_message(READING, message))
        return workflow.feed(console, typed.value, message_id=name, questions=typed.questions)

    assert send("r0", 10).outcome == "recorded"
    fed = send("r1", 200)
    assert [q.kind for q in fed.questions] == ["fit"]
    assert fed.held_as is not None
    workflow.answer_held(fed.held_as, "counts", actor=NURSE)
    assert send("r2", 220).outcome == "recorded"


@pytest.mark.parametrize(
    ("kerma_mgy", "dap_gycm2", "is_asked"),
    [
        (200, 4, False),  # 20 cm2: a tight field; the case shows it as a finding
        (200, 0.02, True),  # 0.1 cm2
        (3, 300, True),  # 100 000 cm2: a kerma in Gy sent as mGy
        (0.3, 0.0, False),  # the display has no more digits yet
        (2, 0.1, False),  # 50 cm2
    ],
)
def test_a_machine_is_stopped_only_by_a_field_that_cannot_be(
    kerma_mgy: float, dap_gycm2: float, is_asked: bool
) -> None:
    message = {
        "message_id": "1",
        "reference_air_kerma_mgy": kerma_mgy,
        "dose_area_product_gycm2": dap_gycm2,
    }
    assert bool(reading_of(checked_message(READING, message)).questions) is is_asked


def test_ids_of_two_gateways_do_not_meet(workflow: Workflow, console: Grant, pump: Grant) -> None:
    case_id = opened(workflow)
    assert inject(workflow, console, 5, "1").outcome == "recorded"
    assert inject(workflow, pump, 6, "1").outcome == "recorded"
    assert inject(workflow, pump, 5, "1").outcome == "other content"
    assert len(workflow.case_view(case_id).case.injections) == 2


def test_a_corrected_entry_is_not_recorded_again(workflow: Workflow, console: Grant) -> None:
    case_id = opened(workflow)
    fed = read(workflow, console, 50, "r1")
    assert fed.entry_id is not None
    workflow.correct(fed.entry_id, None, actor=NURSE, reason="misread")
    assert read(workflow, console, 50, "r1").outcome == "held already"
    assert workflow.case_view(case_id).case.readings == ()


def test_one_name_is_one_gateway_until_it_is_withdrawn(workflow: Workflow, pump: Grant) -> None:
    with pytest.raises(InputError, match="withdraw"):
        workflow.grant_access(name="Pump  gateway", room="Room 3", token_sha256="c" * 64, actor=NURSE)
    workflow.withdraw_access("Pump gateway", actor=NURSE, reason="replaced")
    assert workflow.grant_of("b" * 64) is None
    again = workflow.grant_access(name="Pump gateway", room="Room 3", token_sha256="c" * 64, actor=NURSE)
    assert workflow.grant_of("c" * 64) == again
    with pytest.raises(InputError, match="Pump gateway"):
        workflow.withdraw_access("Other", actor=NURSE, reason="")


@pytest.mark.parametrize(("name", "room"), [("", ROOM), ("  ", ROOM), ("Pump", " ")])
def test_a_grant_names_gateway_and_room(workflow: Workflow, name: str, room: str) -> None:
    with pytest.raises(InputError):
        workflow.grant_access(name=name, room=room, token_sha256="c" * 64, actor=NURSE)


def test_an_answer_that_does_not_fit_is_refused(workflow: Workflow, console: Grant) -> None:
    opened(workflow)
    fed = read(workflow, console, 640, "r1")
    assert fed.held_as is not None
    with pytest.raises(InputError, match="carried over or counts"):
        workflow.answer_held(fed.held_as, "began again", actor=NURSE)
    with pytest.raises(InputError):
        workflow.answer_held("nothing", "counts", actor=NURSE)


def test_projections_come_out_the_same_when_made_again(
    workflow: Workflow, clock: Clock, console: Grant, pump: Grant
) -> None:
    case_id = opened(workflow)
    read(workflow, console, 20, "r1")
    inject(workflow, pump, 5, "i1")
    inject(workflow, pump, 70, "i2")
    read(workflow, console, 10, "r2")
    held = {h.sent.feed: h.entry_id for h in workflow.held_in_room(ROOM)}
    workflow.answer_held(held["Console gateway"], "began again", actor=NURSE)
    with workflow.ledger.reading() as reader:
        before = reader.case_totals()
    rebuild(workflow.ledger, workflow.projector)
    with workflow.ledger.reading() as reader:
        assert reader.case_totals() == before
    assert kerma(workflow, case_id) == 30


def test_the_age_of_each_feed(workflow: Workflow, clock: Clock, console: Grant, pump: Grant) -> None:
    case_id = opened(workflow)
    read(workflow, console, 20, "r1")
    clock.forward(minutes=1)
    workflow.record(case_id, Injection(5, 320), actor=NURSE)
    clock.forward(minutes=1)
    inject(workflow, pump, 70, "i1")  # held, and yet the pump is not silent
    ages = workflow.case_view(case_id).feeds.ages
    assert [(age.kind, age.name) for age in ages] == [
        ("injector gateway", "Pump gateway"),
        ("typed", NURSE.name),
        ("console gateway", "Console gateway"),
    ]
    assert [age.last_at for age in ages] == sorted(
        (age.last_at for age in ages if age.last_at is not None), reverse=True
    )
    silent = workflow.silent_feeds(ROOM, ())
    assert {age.name for age in silent} == {"Console gateway", "Pump gateway"}
    assert workflow.silent_feeds(ROOM, ages) == ()


def test_an_injection_of_a_machine_asks_by_the_bounds_of_injectors() -> None:
    """60 mL is usual for an injector (left ventricle 20 to 60 mL) and not for a hand."""
    by_machine = injection_of(checked_message(INJECTION, {"message_id": "1", "volume_ml": 60}))
    by_hand = {"message_id": "1", "volume_ml": 60, "from_injector": False}
    assert by_machine.questions == ()
    assert [q.kind for q in injection_of(checked_message(INJECTION, by_hand)).questions] == ["range"]
    assert by_machine.value == replace(Injection(60), from_injector=True)


def test_an_injection_that_the_machine_sent_is_asked_when_a_person_enters_it_too(
    workflow: Workflow, clock: Clock, pump: Grant
) -> None:
    case_id = opened(workflow)
    inject(workflow, pump, 12, "i1")
    clock.forward(seconds=40)
    by_hand = Injection(12, 320, site=InjectionSite.SECOND_PASS)
    asked = workflow.record(case_id, by_hand, actor=NURSE)
    assert [q.kind for q in asked.questions] == ["duplicate"]
    assert "Pump gateway" in asked.questions[0].text
    clock.forward(minutes=2)
    assert workflow.record(case_id, by_hand, actor=NURSE).entry_id is not None


def test_a_clock_a_little_ahead_is_taken_as_now_and_sent_again_as_the_same(
    workflow: Workflow, clock: Clock, pump: Grant
) -> None:
    case_id = opened(workflow)
    ahead = clock() + timedelta(seconds=90)
    assert inject(workflow, pump, 12, "i1", happened_at=ahead).outcome == "recorded"
    (given,) = workflow.case_view(case_id).case.injections
    assert given.at == clock()
    clock.forward(minutes=5)
    assert inject(workflow, pump, 12, "i1", happened_at=ahead).outcome == "held already"
    other = ahead + timedelta(minutes=1)
    assert inject(workflow, pump, 12, "i1", happened_at=other).outcome == "other content"
