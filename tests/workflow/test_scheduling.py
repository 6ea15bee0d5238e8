"""What is planned: offered to a room, replaced with a trace, and held against what came."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from dosetrack.ledger import rebuild
from dosetrack.records.entries import ProcedureScheduled
from dosetrack.records.report import Patient
from dosetrack.workflow import Workflow, open_workflow
from dosetrack.workflow.scheduling import Asked, Planned
from tests.workflow.invented import NURSE, OPENING, Clock, dose_report, event

DAY = "2026-03-02"
TIPS = ProcedureScheduled(
    key="A-1/S1",
    patient=Patient(id="P1", id_issuer="INVENTED"),
    scheduled_at="2026-03-02T08:00:00",
    room="Room 2",
    procedure="Invented embolisation",
    accession_number="A-1",
    study_instance_uid="1.2.826.0.1.3680043.10.999.8.1",
    source="worklist of RIS",
    station="ANGIO2",
)
DRAIN = replace(
    TIPS, key="A-2", patient=Patient(id="P2"), room=None, accession_number="A-2", study_instance_uid=None,
    scheduled_at="2026-03-02T14:00:00", station=None,
)  # fmt: skip


@pytest.fixture
def clock() -> Clock:
    return Clock()  # stands at 09:00 UTC


@pytest.fixture
def workflow(tmp_path: Path, clock: Clock) -> Iterator[Workflow]:
    found = open_workflow(f"sqlite:///{tmp_path / 'ledger.sqlite'}", create=True, clock=clock)
    yield found
    found.ledger.close()


def only(planned: tuple[Planned, ...]) -> Planned:
    (one,) = planned
    return one


def test_a_room_sees_its_own_and_what_names_no_room_in_order_of_time(workflow: Workflow) -> None:
    other = replace(TIPS, key="A-3", room="Room 3", accession_number="A-3")
    tomorrow = replace(TIPS, key="A-4", scheduled_at="2026-03-03T08:00:00")
    workflow.take_in_schedule([DRAIN, tomorrow, other, TIPS], actor=NURSE)
    assert [p.told.key for p in workflow.schedule_of(DAY, "Room 2")] == ["A-1/S1", "A-2"]
    assert [p.told.key for p in workflow.schedule_of(DAY)] == ["A-1/S1", "A-3", "A-2"]


def test_the_time_is_of_the_room_unless_an_offset_is_told(workflow: Workflow) -> None:
    for scope, zone in (("site", "Europe/Lisbon"), ("room:Room 2", "Europe/Athens")):
        workflow.change_setting(
            key="site.time_zone", scope=scope, value=zone, valid_from="2026-01-01", actor=NURSE, reason="x"
        )
    late = replace(TIPS, key="late", scheduled_at="2026-03-02T23:30:00-05:00")
    workflow.take_in_schedule([TIPS, late], actor=NURSE)
    first = only(workflow.schedule_of(DAY, "Room 2"))
    assert first.at is not None
    assert first.at.isoformat() == "2026-03-02T06:00:00+00:00"  # Athens is two hours ahead in winter
    assert only(workflow.schedule_of("2026-03-03", "Room 2")).told.key == "late"  # 06:30 there


def test_the_same_from_elsewhere_changes_nothing_and_a_change_leaves_a_trace(workflow: Workflow) -> None:
    workflow.take_in_schedule([TIPS], actor=NURSE)
    position = workflow.position()
    again = workflow.take_in_schedule([replace(TIPS, source="list.csv")], actor=NURSE)
    assert (again.unchanged, workflow.position()) == (("A-1/S1",), position)
    changed = workflow.take_in_schedule([replace(TIPS, room="Room 3")], actor=NURSE)
    assert changed.changed == ("A-1/S1",)
    assert workflow.schedule_of(DAY, "Room 2") == ()
    with workflow.ledger.reading() as reader:
        told = reader.entries(kinds=["procedure-scheduled"])
    assert told[1].replaces == told[0].id
    assert told[1].reason == "the schedule changed: room"


def test_taken_back_and_told_again_it_is_new(workflow: Workflow) -> None:
    workflow.take_in_schedule([TIPS], actor=NURSE)
    assert workflow.take_in_schedule([], cancelled=["A-1/S1", "unknown"], actor=NURSE).withdrawn == (
        "A-1/S1",
    )
    assert workflow.scheduled("A-1/S1") is None
    assert workflow.take_in_schedule([TIPS], actor=NURSE).added == ("A-1/S1",)
    assert workflow.scheduled("A-1/S1") == TIPS


def test_only_what_was_asked_for_can_be_missed(workflow: Workflow) -> None:
    table = replace(TIPS, key="A-9", source="list.csv")
    tomorrow = replace(TIPS, key="A-4", scheduled_at="2026-03-03T08:00:00")
    workflow.take_in_schedule([TIPS, table, tomorrow], actor=NURSE)
    asked = Asked("worklist of RIS", DAY, DAY)
    assert workflow.take_in_schedule([], asked=asked, actor=NURSE).withdrawn == ("A-1/S1",)


def test_another_process_sees_it(workflow: Workflow, tmp_path: Path, clock: Clock) -> None:
    workflow.take_in_schedule([TIPS], actor=NURSE)
    other = open_workflow(f"sqlite:///{tmp_path / 'ledger.sqlite'}", clock=clock)
    assert other.scheduled("A-1/S1") == TIPS
    workflow.take_in_schedule([], cancelled=["A-1/S1"], actor=NURSE)
    assert other.scheduled("A-1/S1") is None
    other.ledger.close()


# the case that came of it ----------------------------------------------------------------


def test_a_case_opened_from_the_form_is_tied_to_it_and_stays_so_after_a_rebuild(workflow: Workflow) -> None:
    workflow.take_in_schedule([TIPS], actor=NURSE)
    opening = replace(OPENING, scheduled_key="A-1/S1", accession_number=None)
    case_id = workflow.open_case(opening, actor=NURSE).case_id
    for _ in range(2):
        found = only(workflow.schedule_of(DAY))
        assert (found.case_id, found.matched_by, found.case_state) == (case_id, "form", "running")
        rebuild(workflow.ledger, workflow.projector)


@pytest.mark.parametrize(
    ("accession", "study", "by"),
    [
        ("A-1", "1.2.826.0.1.3680043.10.999.8.7", "accession"),
        (None, "1.2.826.0.1.3680043.10.999.8.1", "study"),
        (None, "1.2.826.0.1.3680043.10.999.8.7", "patient and day"),
    ],
)
def test_a_report_is_tied_by_what_it_names(
    workflow: Workflow, accession: str | None, study: str, by: str
) -> None:
    workflow.take_in_schedule([TIPS], actor=NURSE)
    data = dose_report("r1", [event(1)], patient=OPENING.patient, accession=accession, study=study)
    workflow.take_in_bytes(data, file="r1.dcm")
    found = only(workflow.schedule_of(DAY))
    assert (found.matched_by, found.has_report) == (by, True)


def test_another_patients_accession_ties_nothing(workflow: Workflow) -> None:
    workflow.take_in_schedule([TIPS], actor=NURSE)
    data = dose_report("r1", [event(1)], patient=Patient(id="P7"), accession="A-1", study="1.2.3")
    workflow.take_in_bytes(data, file="r1.dcm")
    assert only(workflow.schedule_of(DAY)).case_id is None


# expected and received -------------------------------------------------------------------


def test_counts_and_lists_of_a_day(workflow: Workflow, clock: Clock) -> None:
    no_show = replace(TIPS, key="A-5", patient=Patient(id="P5"), accession_number="A-5",
                      study_instance_uid=None, scheduled_at="2026-03-02T08:30:00")  # fmt: skip
    called_off = replace(no_show, key="A-6", accession_number="A-6", patient=Patient(id="P6"),
                         scheduled_at="2026-03-02T10:00:00")  # fmt: skip
    left = replace(called_off, key="A-7", accession_number="A-7", patient=Patient(id="P7"),
                   scheduled_at="2026-03-02T08:15:00")  # fmt: skip
    workflow.take_in_schedule([TIPS, DRAIN, no_show, called_off, left], actor=NURSE)
    workflow.take_in_schedule(
        [], cancelled=["A-6", "A-7"], actor=NURSE
    )  # at nine: before, and after its time
    data = dose_report("r1", [event(1)], patient=OPENING.patient, accession="A-1", study="1.2.3")
    workflow.take_in_bytes(data, file="r1.dcm")
    emergency = dose_report("r2", [event(2)], patient=Patient(id="P8"), accession="A-8", study="1.2.4")
    unplanned = workflow.take_in_bytes(emergency, file="r2.dcm").case_id
    silent = workflow.open_case(
        replace(OPENING, patient=Patient(id="P9"), accession_number="A-9"), actor=NURSE
    )
    workflow.end_case(silent.case_id or "", actor=NURSE)

    found = workflow.expected_and_received(DAY, DAY)
    assert (found.scheduled, found.with_report, found.with_case_only) == (3, 1, 0)
    assert [(one.key, one.left_list) for one in found.without_case] == [("A-7", True), ("A-5", False)]
    assert [case.case_id for case in found.cases_without_report] == [silent.case_id]
    assert found.reports_without_schedule is not None
    assert [case.case_id for case in found.reports_without_schedule] == [unplanned]

    clock.forward(hours=6)  # the afternoon's patient has not come either
    later = workflow.expected_and_received(DAY, DAY)
    assert [one.key for one in later.without_case] == ["A-7", "A-5", "A-2"]
    assert workflow.expected_and_received(DAY, DAY, room="Room 3").scheduled == 0


def test_without_a_schedule_nothing_can_be_unannounced(workflow: Workflow) -> None:
    data = dose_report("r1", [event(1)], patient=OPENING.patient, accession="A-1", study="1.2.3")
    workflow.take_in_bytes(data, file="r1.dcm")
    assert workflow.expected_and_received(DAY, DAY).reports_without_schedule is None


def test_the_audit_carries_it(workflow: Workflow) -> None:
    workflow.take_in_schedule([TIPS], actor=NURSE)
    found = workflow.audit(first_day=DAY, last_day=DAY).completeness.reception
    assert found is not None
    assert [(one.key, one.day) for one in found.without_case] == [("A-1/S1", date(2026, 3, 2))]
