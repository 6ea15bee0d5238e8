"""A ledger in a temporary folder, a clock that ticks a second a look, invented people and reports."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dosetrack.findings import Finding
from dosetrack.ledger import Ledger
from dosetrack.records.entries import NewEntry, Note, Payload
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import (
    DoseReport,
    DoseTotal,
    Equipment,
    Filter,
    IrradiationEvent,
    Patient,
    Procedure,
    ReportIdentity,
)

START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)


@pytest.fixture
def clock() -> Callable[[], datetime]:
    seconds = itertools.count()
    return lambda: START + timedelta(seconds=next(seconds))


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite"


@pytest.fixture
def ledger(file: Path, clock: Callable[[], datetime]) -> Iterator[Ledger]:
    opened = Ledger.open(f"sqlite:///{file}", create=True, clock=clock)
    yield opened
    opened.close()


@pytest.fixture
def nurse() -> Actor:
    return Actor("Invented Nurse", Role.ROOM, is_claimed=True)


@pytest.fixture
def new(nurse: Actor) -> Callable[..., NewEntry]:
    """An entry to append, a note unless told otherwise."""

    def make(payload: Payload | str = "a note", *, case: str | None = "case-1", **rest: str) -> NewEntry:
        said = Note(payload) if isinstance(payload, str) else payload
        return NewEntry(said, nurse, START - timedelta(minutes=5), case=case, **rest)

    return make


@pytest.fixture
def make_report() -> Callable[..., DoseReport]:
    """An invented report; its bytes are its name."""

    def make(
        name: str = "one", *, patient: str | None = "P1", events: int = 3, **identity: str
    ) -> DoseReport:
        return DoseReport(
            file=f"{name}.dcm",
            sha256=hashlib.sha256(name.encode()).hexdigest(),
            source="rdsr",
            report=ReportIdentity(sop_instance_uid=f"1.2.{name}", completion="COMPLETE", **identity),
            patient=Patient(id=patient, id_issuer="invented", name="Invented^Jürgen^^^", weight_kg=71.5),
            equipment=Equipment(manufacturer="Invented", station="ROOM1"),
            procedure=Procedure(label="Invented procedure", started_at="2026-03-01T08:00:00.123+01:00"),
            operators=("Invented^Operator", "Second^Invented"),
            totals=(DoseTotal("single", "stated", dose_area_product_gycm2=12.5),),
            events=tuple(
                IrradiationEvent(
                    uid=f"1.2.{name}.{number}",
                    plane="single",
                    kvp=80.1 + number,
                    reference_air_kerma_mgy=0.1 * number,
                    filters=(Filter("copper", 0.1, 0.1), Filter("aluminium", 1.0, None)),
                )
                for number in range(events)
            ),
            findings=(Finding("invented", "info", "An invented finding.", f"1.2.{name}.0"),),
        )

    return make
