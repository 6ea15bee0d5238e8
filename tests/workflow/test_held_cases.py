"""What is held of running cases never differs from what the ledger tells."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dosetrack.cases import Stamped, telling
from dosetrack.radiation.account import radiation_account
from dosetrack.records.entries import CaseOpened, ConsoleReading, Injection, NewEntry, Note
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import Patient
from dosetrack.workflow import Workflow, open_workflow

NURSE = Actor("Ines (invented)", Role.ROOM, is_claimed=True)
START = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


class Clock:
    now = START

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def workflow(tmp_path: Path, clock: Clock) -> Iterator[Workflow]:
    opened = open_workflow(f"sqlite:///{tmp_path / 'l.db'}", create=True, clock=clock)
    yield opened
    opened.ledger.close()


@pytest.fixture
def case(workflow: Workflow) -> str:
    found = workflow.open_case(CaseOpened(room="Room 2", patient=Patient(id="417")), actor=NURSE).case_id
    assert found is not None
    return found


def given(workflow: Workflow, case: str, volume_ml: float) -> str:
    done = workflow.record(case, Injection(volume_ml, 320.0), actor=NURSE, is_confirmed=True)
    assert done.entry_id is not None
    return done.entry_id


def total_ml(workflow: Workflow, case: str) -> float:
    return workflow.case_view_on_screen(case).kidney.given.now.contrast_ml


def test_a_step_that_was_taken_back_leaves_nothing_behind(
    workflow: Workflow, case: str, clock: Clock
) -> None:
    given(workflow, case, 10.0)
    refused = NewEntry(payload=Injection(99.0, 320.0), actor=NURSE, happened_at=clock.now, case=case)
    with pytest.raises(RuntimeError), workflow.ledger.transaction() as tx:  # noqa: PT012
        tx.append(refused)
        assert len(workflow.projector.case(tx, case)[0].injections) == 2
        raise RuntimeError
    assert total_ml(workflow, case) == 10.0
    given(workflow, case, 5.0)  # takes the number of the entry that was taken back
    assert total_ml(workflow, case) == 15.0
    assert [s.value.volume_ml for s in workflow.case_view(case).case.injections] == [10.0, 5.0]


def test_what_another_process_wrote_is_seen(
    workflow: Workflow, case: str, tmp_path: Path, clock: Clock
) -> None:
    given(workflow, case, 10.0)
    other = open_workflow(f"sqlite:///{tmp_path / 'l.db'}", clock=clock)
    given(other, case, 7.0)
    assert total_ml(workflow, case) == 17.0
    other.ledger.close()


def test_deleted_content_is_forgotten(workflow: Workflow, case: str) -> None:
    doomed = given(workflow, case, 10.0)
    given(workflow, case, 4.0)
    assert total_ml(workflow, case) == 14.0
    with workflow.ledger.transaction() as tx:
        tx.delete_payloads([doomed], actor=NURSE, reason="asked for")
        workflow.projector.project_case(tx, case)
    assert total_ml(workflow, case) == 4.0


def test_a_view_is_shared_for_a_second_and_never_beyond_an_entry(
    workflow: Workflow, case: str, clock: Clock
) -> None:
    first = workflow.case_view_on_screen(case)
    clock.now += timedelta(milliseconds=900)
    assert workflow.case_view_on_screen(case) is first
    given(workflow, case, 3.0)
    second = workflow.case_view_on_screen(case)
    assert second.kidney.given.now.contrast_ml == 3.0
    clock.now += timedelta(seconds=1)
    assert workflow.case_view_on_screen(case) is not second
    clock.now -= timedelta(hours=1)  # the clock was set back
    assert workflow.case_view_on_screen(case).as_of == clock.now


def test_position_of_a_case_moves_with_it_and_with_what_is_of_no_case(workflow: Workflow, case: str) -> None:
    other = workflow.open_case(CaseOpened(room="Room 3", patient=Patient(id="9")), actor=NURSE).case_id
    assert other is not None
    before = workflow.case_position(case)
    given(workflow, other, 3.0)
    assert workflow.case_position(case) == before
    workflow.change_setting(
        key="site.people",
        scope="site",
        value="Dr Almeida",
        valid_from="2026-01-01",
        actor=Actor("Lead (invented)", Role.LEAD),
        reason="set-up",
    )
    assert workflow.case_position(case) > before
    workflow.record(case, Note("text"), actor=NURSE, is_confirmed=True)
    assert workflow.case_position(case) == workflow.position()


def test_readings_left_out_change_no_total() -> None:
    chance = random.Random(4)
    for _ in range(60):
        readings = []
        kerma, offset = 0.0, 0.0
        for second in range(200):
            kerma = max(0.0, kerma + chance.choice((0.0, 0.4, 2.0, -0.5)))
            offset = chance.choice((offset, offset, offset, offset + 1.0))
            reading = ConsoleReading(
                chance.choice(("a", "b")),
                chance.choice((kerma, kerma, None)),
                chance.choice((kerma / 20, None)),
                float(second),
                is_reset=chance.random() < 0.02,
            )
            reading = replace(reading, offset_reference_air_kerma_mgy=offset)
            at = START + timedelta(seconds=second)
            readings.append(Stamped(reading, str(second), second, at, at, NURSE))
        told = telling(readings)
        whole = radiation_account([], [], [s.value for s in readings])
        assert radiation_account([], [], [s.value for s in told]) == whole
        assert told[-1] is readings[-1]


def test_a_reading_a_second_is_told_once_in_five() -> None:
    readings = [
        Stamped(ConsoleReading("single", float(s), None, None), str(s), s, at, at, NURSE)
        for s in range(3600)
        for at in [START + timedelta(seconds=s)]
    ]
    assert len(telling(readings)) == 720
