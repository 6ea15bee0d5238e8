"""The worklist over weeks: decided when a case ends, called, seen, settled, and decided again."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from dosetrack.errors import InputError, StateError
from dosetrack.followup.items import FollowUpState
from dosetrack.ledger import check_projections, projection_digest, rebuild
from dosetrack.records.entries import ConsoleReading, Creatinine, Injection, InjectionSite, RenalStatus
from dosetrack.records.entries import Knowledge as K
from dosetrack.records.follow_up import (
    ContactTried,
    FollowUpDecided,
    PatientContact,
    SkinDoseEstimated,
    SkinExamined,
)
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import Patient
from dosetrack.workflow import Workflow, open_workflow
from tests.workflow.invented import NURSE, OPENING, Clock, dose_report, event

CALLER = Actor(name="Invented Caller", role=Role.FOLLOW_UP)
PHYSICIST = Actor(name="Invented Physicist", role=Role.PHYSICS)
LOOK = SkinExamined(seen_on="2026-03-16", examiner="Invented Doctor", grade=0, scale="CTCAE 5.0")


def ended_case(
    workflow: Workflow, clock: Clock, *, kerma: float | None = 6200.0, contrast: float | None = None
) -> str:
    """A case of 2 March 2026 with these numbers, ended after an hour."""
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    if kerma is not None:
        reading = ConsoleReading(reference_air_kerma_mgy=kerma, dose_area_product_gycm2=100.0)
        workflow.record(case_id, reading, actor=NURSE, is_confirmed=True)
    if contrast is not None:
        given = Injection(volume_ml=contrast, concentration_mgi_ml=320, site=InjectionSite.SECOND_PASS)
        workflow.record(case_id, given, actor=NURSE, is_confirmed=True)
    clock.forward(hours=1)
    workflow.end_case(case_id, actor=NURSE)
    return case_id


def states(workflow: Workflow, on: date | None = None) -> dict[str, str]:
    return {one.item.kind: one.state.value for one in workflow.follow_up_items(on=on, is_open=None)}


def test_a_case_that_ends_over_a_level_is_to_be_called(workflow: Workflow, clock: Clock) -> None:
    ended_case(workflow, clock)
    (one,) = workflow.follow_up_items()
    assert (one.item.kind, one.item.tier, one.state) == ("skin", "follow-up", FollowUpState.TO_CALL)
    # 14 and 30 days after 2 March 2026
    assert one.item.decided.due == ("2026-03-16", "2026-04-01")
    assert (one.item.next_due, one.days_overdue, one.item.is_open) == ("2026-03-16", 0, True)
    assert one.item.decided.tables_edition


def test_a_case_below_every_level_leaves_no_entry(workflow: Workflow, clock: Clock) -> None:
    case_id = ended_case(workflow, clock, kerma=500.0, contrast=20.0)
    with workflow.ledger.reading() as reader:
        kinds = [entry.kind for entry in reader.entries(case=case_id)]
    assert "follow-up-decided" not in kinds
    assert workflow.follow_up_items(is_open=None) == ()


def test_a_running_case_is_not_decided(workflow: Workflow) -> None:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    workflow.record(case_id, ConsoleReading(reference_air_kerma_mgy=9000), actor=NURSE, is_confirmed=True)
    assert workflow.follow_up_items(is_open=None) == ()


@pytest.mark.parametrize("how", ["no feed", "report only"])
def test_every_way_of_ending_decides(workflow: Workflow, clock: Clock, how: str) -> None:
    if how == "report only":
        workflow.take_in_bytes(dose_report("a", [event(1, kerma=6000)]), file="a.dcm")
    else:
        case_id = workflow.open_case(OPENING, actor=NURSE).case_id
        assert case_id is not None
        workflow.record(case_id, ConsoleReading(reference_air_kerma_mgy=9000), actor=NURSE, is_confirmed=True)
        clock.forward(hours=5)
        assert workflow.end_idle_cases() == (case_id,)
    assert [one.item.kind for one in workflow.follow_up_items()] == ["skin"]


def test_deciding_twice_changes_nothing(workflow: Workflow, clock: Clock) -> None:
    case_id = ended_case(workflow, clock, contrast=350.0)
    before = workflow.position()
    assert workflow.decide_follow_up(case_id) is False
    assert workflow.decide_follow_ups() == 0
    assert workflow.position() == before


def test_weeks_of_a_patient_until_settled(workflow: Workflow, clock: Clock) -> None:
    """Two calls reach nobody, the third does, the skin is seen, the second look is due, then settled."""
    case_id = ended_case(workflow, clock)
    clock.now = datetime(2026, 3, 18, 9, tzinfo=UTC)
    (one,) = workflow.follow_up_items()
    assert one.days_overdue == 2
    for day in (18, 19):
        clock.now = datetime(2026, 3, day, 9, tzinfo=UTC)
        workflow.try_contact(case_id, ContactTried("skin", "not reached"), actor=CALLER)
    assert states(workflow) == {"skin": "called, waiting"}
    workflow.try_contact(case_id, ContactTried("skin", "reached", next_on="2026-03-21"), actor=CALLER)
    (one,) = workflow.follow_up_items()
    assert (one.item.next_due, one.days_overdue, one.item.unreached) == ("2026-03-21", 0, 0)
    clock.now = datetime(2026, 3, 21, 9, tzinfo=UTC)
    seen = SkinExamined(seen_on="2026-03-21", examiner="Invented Doctor", grade=0, scale="CTCAE 5.0")
    workflow.skin_examined(case_id, seen, actor=CALLER)
    (one,) = workflow.follow_up_items()
    assert (one.state, one.item.is_open, one.item.next_due) == (FollowUpState.SEEN, True, "2026-04-01")
    asked = workflow.settle_follow_up(case_id, "skin", reason="nothing seen", actor=CALLER)
    assert asked.entry_id is None
    assert "2026-04-01" in asked.questions[0].text
    clock.now = datetime(2026, 4, 1, 9, tzinfo=UTC)
    workflow.try_contact(case_id, ContactTried("skin", "reached"), actor=CALLER)
    settled = workflow.settle_follow_up(case_id, "skin", reason="two looks, nothing seen", actor=CALLER)
    assert settled.entry_id is not None
    assert workflow.follow_up_items() == ()
    (one,) = workflow.follow_up_items(is_open=None)
    assert (one.state, one.item.settled_by, one.item.settled_reason) == (
        FollowUpState.SETTLED,
        "Invented Caller",
        "two looks, nothing seen",
    )


def test_third_call_that_reaches_nobody_sends_a_letter_and_goes_to_the_lead(
    workflow: Workflow, clock: Clock
) -> None:
    case_id = ended_case(workflow, clock)
    for outcome in ("not reached", "wrong number", "not reached"):
        clock.forward(days=5)
        workflow.try_contact(case_id, ContactTried("skin", outcome), actor=CALLER)
    (one,) = workflow.follow_up_items()
    assert one.state is FollowUpState.CANNOT_REACH
    assert one.is_escalated
    assert "letter" in one.next_step
    assert workflow.follow_up_counts().cannot_reach == 1


def test_a_normal_first_look_after_a_very_high_dose_leaves_four_more(
    workflow: Workflow, clock: Clock
) -> None:
    """12 Gy: the physicist's tier, whose days are 14, 28, 30, 90 and 365 days after 2 March 2026."""
    case_id = ended_case(workflow, clock, kerma=12_000.0)
    (one,) = workflow.follow_up_items()
    days = [(date(2026, 3, 2) + timedelta(days=n)).isoformat() for n in (14, 28, 30, 90, 365)]
    assert [due.day for due in one.item.due] == days
    clock.now = datetime(2026, 3, 16, 9, tzinfo=UTC)
    workflow.skin_examined(case_id, LOOK, actor=CALLER)
    (one,) = workflow.follow_up_items()
    assert [due.done_on for due in one.item.due] == ["2026-03-16", None, None, None, None]
    assert one.item.is_open


def test_a_call_is_no_clinic_check(workflow: Workflow, clock: Clock) -> None:
    case_id = ended_case(workflow, clock, kerma=12_000.0)
    clock.now = datetime(2026, 3, 30, 9, tzinfo=UTC)
    workflow.try_contact(case_id, ContactTried("skin", "reached"), actor=CALLER)
    (one,) = workflow.follow_up_items()
    done = {due.day: due.done_on for due in one.item.due}
    assert done["2026-03-16"] == "2026-03-30"
    assert done["2026-03-30"] is None


def test_an_urgent_finding_is_for_today(workflow: Workflow, clock: Clock) -> None:
    case_id = ended_case(workflow, clock)
    clock.now = datetime(2026, 3, 16, 9, tzinfo=UTC)
    wound = SkinExamined("2026-03-16", "Invented Doctor", 3, "CTCAE 5.0", place="back", is_urgent=True)
    workflow.skin_examined(case_id, wound, actor=CALLER)
    (one,) = workflow.follow_up_items()
    assert one.item.is_urgent
    assert one.next_step == "A doctor sees the skin today."
    assert one.item.next_due == "2026-03-16"


def test_a_dose_that_may_be_above_waits_for_the_physicist_then_is_a_call(
    workflow: Workflow, clock: Clock
) -> None:
    """4 Gy typed: the estimate's upper end passes 3 Gy. Five working days after Monday 2 March: Monday 9."""
    case_id = ended_case(workflow, clock, kerma=4000.0)
    (one,) = workflow.follow_up_items()
    assert one.state is FollowUpState.TO_ESTIMATE
    assert not one.may_call
    assert one.item.next_due == one.item.decided.estimate_due == "2026-03-09"
    assert states(workflow, date(2026, 3, 8)) == {"skin": "to be estimated"}
    assert states(workflow, date(2026, 3, 9)) == {"skin": "to be called"}
    on = date(2026, 3, 9)
    assert workflow.follow_up_items(on=on, states=[FollowUpState.TO_ESTIMATE]) == ()
    assert len(workflow.follow_up_items(on=on, states=[FollowUpState.TO_CALL])) == 1
    called = SkinDoseEstimated(decision="call", peak_skin_dose_mgy=3500.0, low_mgy=3000.0, high_mgy=4200.0)
    workflow.skin_estimated(case_id, called, actor=PHYSICIST)
    (one,) = workflow.follow_up_items()
    assert (one.state, one.item.next_due) == (FollowUpState.TO_CALL, "2026-03-16")


def test_no_call_by_the_physicist_settles_with_a_reason(workflow: Workflow, clock: Clock) -> None:
    case_id = ended_case(workflow, clock, kerma=4000.0)
    with pytest.raises(InputError, match="reason"):
        workflow.skin_estimated(case_id, SkinDoseEstimated("no call"), actor=PHYSICIST)
    no_call = SkinDoseEstimated("no call", peak_skin_dose_mgy=2100.0)
    workflow.skin_estimated(case_id, no_call, actor=PHYSICIST, reason="fields did not meet")
    (one,) = workflow.follow_up_items(is_open=None)
    assert (one.state, one.item.settled_by) == (FollowUpState.SETTLED, "Invented Physicist")


# kidney ------------------------------------------------------------------------------------------


def with_contrast(workflow: Workflow, clock: Clock) -> str:
    """350 mL with a baseline of 1.0 mg/dL: above what any creatinine allows by Cigarroa (300 mL)."""
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    baseline = Creatinine("1.0", "mg/dL", "2026-03-01")
    workflow.record(case_id, baseline, actor=NURSE, is_confirmed=True)
    given = Injection(volume_ml=350.0, concentration_mgi_ml=320)
    workflow.record(case_id, given, actor=NURSE, is_confirmed=True)
    clock.forward(hours=1)
    workflow.end_case(case_id, actor=NURSE)
    return case_id


def test_creatinine_is_due_and_its_result_is_staged(workflow: Workflow, clock: Clock) -> None:
    """1.0 to 1.6 within 48 h to 72 h: 1.6 times the baseline, KDIGO stage 1."""
    case_id = with_contrast(workflow, clock)
    (one,) = workflow.follow_up_items()
    assert (one.item.kind, one.state) == ("kidney", FollowUpState.CREATININE_DUE)
    assert one.item.decided.due == ("2026-03-04", "2026-03-05")
    assert workflow.follow_up_counts().kidney_not_assessed == 1
    clock.now = datetime(2026, 3, 4, 12, tzinfo=UTC)
    result = Creatinine("1.6", "mg/dL", "2026-03-04")
    workflow.creatinine_result(case_id, result, actor=CALLER, is_confirmed=True)
    (one,) = workflow.follow_up_items()
    assert one.state is FollowUpState.RESULT_IN
    assert one.item.injury is not None
    assert one.item.injury.stage == 1
    assert one.item.is_urgent
    assert workflow.follow_up_counts().kidney_not_assessed == 0


def test_an_early_creatinine_leaves_the_repeat_due(workflow: Workflow, clock: Clock) -> None:
    case_id = with_contrast(workflow, clock)
    early = Creatinine("1.0", "mg/dL", "2026-03-03")
    workflow.creatinine_result(case_id, early, actor=CALLER, is_confirmed=True)
    assert states(workflow) == {"kidney": "creatinine due"}


def test_a_creatinine_after_the_case_never_changes_what_was_decided(workflow: Workflow, clock: Clock) -> None:
    case_id = with_contrast(workflow, clock)
    before = workflow.follow_up_items()[0].item.decided
    workflow.creatinine_result(
        case_id, Creatinine("4.0", "mg/dL", "2026-03-05"), actor=CALLER, is_confirmed=True
    )
    assert workflow.follow_up_items()[0].item.decided == before


def test_dialysis_asks_for_no_creatinine(workflow: Workflow, clock: Clock) -> None:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    workflow.record(case_id, RenalStatus(dialysis=K.YES), actor=NURSE, is_confirmed=True)
    workflow.record(
        case_id, Injection(volume_ml=400, concentration_mgi_ml=320), actor=NURSE, is_confirmed=True
    )
    workflow.end_case(case_id, actor=NURSE)
    (one,) = workflow.follow_up_items(is_open=None)
    assert (one.state, one.item.is_open, one.item.tier) == (FollowUpState.NOTHING_DUE, False, None)


# decided again -----------------------------------------------------------------------------------


def test_a_late_report_that_crosses_a_level_is_told_the_same_day(workflow: Workflow, clock: Clock) -> None:
    ended_case(workflow, clock, kerma=1000.0)
    assert workflow.follow_up_items() == ()
    clock.now = datetime(2026, 3, 4, 15, tzinfo=UTC)
    workflow.take_in_bytes(dose_report("late", [event(1, kerma=6000)]), file="late.dcm")
    (one,) = workflow.follow_up_items()
    assert one.item.crossed_on == "2026-03-04"
    assert workflow.follow_up_counts().crossed == 1
    workflow.assign_follow_up(one.item.case_id, "skin", "Invented Caller", actor=CALLER)
    (one,) = workflow.follow_up_items()
    assert one.item.crossed_on is None
    assert any("after the patient had left" in line.text for line in one.item.trace)


def test_a_settled_item_is_opened_again_when_more_is_asked(workflow: Workflow, clock: Clock) -> None:
    case_id = ended_case(workflow, clock, kerma=6200.0)
    workflow.settle_follow_up(case_id, "skin", reason="done", actor=CALLER, is_confirmed=True)
    clock.forward(days=20)
    workflow.take_in_bytes(dose_report("late", [event(1, kerma=11_000)]), file="late.dcm")
    (one,) = workflow.follow_up_items()
    assert one.item.tier == "physicist"
    assert one.item.is_open
    assert one.item.trace[0].text == "Decided again: 'follow-up' became 'physicist'"
    assert any(line.text.startswith("Opened again: Ka,r") for line in one.item.trace)
    # what was due before it was asked for cannot be late by more than since then
    assert one.days_overdue == 0


def test_a_correction_that_takes_the_level_back_leaves_the_item_to_a_person(
    workflow: Workflow, clock: Clock
) -> None:
    case_id = ended_case(workflow, clock, kerma=6200.0)
    reading = next(r for r in workflow.case_view(case_id).timeline if r.kind == "console-reading")
    right = ConsoleReading(reference_air_kerma_mgy=620.0, dose_area_product_gycm2=100.0)
    workflow.correct(reading.entry_id, right, actor=NURSE, reason="a digit too many")
    (one,) = workflow.follow_up_items()
    assert one.state is FollowUpState.NOTHING_DUE
    assert one.item.is_open
    assert one.next_step.endswith("settle with a reason.")
    workflow.settle_follow_up(case_id, "skin", reason="typed wrongly", actor=CALLER)
    assert workflow.follow_up_items() == ()


def test_a_report_that_names_another_room_amends_nothing_silently(workflow: Workflow, clock: Clock) -> None:
    case_id = ended_case(workflow, clock, kerma=6200.0)
    workflow.take_in_bytes(dose_report("late", [event(1, kerma=6300)]), file="late.dcm")
    with workflow.ledger.reading() as reader:
        decided = [e for e in reader.entries(case=case_id) if isinstance(e.payload, FollowUpDecided)]
    assert len(decided) == 2
    assert all(entry.actor.role is Role.SYSTEM for entry in decided)


def test_an_earlier_case_that_arrives_late_decides_the_later_one_again(
    workflow: Workflow, clock: Clock
) -> None:
    """1.5 Gy and, a week before, 4.5 Gy: together 6 Gy of air kerma on what may be the same skin."""
    later = dose_report("b", [event(1, kerma=1500)], accession="B", study="1.2.3.2")
    workflow.take_in_bytes(later, file="b.dcm")
    first = workflow.follow_up_items(is_open=None)
    clock.forward(days=1)
    earlier = dose_report(
        "a",
        [replace(event(2, kerma=4500), started_at="2026-02-23T09:01:00")],
        accession="A",
        study="1.2.3.1",
        started="2026-02-23T09:00:00",
    )
    workflow.take_in_bytes(earlier, file="a.dcm")
    found = {one.item.day: one.item for one in workflow.follow_up_items(is_open=None)}
    assert {one.item.day for one in first} <= set(found)
    assert any(r.basis == "sum over cases" for r in found["2026-03-02"].decided.reasons)


# people ------------------------------------------------------------------------------------------


def test_a_death_told_on_the_phone_ends_every_call_of_the_patient(workflow: Workflow, clock: Clock) -> None:
    one = ended_case(workflow, clock, contrast=350.0)
    other = ended_case(workflow, clock)
    workflow.try_contact(one, ContactTried("skin", "deceased"), actor=CALLER)
    found = workflow.follow_up_items()
    assert {item.item.case_id for item in found} == {one, other}
    assert {item.state for item in found} == {FollowUpState.DECEASED}
    assert not any(item.may_call for item in found)
    assert workflow.call_list(date(2026, 5, 1)).calls == ()


@pytest.mark.parametrize(("outcome", "state"), [("declined", "declined"), ("transferred", "transferred")])
def test_a_patient_who_is_out_of_reach_by_choice_stays_visible(
    workflow: Workflow, clock: Clock, outcome: str, state: str
) -> None:
    case_id = ended_case(workflow, clock)
    workflow.try_contact(case_id, ContactTried("skin", outcome), actor=CALLER)
    assert states(workflow) == {"skin": state}
    assert workflow.follow_up_items()[0].item.is_open


class _Index:
    def died(self, patients):  # type: ignore[no-untyped-def]
        return dict.fromkeys(patients, "2026-03-10")

    def source(self) -> str:
        return "invented index"


def test_the_index_is_asked_before_the_call_list(workflow: Workflow, clock: Clock) -> None:
    ended_case(workflow, clock)
    on = date(2026, 3, 16)
    assert len(workflow.call_list(on).calls) == 1
    assert workflow.call_list(on).deaths_checked.startswith("Deaths not checked")
    workflow.patient_index = _Index()
    found = workflow.call_list(on)
    assert found.calls == ()
    assert found.not_called[0][1] == "died on 2026-03-10 by the patient index"
    assert found.deaths_checked == "Deaths checked: invented index."
    assert workflow.note_deaths({("P1", "INVENTED"): "2026-03-10"}) == 1
    assert workflow.note_deaths({("P1", "INVENTED"): "2026-03-10"}) == 0
    assert states(workflow) == {"skin": "deceased"}


def test_many_items_change_hands_at_once(workflow: Workflow, clock: Clock) -> None:
    cases = [ended_case(workflow, clock) for _ in range(3)]
    assert workflow.follow_up_counts().without_owner == 3
    assert workflow.assign_follow_ups([(c, "skin") for c in cases[:2]], "Invented Caller", actor=CALLER) == 2
    assert workflow.assign_follow_ups([(c, "skin") for c in cases], "Invented Caller", actor=CALLER) == 1
    assert {one.item.owner for one in workflow.follow_up_items(owner="Invented Caller")} == {
        "Invented Caller"
    }
    assert workflow.follow_up_items(owner="") == ()


def test_contact_facts_stay_with_the_item(workflow: Workflow, clock: Clock) -> None:
    case_id = ended_case(workflow, clock)
    contact = PatientContact(phone="+00 555 0100", consents_to=("phone",), interpreter="Portuguese")
    workflow.keep_contact(case_id, contact, actor=CALLER)
    assert workflow.follow_up_items()[0].item.contact == contact


@pytest.mark.parametrize(
    "call",
    [
        lambda w, c: w.try_contact(c, ContactTried("skin", "perhaps"), actor=CALLER),
        lambda w, c: w.try_contact(c, ContactTried("skin", "reached", next_on="soon"), actor=CALLER),
        lambda w, c: w.settle_follow_up(c, "skin", reason=" ", actor=CALLER),
        lambda w, c: w.settle_follow_up(c, "liver", reason="x", actor=CALLER),
        lambda w, c: w.creatinine_result(c, Creatinine("1", "mg/dL"), actor=CALLER),
        lambda w, c: w.skin_examined(c, SkinExamined("2026-03-01", "A", 0, "S"), actor=CALLER),
        lambda w, c: w.skin_examined(c, SkinExamined("2026-03-20", " ", 0, "S"), actor=CALLER),
        lambda w, c: w.keep_contact(c, PatientContact(died_on="2026-13-01"), actor=CALLER),
    ],
)
def test_what_cannot_be_is_refused_and_leaves_nothing(workflow: Workflow, clock: Clock, call) -> None:  # type: ignore[no-untyped-def]
    case_id = ended_case(workflow, clock)
    before = workflow.position()
    with pytest.raises(InputError):
        call(workflow, case_id)
    assert workflow.position() == before


def test_calls_on_an_item_that_never_was_say_so(workflow: Workflow, clock: Clock) -> None:
    case_id = ended_case(workflow, clock, kerma=100.0)
    with pytest.raises(StateError, match="ever asked for"):
        workflow.try_contact(case_id, ContactTried("skin", "reached"), actor=CALLER)
    again = ended_case(workflow, clock)
    with pytest.raises(StateError, match="not settled"):
        workflow.reopen_follow_up(again, "skin", reason="x", actor=CALLER)


# the ledger --------------------------------------------------------------------------------------


def test_rebuild_and_verification_give_the_same_worklist(
    workflow: Workflow, clock: Clock, ledger_url: str, tmp_path: Path
) -> None:
    case_id = ended_case(workflow, clock, contrast=350.0)
    workflow.try_contact(case_id, ContactTried("skin", "not reached"), actor=CALLER)
    workflow.settle_follow_up(case_id, "kidney", reason="done", actor=CALLER, is_confirmed=True)
    before = workflow.follow_up_items(is_open=None)
    with workflow.ledger.reading() as reader:
        digest = projection_digest(reader)
        assert check_projections(reader, workflow.projector).differences == 0
    position = workflow.position()
    rebuild(workflow.ledger, workflow.projector)
    with workflow.ledger.reading() as reader:
        assert projection_digest(reader) == digest
    assert workflow.follow_up_items(is_open=None) == before
    assert workflow.position() == position


def test_cases_of_an_older_version_are_decided_when_the_ledger_is_brought_up_to_date(
    workflow: Workflow, clock: Clock, ledger_url: str
) -> None:
    workflow.ledger.before_commit = None  # as a version did that knew no follow-up
    ended_case(workflow, clock)
    with workflow.ledger.transaction() as tx:
        from dosetrack.ledger.rebuild import record_projection_version

        record_projection_version(tx, 2)
    workflow.ledger.close()
    newer = open_workflow(ledger_url, migrate=True, clock=clock)
    assert [one.item.kind for one in newer.follow_up_items()] == ["skin"]
    newer.ledger.close()


def test_change_of_patient_moves_the_item_with_the_case(workflow: Workflow, clock: Clock) -> None:
    from dosetrack.records.entries import PatientChanged

    case_id = ended_case(workflow, clock)
    right = PatientChanged(Patient(id="P2", id_issuer="INVENTED"))
    workflow.record(case_id, right, actor=NURSE, is_confirmed=True, reason="wrong patient opened")
    assert workflow.follow_up_items(patient_id="P1") == ()
    assert len(workflow.follow_up_items(patient_id="P2")) == 1
