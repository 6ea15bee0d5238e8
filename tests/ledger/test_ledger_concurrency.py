"""Many threads and processes, a writer killed at any moment, a full disk: nothing acknowledged is lost."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import event

from dosetrack.errors import LedgerError
from dosetrack.ledger import CaseTotalRow, Ledger, engine, verify_chain
from dosetrack.records.entries import NewEntry, Note

New = Callable[..., NewEntry]

# Appends notes 'NAME 0', 'NAME 1', ..., each with its case row; says each on standard output once
# the ledger has acknowledged it.
WRITER = """
import sys
from datetime import UTC, datetime
from dosetrack.ledger import CaseTotalRow, Ledger
from dosetrack.records.entries import NewEntry, Note
from dosetrack.records.people import Actor, Role

url, name, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
ledger = Ledger.open(url, create=True, clock=lambda: datetime.now(UTC))
for number in range(count):
    with ledger.transaction() as tx:
        said = NewEntry(Note(f"{name} {number}"), Actor(name, Role.SYSTEM), datetime.now(UTC), case=name)
        entry = tx.append(said)
        tx.hold_original(f"{name} {number}".encode() * 2000, "x")
        tx.put_case_total(CaseTotalRow(name, "running", events=number + 1))
    print(entry.seq, entry.id, f"{name} {number}", flush=True)
"""


def start_writer(file: Path, name: str, count: int) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", WRITER, f"sqlite:///{file}", name, str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def whole_lines(text: str) -> list[list[str]]:
    return [line.split(" ", 2) for line in text.splitlines(keepends=True) if line.endswith("\n")]


def test_processes_writing_at_once_share_one_sequence(file: Path, clock: Callable[..., object]) -> None:
    """They also make the ledger at once: none exists when they start."""
    writers = [start_writer(file, name, 40) for name in ("a", "b", "c")]
    said = [whole_lines(writer.communicate(timeout=60)[0]) for writer in writers]
    assert [writer.returncode for writer in writers] == [0, 0, 0]
    ledger = Ledger.open(f"sqlite:///{file}", create=False, clock=clock)  # type: ignore[arg-type]
    with ledger.reading() as read:
        entries = read.entries()
        report = verify_chain(read)
    ledger.close()
    assert [entry.seq for entry in entries] == list(range(1, 121))
    assert report.first_break is None
    for name, lines in zip("abc", said, strict=True):
        own = [(entry.seq, entry.payload) for entry in entries if entry.case == name]
        assert own == [(int(line[0]), Note(f"{name} {number}")) for number, line in enumerate(lines)]


def test_killed_writer_loses_nothing_acknowledged(file: Path, clock: Callable[..., object]) -> None:
    chance = random.Random(7)
    acknowledged: list[list[str]] = []
    for kill in range(10):
        writer = start_writer(file, f"w{kill}", 100_000)
        assert writer.stdout is not None
        first = writer.stdout.readline()
        time.sleep(chance.uniform(0, 0.1))
        writer.send_signal(signal.SIGKILL)
        with writer.stdout:  # not communicate(), which passes over what readline() took too much
            rest = writer.stdout.read()
        writer.wait(timeout=20)
        acknowledged += whole_lines(first + rest)
    ledger = Ledger.open(f"sqlite:///{file}", create=False, clock=clock)  # type: ignore[arg-type]
    with ledger.reading() as read:
        entries = read.entries()
        assert verify_chain(read).first_break is None
        for row in read.case_totals():  # a case row and its entries are there together or not at all
            assert row.events == len(read.entries(case=row.id))
    ledger.close()
    held = {
        (str(entry.seq), entry.id, entry.payload.text) for entry in entries if isinstance(entry.payload, Note)
    }
    assert {(seq, entry_id, text.rstrip("\n")) for seq, entry_id, text in acknowledged} <= held
    assert [entry.seq for entry in entries] == list(range(1, len(entries) + 1))
    assert len(entries) - len(acknowledged) <= 10, "at most the one entry in flight at each kill"


def test_threads_writing_and_reading_at_once(ledger: Ledger, new: New) -> None:
    def write(name: str) -> None:
        for number in range(15):
            with ledger.transaction() as tx:
                tx.append(new(f"{name} {number}", case=name))
                tx.put_case_total(CaseTotalRow(name, "running", events=number + 1))

    def read_on(_: int) -> int:
        looks = 0
        while not finished.is_set():
            with ledger.reading() as read:
                for row in read.running_cases():
                    assert len(read.entries(case=row.id)) == row.events
            looks += 1
        return looks

    finished = threading.Event()
    with ThreadPoolExecutor(10) as pool:
        readers = [pool.submit(read_on, number) for number in range(4)]
        writers = [pool.submit(write, f"t{number}") for number in range(6)]
        for writer in writers:
            writer.result(timeout=30)
        finished.set()
        assert all(reader.result(timeout=30) > 0 for reader in readers)
    with ledger.reading() as read:
        assert read.position() == 90
        assert verify_chain(read).first_break is None


def test_reader_sees_one_moment_and_does_not_wait(ledger: Ledger, new: New) -> None:
    with ledger.reading() as read:
        assert read.position() == 0
        with ledger.transaction() as tx:
            tx.append(new())
            assert read.position() == 0
            assert ledger.position() == 0, "another reader does not wait for the writer either"
            assert tx.position() == 1
        assert read.position() == 0
    assert ledger.position() == 1


def test_transaction_inside_another_is_refused(ledger: Ledger, new: New) -> None:
    with ledger.transaction() as tx:
        with pytest.raises(LedgerError, match="writing already"), ledger.transaction():
            pass
        tx.append(new())
    assert ledger.position() == 1


def test_locked_database_is_said_and_nothing_is_half_written(
    ledger: Ledger, file: Path, new: New, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "BUSY_TIMEOUT_S", 0.2)
    waiting = Ledger.open(f"sqlite:///{file}", create=False, clock=ledger._clock)
    raw = sqlite3.connect(file, isolation_level=None)
    raw.execute("BEGIN IMMEDIATE")
    with pytest.raises(LedgerError, match="locked"), waiting.transaction() as tx:
        tx.append(new())
    raw.execute("ROLLBACK")
    raw.close()
    with waiting.transaction() as tx:
        assert tx.append(new()).seq == 1
    waiting.close()


def test_thread_that_holds_on_makes_others_give_up(
    ledger: Ledger, new: New, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "BUSY_TIMEOUT_S", 0.05)

    def write() -> None:
        with ledger.transaction() as tx:
            tx.append(new())

    with ThreadPoolExecutor(1) as pool, ledger.transaction(), pytest.raises(LedgerError, match="busy"):
        pool.submit(write).result(timeout=10)
    write()
    assert ledger.position() == 1


def test_full_disk_keeps_all_of_a_step_or_none(file: Path, clock: Callable[..., object], new: New) -> None:
    ledger = Ledger.open(f"sqlite:///{file}", create=True, clock=clock)  # type: ignore[arg-type]
    ledger.close()
    pages = [0]
    event.listen(
        ledger._engine,
        "begin",
        lambda connection: connection.exec_driver_sql(f"PRAGMA max_page_count = {pages[0]}"),
    )
    pages[0] = file.stat().st_size // 4096 + 20
    kept: list[int] = []

    def fill() -> None:
        for number in range(100):
            with ledger.transaction() as tx:
                tx.append(new(f"{number}"))
                tx.hold_original(random.Random(number).randbytes(20_000), "x")
            kept.append(number)

    with pytest.raises(LedgerError, match="nothing of this step was kept"):
        fill()
    assert kept
    pages[0] = 1_000_000  # room was made
    with ledger.transaction() as tx:
        assert tx.append(new("after")).seq == len(kept) + 1
    with ledger.reading() as read:
        assert verify_chain(read).first_break is None
    ledger.close()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_forked_process_takes_connections_of_its_own(ledger: Ledger, new: New) -> None:
    with ledger.transaction() as tx:
        tx.append(new("parent"))
    child = os.fork()
    if child == 0:  # pragma: no cover
        try:
            with ledger.transaction() as tx:
                tx.append(new("child"))
            os._exit(0)
        except BaseException:
            os._exit(1)
    assert os.waitpid(child, 0)[1] == 0
    with ledger.transaction() as tx:
        assert tx.append(new("parent again")).seq == 3
    with ledger.reading() as read:
        assert verify_chain(read).first_break is None
