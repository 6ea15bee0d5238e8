"""Procedure steps and the state of a case: which end ends it, and which must not."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.filewriter import dcmwrite

from dosetrack.cases import CaseState
from dosetrack.records.entries import CaseEnded
from dosetrack.records.people import Actor, Role
from dosetrack.workflow import Workflow
from tests.workflow.invented import NURSE, OPENING, Clock, dose_report, event

STEP = "1.2.840.10008.3.1.2.3.3"
ROOT = "1.2.826.0.1.3680043.10.999"
SITE = Actor(name="Invented Administrator", role=Role.ADMINISTRATOR)


def step(
    status: str = "IN PROGRESS",
    *,
    uid: str = f"{ROOT}.600",
    patient: str = "P1",
    station: str = "INVENTED-XA",
    accession: str = "A-1",
) -> bytes:
    """What an N-CREATE carries, as a file."""
    data = Dataset()
    scheduled = Dataset()
    scheduled.StudyInstanceUID, scheduled.AccessionNumber = f"{ROOT}.2.1", accession
    data.ScheduledStepAttributesSequence = [scheduled]
    data.PatientID, data.IssuerOfPatientID = patient, "INVENTED"
    data.PerformedStationName, data.Modality = station, "XA"
    data.PerformedProcedureStepStartDate, data.PerformedProcedureStepStartTime = "20260302", "090000"
    data.PerformedProcedureStepStatus = status
    return saved(data, uid)


def end(status: str = "COMPLETED", *, uid: str = f"{ROOT}.600", at: str = "093000") -> bytes:
    """What an N-SET carries: no patient, no machine."""
    data = Dataset()
    data.PerformedProcedureStepEndDate, data.PerformedProcedureStepEndTime = "20260302", at
    data.PerformedProcedureStepStatus = status
    data.TotalTimeOfFluoroscopy = 600
    return saved(data, uid)


def saved(data: Dataset, uid: str) -> bytes:
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.1"
    data.file_meta.MediaStorageSOPClassUID, data.file_meta.MediaStorageSOPInstanceUID = STEP, uid
    out = io.BytesIO()
    dcmwrite(out, data, enforce_file_format=True)
    return out.getvalue()


@pytest.fixture
def running(workflow: Workflow, clock: Clock) -> str:
    """A running case in the room of INVENTED-XA, an hour old."""
    workflow.change_setting(
        key="site.rooms",
        scope="site",
        value="INVENTED-XA = Room 2\nOTHER-XA = Room 3",
        valid_from="2026-01-01",
        reason="invented rooms",
        actor=SITE,
    )
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    clock.forward(hours=1)
    return case_id


def state(workflow: Workflow, case_id: str) -> CaseState:
    return workflow.case_view(case_id).case.state


@pytest.mark.parametrize("status", ["COMPLETED", "DISCONTINUED"])
def test_end_of_its_step_ends_the_case(workflow: Workflow, running: str, status: str) -> None:
    assert workflow.take_in_bytes(step(), file="create").case_id == running
    assert state(workflow, running) is CaseState.RUNNING
    assert workflow.take_in_bytes(end(status), file="set").case_id == running
    case = workflow.case_view(running).case
    assert (case.state, case.ended_how) == (CaseState.ENDED, "mpps")
    assert case.ended_at is not None
    assert case.ended_at.isoformat() == "2026-03-02T09:30:00+00:00"  # as the machine said


def test_step_told_as_ended_from_the_first_ends_the_case(workflow: Workflow, running: str) -> None:
    workflow.take_in_bytes(step("COMPLETED"), file="create")
    assert state(workflow, running) is CaseState.ENDED


def test_same_end_again_changes_nothing(workflow: Workflow, running: str) -> None:
    for data in (step(), end(), end(), step()):
        workflow.take_in_bytes(data, file="step")
    entries = workflow.case_view(running).case.entries
    assert sum(isinstance(e.payload, CaseEnded) for e in entries) == 1


@pytest.mark.parametrize(
    "other",
    [
        {"station": "OTHER-XA"},
        {"station": "NOBODY-KNOWS-XA"},
        {"patient": "P2"},
        {"patient": "P2", "station": "OTHER-XA"},
    ],
    ids=["other-room", "unknown-machine", "other-patient", "both"],
)
def test_step_of_another_room_or_patient_ends_nothing(
    workflow: Workflow, running: str, other: dict[str, str]
) -> None:
    workflow.take_in_bytes(step(**other), file="create")
    workflow.take_in_bytes(end(), file="set")
    assert state(workflow, running) is CaseState.RUNNING


def test_end_of_a_step_that_never_began_ends_nothing(workflow: Workflow, running: str) -> None:
    workflow.take_in_bytes(end(), file="set")
    assert state(workflow, running) is CaseState.RUNNING


def test_case_goes_on_while_another_step_of_it_does(workflow: Workflow, running: str) -> None:
    second = f"{ROOT}.601"
    workflow.take_in_bytes(step(), file="create")
    workflow.take_in_bytes(step(uid=second), file="create")
    workflow.take_in_bytes(end(), file="set")
    assert state(workflow, running) is CaseState.RUNNING
    workflow.take_in_bytes(end(uid=second, at="094500"), file="set")
    assert state(workflow, running) is CaseState.ENDED


def test_new_step_takes_back_the_end_that_a_step_brought(workflow: Workflow, running: str) -> None:
    workflow.take_in_bytes(step(), file="create")
    workflow.take_in_bytes(end(), file="set")
    workflow.take_in_bytes(step(uid=f"{ROOT}.601"), file="create")
    assert state(workflow, running) is CaseState.RUNNING
    workflow.take_in_bytes(end(uid=f"{ROOT}.601", at="095500"), file="set")
    assert state(workflow, running) is CaseState.ENDED


def test_new_step_leaves_an_end_by_a_person(workflow: Workflow, running: str) -> None:
    workflow.end_case(running, actor=NURSE)
    workflow.take_in_bytes(step(), file="create")
    assert state(workflow, running) is CaseState.ENDED


@pytest.mark.parametrize("at", ["235959", "010000"], ids=["in-the-future", "before-the-case"])
def test_machine_with_a_wrong_clock_ends_the_case_now(
    workflow: Workflow, clock: Clock, running: str, at: str
) -> None:
    workflow.take_in_bytes(step(), file="create")
    workflow.take_in_bytes(end(at=at), file="set")
    assert workflow.case_view(running).case.ended_at == clock.now


def test_dose_report_does_not_end_a_case(workflow: Workflow, running: str) -> None:
    taken = workflow.take_in_bytes(dose_report("one", [replace(event(1))]), file="one.dcm")
    assert taken.case_id == running
    assert state(workflow, running) is CaseState.RUNNING
