"""What is asked before an entry counts."""

from __future__ import annotations

from dosetrack.records.entries import ConsoleReading, Creatinine, Injection, InjectionSite
from dosetrack.workflow import Workflow
from tests.workflow.invented import NURSE, OPENING, Clock

SITE = InjectionSite.SECOND_PASS


def opened(workflow: Workflow) -> str:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    return case_id


def test_reading_lower_than_last_is_questioned_and_not_recorded(workflow: Workflow, clock: Clock) -> None:
    case_id = opened(workflow)
    workflow.record(case_id, ConsoleReading(reference_air_kerma_mgy=5), actor=NURSE)
    workflow.record(case_id, ConsoleReading(reference_air_kerma_mgy=900), actor=NURSE)
    clock.forward(minutes=2)
    position = workflow.position()
    asked = workflow.record(case_id, ConsoleReading(reference_air_kerma_mgy=90), actor=NURSE)
    assert asked.entry_id is None
    assert [q.kind for q in asked.questions] == ["reset"]
    assert workflow.position() == position
    clear = ConsoleReading(reference_air_kerma_mgy=90, is_reset=True)
    assert workflow.record(case_id, clear, actor=NURSE).entry_id is not None
    plane = workflow.case_view(case_id).radiation.plane("single")
    assert plane is not None
    assert plane.reference_air_kerma_mgy.typed == 990


def test_first_reading_that_equals_the_last_case_asks_whether_it_was_carried_over(
    workflow: Workflow, clock: Clock
) -> None:
    first = opened(workflow)
    workflow.record(first, ConsoleReading(reference_air_kerma_mgy=640), actor=NURSE, is_confirmed=True)
    workflow.end_case(first, actor=NURSE)
    clock.forward(hours=1)
    second = opened(workflow)
    asked = workflow.record(second, ConsoleReading(reference_air_kerma_mgy=640), actor=NURSE)
    assert [q.kind for q in asked.questions] == ["carried-over"]
    carried = ConsoleReading(reference_air_kerma_mgy=640, offset_reference_air_kerma_mgy=640)
    assert workflow.record(second, carried, actor=NURSE).entry_id is not None
    plane = workflow.case_view(second).radiation.plane("single")
    assert plane is not None
    assert plane.reference_air_kerma_mgy.typed == 0


def test_last_reading_in_room_is_the_case_before_on_the_same_plane(workflow: Workflow, clock: Clock) -> None:
    first = opened(workflow)
    left = ConsoleReading(reference_air_kerma_mgy=640, dose_area_product_gycm2=80)
    workflow.record(first, left, actor=NURSE, is_confirmed=True)
    workflow.end_case(first, actor=NURSE)
    clock.forward(hours=1)
    second = opened(workflow)
    assert workflow.last_reading_in_room(second, "single") == left
    assert workflow.last_reading_in_room(second, "b") is None
    assert workflow.last_reading_in_room(first, "single") is None


def test_same_injection_within_seconds_is_questioned(workflow: Workflow, clock: Clock) -> None:
    case_id = opened(workflow)
    puff = Injection(volume_ml=6, concentration_mgi_ml=320, site=SITE)
    assert workflow.record(case_id, puff, actor=NURSE).entry_id is not None
    clock.forward(seconds=3)
    assert [q.kind for q in workflow.record(case_id, puff, actor=NURSE).questions] == ["duplicate"]
    clock.forward(minutes=1)
    assert workflow.record(case_id, puff, actor=NURSE).entry_id is not None


def test_fact_that_raises_the_leading_limit_is_asked_and_leaves_no_trace_until_confirmed(
    workflow: Workflow, clock: Clock
) -> None:
    # published examples: patient A has 2 x CrCl = 100.74 mL at 1.5 mg/dL; half the creatinine doubles it
    case_id = opened(workflow)
    workflow.record(case_id, Creatinine("1.5", "mg/dL", "2026-02-27"), actor=NURSE)
    position = workflow.position()
    better = Creatinine("0.75", "mg/dL", "2026-03-02")
    asked = workflow.record(case_id, better, actor=NURSE)
    assert asked.entry_id is None
    assert [q.kind for q in asked.questions] == ["change"]
    assert workflow.position() == position
    assert workflow.case_view(case_id).kidney.headline == "100 mL below 2 × CrCl"
    assert workflow.record(case_id, better, actor=NURSE, is_confirmed=True).entry_id is not None
    assert workflow.case_view(case_id).kidney.headline == "201 mL below 2 × CrCl"


def test_fact_that_lowers_the_leading_limit_is_recorded_at_once(workflow: Workflow) -> None:
    case_id = opened(workflow)
    workflow.record(case_id, Creatinine("1.5", "mg/dL", "2026-02-27"), actor=NURSE)
    worse = Creatinine("3.0", "mg/dL", "2026-03-02")
    assert workflow.record(case_id, worse, actor=NURSE).entry_id is not None
    assert workflow.case_view(case_id).kidney.headline.endswith("below 1 × eGFR")
