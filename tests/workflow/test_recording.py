"""People change a case: nothing is lost, nothing is overwritten, each fact prompts once."""

from __future__ import annotations

import pytest

from dosetrack.cases import CaseState
from dosetrack.errors import InputError, StateError, UnknownCaseError
from dosetrack.ledger import projection_digest, rebuild, verify_chain
from dosetrack.records.entries import (
    Agent,
    CaseOpened,
    ConsoleReading,
    Creatinine,
    Injection,
    InjectionSite,
    Knowledge,
)
from dosetrack.records.report import Patient
from dosetrack.workflow import Workflow
from tests.workflow.invented import NURSE, OPENING, OPERATOR, Clock

CREATININE = Creatinine(value="1.5", unit="mg/dL", taken_on="2026-02-27")


def opened(workflow: Workflow) -> str:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    workflow.record(case_id, CREATININE, actor=NURSE)
    return case_id


def inject(workflow: Workflow, case_id: str, volume_ml: float, clock: Clock) -> tuple[str, list[str]]:
    clock.forward(minutes=3)
    done = workflow.record(
        case_id,
        Injection(volume_ml=volume_ml, concentration_mgi_ml=320, site=InjectionSite.SECOND_PASS),
        actor=NURSE,
        is_confirmed=True,
    )
    assert done.entry_id is not None
    return done.entry_id, [p.headline for p in done.prompts]


def read(workflow: Workflow, case_id: str, kerma_mgy: float, clock: Clock) -> list[str]:
    clock.forward(minutes=3)
    reading = ConsoleReading(plane="single", reference_air_kerma_mgy=kerma_mgy)
    done = workflow.record(case_id, reading, actor=NURSE, is_confirmed=True)
    return [p.headline for p in done.prompts]


def test_distance_to_the_leading_limit_falls_with_each_injection(workflow: Workflow, clock: Clock) -> None:
    # published example patient A: 2 x CrCl = 100.74 mL (Cockcroft-Gault, actual weight)
    case_id = opened(workflow)
    assert workflow.case_view(case_id).kidney.headline == "100 mL below 2 × CrCl"
    inject(workflow, case_id, 40, clock)
    assert workflow.case_view(case_id).kidney.headline == "60 mL below 2 × CrCl"
    inject(workflow, case_id, 61, clock)
    view = workflow.case_view(case_id)
    assert view.kidney.headline == "1 mL past 2 × CrCl"
    assert view.kidney.next_level is not None


def test_leading_limit_prompts_at_75_and_100_percent_and_never_again(
    workflow: Workflow, clock: Clock
) -> None:
    case_id = opened(workflow)
    heard = [inject(workflow, case_id, volume, clock)[1] for volume in (75, 1, 24, 1, 5)]
    assert heard == [[], ["75 % of 2 × CrCl"], [], ["2 × CrCl"], []]


def test_air_kerma_prompts_as_the_published_stream_says(workflow: Workflow, clock: Clock) -> None:
    # notification at 3 Gy, then every 1 Gy; substantial level 5 Gy (values of the packaged table)
    case_id = opened(workflow)
    heard = [read(workflow, case_id, value, clock) for value in (2999, 3000, 3999, 4000, 6100)]
    assert heard[:4] == [[], ["Ka,r 3 Gy"], [], ["Ka,r 4 Gy"]]
    assert len(heard[4]) == 1
    last = workflow.case_view(case_id).prompts[-1]
    assert {fact.level for fact in last.facts} == {5000.0, 6000.0}
    assert last.priority == "substantial"


def test_answer_is_kept_with_name_decision_and_reason(workflow: Workflow, clock: Clock) -> None:
    case_id = opened(workflow)
    read(workflow, case_id, 3100, clock)
    prompt = workflow.case_view(case_id).prompts[0]
    workflow.answer_prompt(
        case_id, prompt.id, decision="go on because", reason="shunt nearly open", actor=OPERATOR
    )
    answered = workflow.case_view(case_id).prompts[0]
    assert answered.answer is not None
    assert (answered.answer.by, answered.answer.reason) == ("Invented Operator", "shunt nearly open")
    with pytest.raises(StateError):
        workflow.answer_prompt(case_id, prompt.id, decision="change plan", reason=None, actor=NURSE)


@pytest.mark.parametrize("decision", ["", "maybe"])
def test_answer_needs_one_of_the_two_decisions(workflow: Workflow, clock: Clock, decision: str) -> None:
    case_id = opened(workflow)
    read(workflow, case_id, 3100, clock)
    prompt = workflow.case_view(case_id).prompts[0]
    with pytest.raises(InputError):
        workflow.answer_prompt(case_id, prompt.id, decision=decision, reason=None, actor=NURSE)


def test_undo_takes_an_injection_back_and_keeps_it_on_the_timeline(workflow: Workflow, clock: Clock) -> None:
    case_id = opened(workflow)
    entry_id, _ = inject(workflow, case_id, 40, clock)
    workflow.correct(entry_id, None, actor=NURSE, reason="not given")
    view = workflow.case_view(case_id)
    assert view.stairs == ()
    row = next(r for r in view.timeline if r.entry_id == entry_id)
    assert "40 mL" in row.text
    assert row.replaced_by is not None


def test_correction_keeps_the_time_and_needs_a_reason(workflow: Workflow, clock: Clock) -> None:
    case_id = opened(workflow)
    entry_id, _ = inject(workflow, case_id, 80, clock)
    happened = workflow.case_view(case_id).stairs[0].at
    clock.forward(minutes=10)
    better = Injection(volume_ml=8, concentration_mgi_ml=320, site=InjectionSite.SECOND_PASS)
    with pytest.raises(InputError):
        workflow.correct(entry_id, better, actor=NURSE, reason=" ")
    with pytest.raises(InputError):
        workflow.correct(entry_id, CREATININE, actor=NURSE, reason="slip")
    workflow.correct(entry_id, better, actor=NURSE, reason="a zero too many")
    stairs = workflow.case_view(case_id).stairs
    assert [(s.injection.volume_ml, s.at) for s in stairs] == [(8, happened)]
    with pytest.raises(StateError):
        workflow.correct(entry_id, None, actor=NURSE, reason="again")


def test_gas_and_saline_add_no_contrast_and_no_iodine(workflow: Workflow, clock: Clock) -> None:
    case_id = opened(workflow)
    for agent in (Agent.CARBON_DIOXIDE, Agent.SALINE):
        workflow.record(case_id, Injection(volume_ml=60, agent=agent), actor=NURSE, is_confirmed=True)
    view = workflow.case_view(case_id)
    assert view.kidney.given.now.contrast_ml == 0
    assert view.kidney.headline == "100 mL below 2 × CrCl"


def test_unknown_creatinine_means_limit_unknown(workflow: Workflow) -> None:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    kidney = workflow.case_view(case_id).kidney
    assert kidney.headline.startswith("limit unknown")
    assert (kidney.leading, kidney.remaining_ml) == (None, None)


def test_contrast_of_an_earlier_case_counts_as_a_labelled_second_part(
    workflow: Workflow, clock: Clock
) -> None:
    first = opened(workflow)
    inject(workflow, first, 50, clock)
    workflow.end_case(first, actor=NURSE)
    clock.forward(hours=20)
    second = opened(workflow)
    inject(workflow, second, 30, clock)
    view = workflow.case_view(second)
    assert view.kidney.given.in_words() == "30 mL now + 50 mL earlier"
    assert view.kidney.headline == "20 mL below 2 × CrCl"
    assert [c.id for c in view.earlier.contrast_cases] == [first]
    clock.forward(hours=80)
    third = opened(workflow)
    assert workflow.case_view(third).kidney.headline == "100 mL below 2 × CrCl"


def test_wrong_patient_is_swapped_with_a_trace(workflow: Workflow) -> None:
    from dosetrack.records.entries import PatientChanged

    case_id = opened(workflow)
    other = Patient(id="P2", sex="F", birth_date="1946-01-01", weight_kg=50, height_cm=155)
    workflow.record(
        case_id, PatientChanged(patient=other), actor=NURSE, reason="wrong list", is_confirmed=True
    )
    view = workflow.case_view(case_id)
    assert view.case.patient.id == "P2"
    assert view.timeline[-1].reason == "wrong list"


def test_case_goes_its_way_and_refuses_steps_out_of_order(workflow: Workflow) -> None:
    case_id = opened(workflow)
    with pytest.raises(StateError):
        workflow.close_case(case_id, actor=NURSE)
    workflow.end_case(case_id, actor=NURSE)
    with pytest.raises(StateError):
        workflow.end_case(case_id, actor=NURSE)
    workflow.close_case(case_id, actor=NURSE, note="read against the report")
    assert workflow.case_view(case_id).case.state is CaseState.CLOSED


def test_planned_case_starts_when_told(workflow: Workflow) -> None:
    planned = CaseOpened(room="Room 2", patient=Patient(id="P3"), is_planned=True)
    case_id = workflow.open_case(planned, actor=NURSE).case_id
    assert case_id is not None
    assert [c.id for c in workflow.planned_cases()] == [case_id]
    workflow.start_case(case_id, actor=NURSE)
    assert [c.id for c in workflow.running_cases()] == [case_id]


def test_idle_case_ends_by_itself_after_the_setting(workflow: Workflow, clock: Clock) -> None:
    case_id = opened(workflow)
    clock.forward(hours=3.9)
    assert workflow.end_idle_cases() == ()
    clock.forward(hours=0.2)
    assert workflow.end_idle_cases() == (case_id,)
    assert workflow.case_view(case_id).case.ended_how == "no feed"


def test_silent_feed_is_told(workflow: Workflow, clock: Clock) -> None:
    case_id = opened(workflow)
    read(workflow, case_id, 10, clock)
    assert not workflow.case_view(case_id).feeds.is_stale
    clock.forward(minutes=4)
    assert workflow.case_view(case_id).feeds.is_stale


def test_late_entry_counts_at_its_own_time(workflow: Workflow, clock: Clock) -> None:
    case_id = opened(workflow)
    given = clock.now
    clock.forward(minutes=30)
    late = Injection(volume_ml=10, concentration_mgi_ml=320, site=InjectionSite.SECOND_PASS)
    workflow.record(case_id, late, actor=NURSE, happened_at=given, is_confirmed=True)
    assert workflow.case_view(case_id).stairs[0].at == given


def test_unknown_case_and_empty_room_are_refused(workflow: Workflow) -> None:
    with pytest.raises(UnknownCaseError):
        workflow.case_view("nowhere")
    with pytest.raises(UnknownCaseError):
        workflow.record("nowhere", CREATININE, actor=NURSE)
    with pytest.raises(InputError):
        workflow.open_case(CaseOpened(room=" ", patient=Patient()), actor=NURSE)


def test_told_earlier_contrast_counts(workflow: Workflow) -> None:
    from dataclasses import replace

    told = replace(OPENING, earlier_contrast=Knowledge.YES, earlier_contrast_ml=30.0, earlier_iodine_g=9.6)
    case_id = workflow.open_case(told, actor=NURSE).case_id
    assert case_id is not None
    workflow.record(case_id, CREATININE, actor=NURSE)
    assert workflow.case_view(case_id).kidney.headline == "70 mL below 2 × CrCl"


def test_chain_holds_and_rebuild_reproduces_every_projection(workflow: Workflow, clock: Clock) -> None:
    case_id = opened(workflow)
    entry_id, _ = inject(workflow, case_id, 40, clock)
    read(workflow, case_id, 3100, clock)
    workflow.correct(entry_id, None, actor=NURSE, reason="not given")
    workflow.end_case(case_id, actor=NURSE)
    with workflow.ledger.reading() as reader:
        verify_chain(reader).require_whole()
        before = projection_digest(reader)
    rebuild(workflow.ledger, workflow.projector)
    with workflow.ledger.reading() as reader:
        assert projection_digest(reader) == before
