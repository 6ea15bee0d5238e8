"""A modality worklist, asked as a station would ask: DCMTK's wlmscpfs answers, and a peer that fails."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from pydicom.config import disable_value_validation
from pydicom.dataset import Dataset
from pynetdicom import AE, evt

from dosetrack.records.entries import CaseOpened, ProcedureScheduled
from dosetrack.records.people import Actor, Role
from dosetrack.services.worklist import (
    WorklistAddress,
    WorklistError,
    WorklistQuestion,
    ask_worklist,
    take_in_worklist,
)
from dosetrack.workflow import Workflow, open_workflow
from tests.services.worklist_peer import TITLE, step_file, worklist_server

DAY = "2026-11-25"
QUESTION = WorklistQuestion(DAY, DAY, modality="XA")
ASKER = Actor("Invented Administrator", Role.ADMINISTRATOR)


def address(port: int) -> WorklistAddress:
    return WorklistAddress("127.0.0.1", port, TITLE, "INVENTED")


@pytest.fixture
def workflow(tmp_path: Path) -> Iterator[Workflow]:
    clock = datetime(2026, 11, 25, 7, 0, tzinfo=UTC)
    found = open_workflow(f"sqlite:///{tmp_path / 'ledger.sqlite'}", create=True, clock=lambda: clock)
    for key, value in {
        "site.rooms": "ANGIO2 = Room 2\nANGIO3 = Room 3",
        "site.time_zone": "Europe/Berlin",
    }.items():
        found.change_setting(
            key=key, scope="site", value=value, valid_from="2026-01-01", actor=ASKER, reason="set-up"
        )
    yield found
    found.ledger.close()


@pytest.mark.dicom_tools
def test_a_worklist_is_taken_in_and_followed(tmp_path: Path, workflow: Workflow) -> None:
    lists = tmp_path / "lists"
    first = step_file(lists, "1")
    step_file(
        lists, "2", charset="ISO_IR 100", patient="INV-2", named="Böhm-Invented^Bo", accession="A-2",
        clock="101500", station="ANGIO3", description="Nephrostomy",
    )  # fmt: skip
    step_file(lists, "3", patient="INV-3", accession="A-3", day="20261126")
    step_file(lists, "4", patient="INV-4", accession="A-4", modality="CT")
    with worklist_server(lists) as port:
        taken, answer = take_in_worklist(workflow, address(port), QUESTION, actor=ASKER)
        assert (answer.failure, answer.refused) == (None, ())
        assert sorted(taken.added) == ["A-1/S1", "A-2/S1"]  # of that day and modality alone
        tips, drain = workflow.schedule_of(DAY)
        assert tips.told == ProcedureScheduled(
            key="A-1/S1",
            patient=replace(
                tips.told.patient, id="INV-1", id_issuer="INVENTED", name="Müller-Invented^Ada", sex="F",
                birth_date="1955-03-02",
            ),
            scheduled_at="2026-11-25T08:30:00",
            room="Room 2",
            procedure="TIPS creation",
            operators=("Reed-Demo^Noor",),
            accession_number="A-1",
            study_instance_uid="1.2.826.0.1.3680043.10.999.40.1",
            source=f"worklist of {TITLE}",
            station="ANGIO2",
        )  # fmt: skip
        assert drain.told.patient.name == "Böhm-Invented^Bo"
        assert tips.at == datetime(2026, 11, 25, 7, 30, tzinfo=UTC)  # Berlin is an hour ahead in winter
        assert [p.told.key for p in workflow.schedule_of(DAY, "Room 3")] == ["A-2/S1"]

        position = workflow.position()
        again, _ = take_in_worklist(workflow, address(port), QUESTION, actor=ASKER)
        assert len(again.unchanged) == 2
        assert workflow.position() == position  # the same again leaves no entry

        step_file(lists, "1", clock="093000")
        (lists / TITLE / "2.wl").unlink()
        later, _ = take_in_worklist(workflow, address(port), QUESTION, actor=ASKER)
        assert (later.changed, later.withdrawn) == (("A-1/S1",), ("A-2/S1",))
        (left,) = workflow.schedule_of(DAY)
        assert left.told.scheduled_at == "2026-11-25T09:30:00"
        with workflow.ledger.reading() as reader:
            told = reader.entries(kinds=["procedure-scheduled", "withdrawn"])
        assert [entry.reason for entry in told] == [
            None, None, "the schedule changed: scheduled at", f"no longer on the worklist of {TITLE}",
        ]  # fmt: skip
        assert told[2].replaces == told[0].id or told[2].replaces == told[1].id

        workflow.open_case(
            CaseOpened(room="Room 2", patient=left.told.patient, scheduled_key="A-1/S1"), actor=ASKER
        )
        first.unlink()  # many worklists drop a step once it has begun
        begun, _ = take_in_worklist(workflow, address(port), QUESTION, actor=ASKER)
        assert (begun.withdrawn, begun.kept) == ((), ("A-1/S1",))


@pytest.mark.dicom_tools
def test_one_station_can_be_asked_for_and_the_others_stay(tmp_path: Path, workflow: Workflow) -> None:
    lists = tmp_path / "lists"
    step_file(lists, "1")
    step_file(lists, "2", patient="INV-2", accession="A-2", station="ANGIO3")
    with worklist_server(lists) as port:
        take_in_worklist(workflow, address(port), QUESTION, actor=ASKER)
        (lists / TITLE / "1.wl").unlink()
        taken, answer = take_in_worklist(
            workflow, address(port), replace(QUESTION, station="ANGIO3"), actor=ASKER
        )
    assert [p.accession_number for p in answer.procedures] == ["A-2"]
    assert taken.withdrawn == ()  # nothing was asked about the other station
    assert [p.told.accession_number for p in workflow.schedule_of(DAY)] == ["A-1", "A-2"]


@pytest.mark.dicom_tools
def test_a_wrong_title_is_said_and_changes_nothing(tmp_path: Path, workflow: Workflow) -> None:
    with worklist_server(tmp_path / "lists") as port:
        wrong = replace(address(port), called="NOBODY")
        with pytest.raises(WorklistError, match="--called 'NOBODY'"):
            take_in_worklist(workflow, wrong, QUESTION, actor=ASKER)


def test_nobody_there_is_said() -> None:
    with pytest.raises(WorklistError, match="cannot be reached"):
        ask_worklist(address(1), QUESTION, rooms={})


# a peer that answers as none should ------------------------------------------------------


def answer(**changes: object) -> Dataset:
    told = {"PatientID": "INV-1", "AccessionNumber": "A-1", "status": None, "day": "20261125", **changes}
    found, step = Dataset(), Dataset()
    found.PatientID, found.AccessionNumber = told["PatientID"], told["AccessionNumber"]
    with disable_value_validation():
        step.ScheduledProcedureStepStartDate = told["day"]
    step.ScheduledProcedureStepStatus = told["status"]
    found.ScheduledProcedureStepSequence = [step]
    return found


Answers = list[tuple[int, Dataset | None]]


class Peer:
    """A worklist of pynetdicom that gives `answers` as they stand."""

    def __init__(self) -> None:
        self.answers: Answers = []
        server = AE(ae_title=TITLE)
        server.add_supported_context("1.2.840.10008.5.1.4.31")
        self.server: Any = server.start_server(
            ("127.0.0.1", 0), block=False, evt_handlers=[(evt.EVT_C_FIND, lambda _: iter(self.answers))]
        )
        self.port = self.server.socket.getsockname()[1]


@pytest.fixture
def peer() -> Iterator[Peer]:
    found = Peer()
    yield found
    found.server.shutdown()


def test_a_failure_keeps_what_came_and_takes_nothing_back(peer: Peer, workflow: Workflow) -> None:
    peer.answers = [(0xFF00, answer()), (0xFF01, answer(AccessionNumber="A-2"))]
    take_in_worklist(workflow, address(peer.port), QUESTION, actor=ASKER)
    peer.answers = [(0xFF00, answer(AccessionNumber="A-3")), (0xA700, None)]
    taken, told = take_in_worklist(workflow, address(peer.port), QUESTION, actor=ASKER)
    assert told.failure is not None
    assert "out of resources (status A700)" in told.failure
    assert (taken.added, taken.withdrawn) == (("A-3",), ())


def test_an_answer_that_cannot_be_used_is_named_and_the_rest_goes_on(peer: Peer, workflow: Workflow) -> None:
    empty = Dataset()
    empty.PatientID = "INV-9"
    peer.answers = [
        (0xFF00, answer(PatientID=None, AccessionNumber="A-7")),
        (0xFF00, empty),
        (0xFF00, answer(day="20261325", AccessionNumber="A-8")),
        (0xFF00, answer()),
    ]
    taken, told = take_in_worklist(workflow, address(peer.port), QUESTION, actor=ASKER)
    assert taken.added == ("A-1",)
    assert [reason.split(":")[0] for reason in told.refused] == ["answer 1", "answer 2", "answer 3"]
    assert "A-7" in told.refused[0]
    assert "20261325" in told.refused[2]


def test_a_cancelled_step_is_taken_back(peer: Peer, workflow: Workflow) -> None:
    peer.answers = [(0xFF00, answer())]
    take_in_worklist(workflow, address(peer.port), QUESTION, actor=ASKER)
    peer.answers = [(0xFF00, answer(status="CANCELED"))]
    taken, _ = take_in_worklist(workflow, address(peer.port), QUESTION, actor=ASKER)
    assert taken.withdrawn == ("A-1",)
    assert workflow.schedule_of(DAY) == ()
