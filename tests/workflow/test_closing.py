"""Closing with reconciliation: what is asked, what is recorded, what counts, and what re-opens it."""

from __future__ import annotations

import pytest

from dosetrack.cases import CaseState
from dosetrack.errors import InputError, StateError
from dosetrack.records.entries import ConsoleReading, Injection, InjectionSite
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import Patient
from dosetrack.workflow import Workflow
from dosetrack.workflow.auditing import audit_case
from dosetrack.workflow.projector import extras_of
from tests.workflow.invented import NURSE, OPENING, Clock, dose_report, event

PHYSICIST = Actor(name="Invented Physicist", role=Role.PHYSICS)
KERMA, DAP, TIME = "reference_air_kerma_mgy", "dose_area_product_gycm2", "fluoroscopy_time_s"


@pytest.fixture
def ended(workflow: Workflow, clock: Clock) -> str:
    """A case whose DAP was typed a hundredfold: the report says 300 mGy, 30 Gy·cm², 180 s."""
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    clock.forward(minutes=30)
    reading = ConsoleReading("single", 300.0, 3000.0, 180.0)
    workflow.record(case_id, reading, actor=NURSE, is_confirmed=True)
    clock.forward(minutes=30)
    workflow.end_case(case_id, actor=NURSE)
    workflow.take_in_bytes(dose_report("one", [event(n) for n in (1, 2, 3)]), file="one.dcm")
    return case_id


def audited(workflow: Workflow, case_id: str, quantity: str) -> float | None:
    with workflow.ledger.reading() as reader:
        row = reader.case_total(case_id)
        assert row is not None
        found = audit_case(row, names={}, aliases={})
        assert found is not None
        return found.quantities[quantity]


def levels_dap(workflow: Workflow, case_id: str) -> float:
    figure = workflow.case_view(case_id).radiation.dose_area_product_gycm2.higher
    assert figure is not None
    return figure.value


def test_a_hundredfold_reading_is_asked_about_and_named(workflow: Workflow, ended: str) -> None:
    found = workflow.reconciliation(ended)
    (dap,) = found.undecided
    assert (dap.quantity, dap.plane, dap.typed) == (DAP, "single", 3000.0)
    assert dap.reported == pytest.approx(30.0)
    assert dap.slip == "typed is 100 times the reported: cGy·cm² or µGy·m² read as Gy·cm²"
    assert {d.quantity: d.agrees for d in found.differences} == {KERMA: True, DAP: False, TIME: True}
    with pytest.raises(InputError, match="dose_area_product_gycm2 of plane single"):
        workflow.close_case(ended, actor=PHYSICIST)
    assert workflow.case_view(ended).case.state is CaseState.ENDED


@pytest.mark.parametrize(
    ("choices", "reason", "words"),
    [
        ({(DAP, "single"): "reported"}, " ", "a few words why"),
        ({(DAP, "single"): "both"}, "slip", "typed, reported, neither"),
        ({(DAP, "single"): "typed", (KERMA, "single"): "typed"}, "slip", "a difference of this case"),
    ],
)
def test_a_choice_needs_a_difference_a_word_of_the_list_and_a_reason(
    workflow: Workflow, ended: str, choices: dict[tuple[str, str | None], str], reason: str, words: str
) -> None:
    with pytest.raises(InputError, match=words):
        workflow.close_case(ended, actor=PHYSICIST, choices=choices, reason=reason)


@pytest.mark.parametrize(("choice", "counts"), [("reported", 30.0), ("typed", 3000.0), ("neither", None)])
def test_the_audit_follows_the_choice_and_levels_keep_the_higher(
    workflow: Workflow, ended: str, choice: str, counts: float | None
) -> None:
    assert audited(workflow, ended, DAP) == pytest.approx(30.0)  # until someone decides
    workflow.close_case(ended, actor=PHYSICIST, choices={(DAP, "single"): choice}, reason="read again")
    view = workflow.case_view(ended)
    assert view.case.state is CaseState.CLOSED
    assert audited(workflow, ended, DAP) == (counts if counts is None else pytest.approx(counts))
    assert audited(workflow, ended, KERMA) == pytest.approx(300.0)
    assert levels_dap(workflow, ended) == 3000.0
    done = view.reconciliation
    assert (done.settled_by, done.reason) == ("Invented Physicist", "read again")
    assert [(s.quantity, s.counts) for s in done.settled] == [(DAP, choice)]
    assert view.timeline[-1].text == f"Case reconciled and closed: DAP: {choice} counts"
    assert done.undecided == ()


def test_a_running_case_shows_the_higher_of_both(workflow: Workflow, clock: Clock) -> None:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    workflow.record(case_id, ConsoleReading("single", 900.0), actor=NURSE, is_confirmed=True)
    workflow.take_in_bytes(dose_report("so far", [event(1)]), file="one.dcm")
    assert audited(workflow, case_id, KERMA) == 900.0


def test_a_late_report_opens_the_question_again_with_a_finding(
    workflow: Workflow, ended: str, clock: Clock
) -> None:
    workflow.close_case(ended, actor=PHYSICIST, choices={(DAP, "single"): "typed"}, reason="read again")
    clock.forward(hours=30)
    events = [event(n) for n in (1, 2, 3, 4)]
    workflow.take_in_bytes(dose_report("late", events, reported="2026-03-03T15:00:00"), file="late.dcm")
    view = workflow.case_view(ended)
    assert view.case.state is CaseState.ENDED
    (told,) = [f for f in view.findings if f.code == "changed-after-closing"]
    assert told.text == (
        "The case was closed by Invented Physicist; then came: a dose report (late.dcm). "
        "It is open for reconciling again."
    )
    # the choice was made for 30 Gy·cm²; the report now says 40
    assert {d.quantity for d in view.reconciliation.undecided} == {KERMA, DAP, TIME}
    assert audited(workflow, ended, DAP) == pytest.approx(40.0)
    choices: dict[tuple[str, str | None], str] = {(q, "single"): "reported" for q in (KERMA, DAP, TIME)}
    workflow.close_case(ended, actor=PHYSICIST, choices=choices, reason="late report")
    again = workflow.case_view(ended)
    assert again.case.state is CaseState.CLOSED
    assert not [f for f in again.findings if f.code == "changed-after-closing"]
    with pytest.raises(StateError):
        workflow.close_case(ended, actor=PHYSICIST)


def test_a_correction_after_closing_opens_it_again_and_a_choice_for_the_same_numbers_stays(
    workflow: Workflow, ended: str
) -> None:
    workflow.close_case(ended, actor=PHYSICIST, choices={(DAP, "single"): "reported"}, reason="read again")
    given = Injection(volume_ml=8, concentration_mgi_ml=320, site=InjectionSite.SECOND_PASS)
    workflow.record(ended, given, actor=NURSE, is_confirmed=True)
    assert workflow.case_view(ended).case.state is CaseState.ENDED
    workflow.close_case(ended, actor=PHYSICIST, note="one injection was missing")
    view = workflow.case_view(ended)
    assert view.case.state is CaseState.CLOSED
    assert [s.counts for s in view.reconciliation.settled] == ["reported"]


def test_a_report_of_another_patient_gets_a_case_of_its_own(workflow: Workflow, ended: str) -> None:
    workflow.take_in_bytes(
        dose_report("other", [event(7)], patient=Patient(id="P9", id_issuer="INVENTED"), study="1.2.3.4"),
        file="other.dcm",
    )
    view = workflow.case_view(ended)
    digest = view.case.reports[0].sha256
    with pytest.raises(InputError, match="a few words why"):
        workflow.join_report(digest, into=None, actor=NURSE, reason="")
    moved = workflow.join_report(digest, into=None, actor=NURSE, reason="another patient's")
    assert moved.case_id not in (None, ended)
    assert workflow.case_view(ended).case.reports == ()
    assert [r.sha256 for r in workflow.case_view(str(moved.case_id)).case.reports] == [digest]


def test_a_prompt_is_shown_once_on_each_screen(workflow: Workflow, clock: Clock) -> None:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    recorded = workflow.record(case_id, ConsoleReading("single", 3100.0), actor=NURSE, is_confirmed=True)
    (prompt,) = recorded.prompts
    assert prompt.shown_at is None
    clock.forward(seconds=2)
    first = clock.now
    assert workflow.show_prompts(case_id, [prompt.id, "nobody's"], screen="wall")
    clock.forward(seconds=5)
    position = workflow.position()
    assert not workflow.show_prompts(case_id, [prompt.id], screen="wall")
    assert workflow.position() == position
    assert workflow.show_prompts(case_id, [prompt.id], screen="hand")
    (shown,) = workflow.case_view(case_id).prompts
    assert (shown.state, shown.shown_at) == ("shown", first)
    clock.forward(seconds=53)
    workflow.answer_prompt(case_id, prompt.id, decision="change plan", reason=None, actor=NURSE)
    with workflow.ledger.reading() as reader:
        row = reader.case_total(case_id)
        assert row is not None
        (wait,) = extras_of(row).prompt_waits
    assert (wait.to_shown_s, wait.to_answered_s) == (2.0, 60.0)
