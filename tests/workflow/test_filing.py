"""Reports find their case, count once, and are never lost."""

from __future__ import annotations

import pytest

from dosetrack.cases import CaseState
from dosetrack.errors import ReportRefusedError
from dosetrack.ledger import projection_digest, rebuild
from dosetrack.records.entries import ConsoleReading
from dosetrack.records.report import Patient
from dosetrack.workflow import Workflow
from tests.workflow.invented import NURSE, OPENING, Clock, dose_report, event


def take(workflow: Workflow, data: bytes, name: str = "r.dcm") -> str:
    return workflow.take_in_bytes(data, file=name).case_id


def test_report_alone_makes_an_ended_case(workflow: Workflow) -> None:
    case_id = take(workflow, dose_report("one", [event(1), event(2)]))
    view = workflow.case_view(case_id)
    assert view.case.state is CaseState.ENDED
    assert view.summary.reference_air_kerma_mgy == 200.0
    assert view.summary.events == 2


def test_same_bytes_again_change_nothing(workflow: Workflow) -> None:
    data = dose_report("one", [event(1)])
    first = workflow.take_in_bytes(data, file="one.dcm")
    position = workflow.position()
    again = workflow.take_in_bytes(data, file="copy.dcm")
    assert (again.case_id, again.is_new) == (first.case_id, False)
    assert workflow.position() == position


def test_cumulative_report_joins_and_counts_each_event_once(workflow: Workflow) -> None:
    first = take(workflow, dose_report("one", [event(1), event(2)]))
    second = take(
        workflow, dose_report("two", [event(1), event(2), event(3)], reported="2026-03-02T10:30:00")
    )
    assert first == second
    summary = workflow.case_view(first).summary
    assert (summary.reports, summary.events, summary.reference_air_kerma_mgy) == (2, 3, 300.0)


def test_report_joins_the_case_opened_in_the_room_by_accession_number(workflow: Workflow) -> None:
    opened = workflow.open_case(OPENING, actor=NURSE).case_id
    assert take(workflow, dose_report("one", [event(1)])) == opened


def test_levels_use_the_higher_of_typed_and_reported(workflow: Workflow, clock: Clock) -> None:
    opened = workflow.open_case(OPENING, actor=NURSE).case_id
    assert opened is not None
    workflow.record(opened, ConsoleReading(reference_air_kerma_mgy=250.0), actor=NURSE, is_confirmed=True)
    take(workflow, dose_report("one", [event(1), event(2)]))
    plane = workflow.case_view(opened).radiation.plane("single")
    assert plane is not None
    higher = plane.reference_air_kerma_mgy.higher
    assert higher is not None
    assert (higher.value, higher.basis) == (250.0, "typed")


def test_report_that_crosses_a_level_in_a_running_case_prompts(workflow: Workflow) -> None:
    opened = workflow.open_case(OPENING, actor=NURSE).case_id
    assert opened is not None
    take(workflow, dose_report("one", [event(1, kerma=3200.0)]))
    prompts = workflow.case_view(opened).prompts
    assert any("Ka,r 3 Gy" in p.headline or "Ka,r 3 Gy" in {f.name for f in p.facts} for p in prompts)


def test_same_accession_but_another_patient_is_asked_and_not_joined(workflow: Workflow) -> None:
    opened = workflow.open_case(OPENING, actor=NURSE).case_id
    other = Patient(id="P9", id_issuer="INVENTED")
    case_id = take(workflow, dose_report("one", [event(1)], patient=other))
    assert case_id != opened
    assert [f.code for f in workflow.case_view(case_id).findings if f.code == "may-belong-to-other-case"]


def test_same_patient_and_room_within_two_hours_is_proposed(workflow: Workflow) -> None:
    first = take(workflow, dose_report("one", [event(1)]))
    second = take(
        workflow,
        dose_report("two", [event(40)], accession="A-2", study="1.2.3.4", started="2026-03-02T09:40:00"),
    )
    assert second != first
    assert workflow.case_view(second).case.proposals[0].value.other_case == first


def test_two_patients_without_a_number_are_never_joined_by_accession(workflow: Workflow) -> None:
    nobody = Patient()
    one = take(workflow, dose_report("one", [event(1)], patient=nobody))
    two = take(workflow, dose_report("two", [event(2)], patient=nobody, study="1.2.3.4"))
    assert one != two


def test_person_joins_a_report_into_another_case_and_the_trace_stays(workflow: Workflow) -> None:
    first = take(workflow, dose_report("one", [event(1)]))
    moved = workflow.take_in_bytes(
        dose_report("two", [event(40)], accession="A-2", study="1.2.3.4", started="2026-03-02T09:40:00"),
        file="two.dcm",
    )
    sha256 = workflow.case_view(moved.case_id).case.reports[0].sha256
    workflow.join_report(sha256, into=first, actor=NURSE, reason="one case, two studies")
    assert workflow.case_view(first).summary.events == 2
    assert [c.id for c in workflow.cases()] == [first]
    assert workflow.case_view(moved.case_id).timeline[-1].reason == "one case, two studies"
    with workflow.ledger.reading() as reader:
        before = projection_digest(reader)
    rebuild(workflow.ledger, workflow.projector)
    with workflow.ledger.reading() as reader:
        assert projection_digest(reader) == before


def test_unreadable_bytes_are_refused_with_a_reason(workflow: Workflow) -> None:
    with pytest.raises(ReportRefusedError):
        workflow.take_in_bytes(b"not dicom at all", file="x.dcm")
    assert workflow.cases() == ()
