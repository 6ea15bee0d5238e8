"""Cumulative reports: what was told before is not read again, and the ledger is the one of plain reading."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest

from dosetrack.ledger import projection_digest, rebuild
from dosetrack.readers import read_report
from dosetrack.readers.series import series_of
from dosetrack.records.report import Patient
from dosetrack.services.cumulative import LOOKED_AHEAD, HeldReports, marked_repeats
from dosetrack.services.files import FoundFile
from dosetrack.services.ingest import ingest
from dosetrack.workflow import open_workflow
from tests.services.ledger_contents import contents
from tests.workflow.invented import NURSE, Clock, dose_report, event

STUDIES, STEPS, EVENTS_A_STEP = 8, 4, 3


def cumulative(study: int, step: int, *, station: str = "INVENTED-XA") -> bytes:
    """The report after `step` steps of a study; each repeats what the one before told."""
    events = [
        replace(event(item), uid=f"1.2.826.0.1.3680043.10.999.3.{study}.{item}.{len(station)}")
        for item in range(EVENTS_A_STEP * step)
    ]
    return dose_report(
        f"{station} {study} {step}" + "x" * (100 * study + step),  # the name makes the UID
        events,
        patient=Patient(id=f"P{study}", id_issuer="INVENTED"),
        accession=f"A-{study}",
        study=f"1.2.826.0.1.3680043.10.999.2.{study}",
        station=station,
        reported=f"2026-03-02T1{step}:00:00",
    )


@pytest.fixture(scope="module")
def department(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Reports of several studies mixed as they arrive, one study on two machines, some sent once only."""
    folder = tmp_path_factory.mktemp("department")
    sent = [(study, step, "INVENTED-XA") for study in range(STUDIES) for step in range(1, STEPS + 1)]
    sent += [(0, step, "INVENTED-XB") for step in range(1, STEPS + 1)]
    sent += [(100 + study, 2, "INVENTED-XA") for study in range(4)]
    order = {step: [one for one in sent if one[1] == step] for step in range(1, STEPS + 1)}
    chance = random.Random(3)
    mixed = [one for step in order for one in chance.sample(order[step], len(order[step]))]
    mixed[5], mixed[-5] = mixed[-5], mixed[5]  # a late one
    for number, (study, step, station) in enumerate(mixed):
        (folder / f"{number:03}.dcm").write_bytes(cumulative(study, step, station=station))
    (folder / "004-cut.dcm").write_bytes(cumulative(1, 3)[:-50])
    return folder


@pytest.fixture(scope="module")
def plainly(department: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    return filled(department, tmp_path_factory.mktemp("plain"), workers=1, is_plain=True)


def filled(department: Path, place: Path, *, workers: int, is_plain: bool = False) -> str:
    url = f"sqlite:///{place / 'ledger.sqlite'}"
    workflow = open_workflow(url, create=True, clock=Clock())
    result = ingest(workflow, [department], actor=NURSE, workers=workers, is_plain=is_plain)
    workflow.ledger.close()
    assert (result.added, len(result.refused)) == (STUDIES * STEPS + STEPS + 4, 1)
    return url


@pytest.mark.parametrize("workers", [1, 2])
def test_ledger_is_the_one_of_plain_reading(
    workers: int, department: Path, plainly: str, tmp_path: Path
) -> None:
    assert contents(filled(department, tmp_path, workers=workers)) == contents(plainly)


def test_rebuilt_it_is_the_same(plainly: str) -> None:
    workflow = open_workflow(plainly)
    with workflow.ledger.reading() as reader:
        before = projection_digest(reader)
    rebuild(workflow.ledger, workflow.projector)
    with workflow.ledger.reading() as reader:
        assert projection_digest(reader) == before
    workflow.ledger.close()


def test_what_was_told_before_is_taken_over() -> None:
    held = HeldReports()
    for step in range(1, STEPS + 1):
        data = cumulative(1, step)
        series = series_of(data)
        assert series is not None
        assert held.read(data, file="x", series=series) == read_report(data, file="x")
    assert held.taken == EVENTS_A_STEP * sum(range(1, STEPS))
    assert held.events == EVENTS_A_STEP * STEPS


def test_memory_is_bounded_and_the_longest_unused_goes_first() -> None:
    held = HeldReports(most_events=2 * EVENTS_A_STEP)
    for study, taken in ((1, 0), (2, 0), (1, 3), (3, 3), (1, 6), (2, 6)):
        data = cumulative(study, 1)
        held.read(data, file="x", series=series_of(data) or ())
        assert held.taken == taken
        assert held.events <= 2 * EVENTS_A_STEP
    too_large = cumulative(4, 3)
    for _ in range(2):
        held.read(too_large, file="x", series=series_of(too_large) or ())
    assert (held.taken, held.events) == (6, 2 * EVENTS_A_STEP)


def test_series_is_study_and_machine() -> None:
    one, other = cumulative(0, 1), cumulative(0, 2)
    assert series_of(one) == series_of(other) != series_of(cumulative(0, 1, station="INVENTED-XB"))
    assert (series_of(one) or ())[0] == b"1.2.826.0.1.3680043.10.999.2.0"
    for data in (b"", b"text", one[:200], bytes(300), b"\xff" * 400):
        assert series_of(data) is None


def found(*series: int | None) -> list[FoundFile]:
    return [FoundFile(Path("x"), series=None if s is None else (str(s).encode(),)) for s in series]


def test_only_what_comes_again_soon_or_has_come_is_held() -> None:
    told = [f.is_repeated for f in marked_repeats(found(1, 2, None, 1, 3, None, 2))]
    assert told == [True, True, False, True, False, False, True]
    far = [1, *range(10, 10 + LOOKED_AHEAD), 1, 1]
    told = [f.is_repeated for f in marked_repeats(found(*far))]
    assert (told[0], told[-2:], any(told[1:-2])) == (False, [True, True], False)
