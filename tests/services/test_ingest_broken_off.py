"""Ingest broken off in the middle: killed or interrupted, no report is lost and none is held twice."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dosetrack.ledger import Ledger, verify_chain
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import Patient
from dosetrack.services.ingest import ingest
from dosetrack.workflow import open_workflow
from tests.services.ledger_contents import contents
from tests.workflow.invented import dose_report, event

PROJECT = Path(__file__).resolve().parents[2]
REPORTS, EVENTS, KILLS = 120, 12, 3
MANY_STUDIES, MANY_KILLS = 500, 20
LONGEST_S = 30.0
BY = Actor(name="Invented Administrator", role=Role.ADMINISTRATOR)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One report a case."""
    made = tmp_path_factory.mktemp("archive")
    for number in range(REPORTS):
        (made / f"{number:03}.dcm").write_bytes(invented(number, EVENTS))
    return made


@pytest.fixture(scope="module")
def mixed_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Many studies, three cumulative reports each, some files of no use between them."""
    made = tmp_path_factory.mktemp("mixed")
    for number in range(MANY_STUDIES):
        for step in (1, 2, 3):
            (made / f"{number // 3:03}-{step}-{number:03}.dcm").write_bytes(invented(number, 3 * step))
        if number % 50 == 0:
            (made / f"{number // 3:03}-cut.dcm").write_bytes(invented(number, 4)[:-50])
    return made


def invented(number: int, events: int) -> bytes:
    told = [
        replace(event(item), uid=f"1.2.826.0.1.3680043.10.999.3.{number}.{item}") for item in range(events)
    ]
    name = f"r{number}-{events}" + "x" * events
    patient = Patient(id=f"P{number}", id_issuer="INVENTED")
    return dose_report(name, told, patient=patient, accession=f"A-{number}", study=f"1.2.{number}")


def uninterrupted(folder: Path, place: Path) -> str:
    """The URL of a ledger that took in the folder in one go."""
    url = f"sqlite:///{place / 'uninterrupted.sqlite'}"
    workflow = open_workflow(url, create=True)
    ingest(workflow, [folder], actor=BY, workers=1)
    workflow.ledger.close()
    return url


def start(folder: Path, url: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "dosetrack", "ingest", str(folder), "--ledger", url, "--workers", "2"]
    command += ["--actor", BY.name]
    return subprocess.Popen(command, cwd=PROJECT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def position(url: str) -> int:
    try:
        ledger = Ledger.open(url, create=False, clock=lambda: datetime.now(UTC))
    except Exception:  # not made yet, or half made: that is what is waited for
        return 0
    try:
        return ledger.position()
    finally:
        ledger.close()


def wait_for_growth(process: subprocess.Popen[str], url: str, *, past: int) -> None:
    last = time.monotonic() + LONGEST_S
    while position(url) <= past and process.poll() is None and time.monotonic() < last:
        time.sleep(0.02)


def children(pid: int) -> list[int]:
    text = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii")
    return [int(word) for word in text.split()]


def is_running(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def check_whole(url: str) -> None:
    ledger = Ledger.open(url, create=False, clock=lambda: datetime.now(UTC))
    with ledger.reading() as reader:
        assert verify_chain(reader).first_break is None
        received = [e.payload.sha256 for e in reader.each_entry(kinds=["report-received"])]  # type: ignore[union-attr]
        assert len(received) == len(set(received)) == REPORTS
        rows = reader.case_totals()
        assert [(row.reports, row.events) for row in rows] == [(1, EVENTS)] * REPORTS
    ledger.close()


def kill(process: subprocess.Popen[str]) -> str | None:
    """Kill the command, wait for its reading processes to follow; what it said, None if it still ran."""
    below = children(process.pid) if process.poll() is None else []
    with contextlib.suppress(ProcessLookupError):
        os.kill(process.pid, signal.SIGKILL)
    said = "".join(process.communicate())
    last = time.monotonic() + LONGEST_S
    while any(map(is_running, below)) and time.monotonic() < last:
        time.sleep(0.02)
    assert not any(map(is_running, below)), "a reading process outlived the command"
    return None if process.returncode == -signal.SIGKILL else said


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="looks at processes as Linux shows them")
def test_killed_again_and_again_it_goes_on_where_it_was(folder: Path, tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    chance = random.Random(7)
    held = 0
    for _ in range(KILLS):
        process = start(folder, url)
        wait_for_growth(process, url, past=held)
        time.sleep(chance.uniform(0.0, 0.05))
        kill(process)
        now = position(url)
        assert now >= held
        held = now
    assert 0 < held < REPORTS
    process = start(folder, url)
    process.communicate(timeout=LONGEST_S)
    assert process.returncode == 0
    check_whole(url)
    assert contents(url) == contents(uninterrupted(folder, tmp_path))


@pytest.mark.long
@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="looks at processes as Linux shows them")
def test_killed_at_any_moment_it_ends_as_if_uninterrupted(mixed_folder: Path, tmp_path: Path) -> None:
    """Killed twenty times and more, from the first moment on, in as many fillings as that takes."""
    seed = random.SystemRandom().randrange(1 << 32)
    print(f"seed {seed}")  # shown when the test fails
    chance = random.Random(seed)
    expected = contents(uninterrupted(mixed_folder, tmp_path))
    kills = fillings = 0
    while kills < MANY_KILLS or not fillings:
        url = f"sqlite:///{tmp_path / f'{fillings}.sqlite'}"
        said: str | None = None
        while said is None:
            process = start(mixed_folder, url)
            if kills < MANY_KILLS:
                time.sleep(chance.uniform(0.0, 4.0))
                said = kill(process)
                kills += said is None
            else:
                said = "".join(process.communicate())
        assert "10 files refused" in said, said  # the cut ones
        assert contents(url) == expected
        fillings += 1
    print(f"{kills} kills, {fillings} fillings")


def test_interrupted_it_says_so_and_goes_on_where_it_was(folder: Path, tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    process = start(folder, url)
    wait_for_growth(process, url, past=0)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=LONGEST_S)
    assert process.returncode == 130
    assert said.strip() == "Interrupted. What was taken in stays; the same command goes on from there."
    assert 0 < position(url) < REPORTS
    again = start(folder, url)
    printed, said = again.communicate(timeout=LONGEST_S)
    assert (again.returncode, said) == (0, "")
    assert "held already" in printed
    check_whole(url)
