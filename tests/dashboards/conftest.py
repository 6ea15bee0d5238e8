"""A real workflow on a small ledger of its own, and an invented case in it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dosetrack.records.entries import (
    Agent,
    CaseOpened,
    ConsoleReading,
    Creatinine,
    Injection,
    InjectionSite,
    Knowledge,
)
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import Patient
from dosetrack.workflow import Workflow, open_workflow

NURSE = Actor("Ines (invented)", Role.ROOM, is_claimed=True)
ROOM = "Room 2"


class SteppedClock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = datetime(2026, 11, 25, 9, 12, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def pass_minutes(self, minutes: float) -> None:
        self.now += timedelta(minutes=minutes)


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock()


@pytest.fixture
def workflow(tmp_path: Path, clock: SteppedClock) -> Iterator[Workflow]:
    opened = open_workflow(f"sqlite:///{tmp_path / 'ledger.db'}", create=True, clock=clock)
    head = Actor("Lead (invented)", Role.LEAD)
    for key, value in (
        ("site.people", "Dr Almeida\nDr Brandt"),
        ("site.rooms", "XA2 = Room 2\nXA3 = Room 3"),
    ):
        opened.change_setting(
            key=key, scope="site", value=value, valid_from="2026-01-01", actor=head, reason="first set-up"
        )
    yield opened
    opened.ledger.close()


def opening(**changes: object) -> CaseOpened:
    """An invented patient: 58 kg, 160 cm, born 1955."""
    facts: dict[str, object] = {
        "room": ROOM,
        "patient": Patient(
            id="30040417",
            name="Moreira^Olga",
            sex="F",
            birth_date="1955-03-02",
            weight_kg=58.0,
            height_cm=160.0,
        ),
        "procedure": "TIPS creation",
        "operators": ("Dr Almeida",),
        "concentration_mgi_ml": 320.0,
        "injection_site": InjectionSite.SECOND_PASS,
        "earlier_contrast": Knowledge.NO,
    }
    return CaseOpened(**{**facts, **changes})  # type: ignore[arg-type]


@pytest.fixture
def case_id(workflow: Workflow, clock: SteppedClock) -> str:
    """A running case with a creatinine and nothing else yet."""
    started = workflow.open_case(opening(), actor=NURSE).case_id
    assert started is not None
    workflow.record(started, Creatinine("1.00", "mg/dL", "2026-11-20"), actor=NURSE, is_confirmed=True)
    return started


def inject(workflow: Workflow, case: str, volume_ml: float, **more: object) -> None:
    facts: dict[str, object] = {
        "concentration_mgi_ml": 320.0, "agent": Agent.IODINATED, "site": InjectionSite.SECOND_PASS, **more,
    }  # fmt: skip
    workflow.record(case, Injection(volume_ml, **facts), actor=NURSE, is_confirmed=True)  # type: ignore[arg-type]


def read_console(workflow: Workflow, case: str, kerma_mgy: float, *, plane: str = "single") -> None:
    reading = ConsoleReading(plane, kerma_mgy, kerma_mgy / 20, kerma_mgy / 2)  # type: ignore[arg-type]
    workflow.record(case, reading, actor=NURSE, is_confirmed=True)
