"""The spool: whole and synced or not there, in order of arrival, nobody held up, nothing overwritten."""

from __future__ import annotations

import errno
import os
import stat
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from dosetrack.errors import LedgerError
from dosetrack.ledger import engine
from dosetrack.services import spool_ingest
from dosetrack.services.spool import Spool
from dosetrack.services.spool_ingest import SpoolIngest, drain
from dosetrack.workflow import Workflow, open_workflow
from tests.services.receiving import ROOT, held_in, report_bytes

NOON = 1_772_445_600_000_000_000


@pytest.fixture
def spool(tmp_path: Path) -> Iterator[Spool]:
    made = Spool(tmp_path / "spool")
    made.prepare()
    yield made
    made.release()


def uids_in(workflow: Workflow) -> list[str]:
    return held_in(workflow.ledger.url.render_as_string()).uids


def test_file_and_its_name_are_synced_before_it_waits(spool: Spool, monkeypatch: pytest.MonkeyPatch) -> None:
    steps: list[str] = []
    real_sync, real_rename = os.fsync, Path.rename

    def sync(handle: int) -> None:
        steps.append("folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "file")
        real_sync(handle)

    def rename(path: Path, target: Path) -> Path:
        steps.append("rename")
        return real_rename(path, target)

    monkeypatch.setattr(os, "fsync", sync)
    monkeypatch.setattr(Path, "rename", rename)
    spool.accept(b"whole")
    assert steps == ["file", "rename", "folder"]


def test_what_a_crash_left_half_written_is_dropped(tmp_path: Path, spool: Spool) -> None:
    waiting = spool.accept(b"whole")
    (spool.incoming / "half").write_bytes(b"ha")
    spool.release()
    again = Spool(spool.folder)
    again.prepare()
    assert again.files() == [waiting]
    assert list(again.incoming.iterdir()) == []
    again.release()


def test_folders_are_for_their_owner_alone(spool: Spool) -> None:
    for folder in (spool.folder, spool.incoming, spool.waiting, spool.held_back):
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_second_receiver_may_not_use_the_folder(spool: Spool) -> None:
    with pytest.raises(BlockingIOError):
        Spool(spool.folder).prepare()
    spool.release()
    other = Spool(spool.folder)
    other.prepare()
    other.release()


@pytest.mark.parametrize("full", ["open", "fsync", "rename", "folder"])
def test_full_disk_leaves_nothing_and_later_all_goes_on(
    full: str, spool: Spool, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> Any:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as broken:
        where: tuple[Any, str] = {
            "open": (Path, "open"),
            "fsync": (os, "fsync"),
            "rename": (Path, "rename"),
            "folder": (os, "open"),
        }[full]
        broken.setattr(*where, refuse)
        with pytest.raises(OSError, match="No space left"):
            spool.accept(b"whole")
    assert spool.files() == []
    assert list(spool.incoming.iterdir()) == []
    assert spool.accept(b"whole").read_bytes() == b"whole"


# a clock set back ------------------------------------------------------------------------------


def ticking(*times: int) -> Callable[[], int]:
    left = iter(times)
    return lambda: next(left)


def test_clock_set_back_keeps_the_order_of_arrival(tmp_path: Path) -> None:
    hour = 3_600_000_000_000
    spool = Spool(tmp_path / "spool", ticking(NOON, NOON, NOON - hour, NOON - 2 * hour, NOON + hour))
    spool.prepare()
    paths = [spool.accept(data) for data in (b"a", b"b", b"b", b"c", b"d")]
    assert spool.files() == paths
    assert [path.read_bytes() for path in spool.files()] == [b"a", b"b", b"b", b"c", b"d"]
    spool.release()


def test_clock_set_back_between_two_starts_keeps_the_order_too(tmp_path: Path) -> None:
    first = Spool(tmp_path / "spool", ticking(NOON))
    first.prepare()
    first.accept(b"earlier")
    first.release()
    second = Spool(tmp_path / "spool", ticking(NOON - 5, NOON))
    second.prepare()
    second.accept(b"later")
    second.accept(b"last")
    assert [path.read_bytes() for path in second.files()] == [b"earlier", b"later", b"last"]
    second.release()


def test_same_bytes_at_the_same_time_from_many_threads_all_wait(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool", lambda: NOON)
    spool.prepare()
    with ThreadPoolExecutor(8) as pool:
        paths = list(pool.map(spool.accept, [b"same"] * 40))
    assert len(set(paths)) == len(spool.files()) == 40
    spool.release()


# into the ledger -------------------------------------------------------------------------------


def test_locked_ledger_is_waited_for_and_nothing_is_lost(
    spool: Spool, workflow: Workflow, ledger_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "BUSY_TIMEOUT_S", 0.2)
    waiting = open_workflow(ledger_url, create=False)
    for number in range(3):
        spool.accept(report_bytes(number))
    with workflow.ledger.transaction(), pytest.raises(LedgerError):
        drain(waiting, spool)
    assert len(spool.files()) == 3
    assert drain(waiting, spool) == 3
    waiting.ledger.close()
    assert uids_in(workflow) == [f"{ROOT}.9.{number}" for number in range(3)]


def test_two_processes_that_read_take_each_file_in_once(
    spool: Spool, workflow: Workflow, ledger_url: str
) -> None:
    """As for a moment after a kill, when the former one has not ended yet."""
    for number in range(40):
        spool.accept(report_bytes(number))
    spool.accept(b"no report")
    begin = threading.Barrier(2)

    def read_on(_: int) -> None:
        own = open_workflow(ledger_url, create=False)
        begin.wait()
        drain(own, Spool(spool.folder))
        own.ledger.close()

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(read_on, range(2)))
    held = held_in(ledger_url)
    assert held.uids == sorted(f"{ROOT}.9.{number}" for number in range(40))
    assert len(held.quarantined) == 1
    assert spool.files() == []


def test_disk_that_fails_for_a_moment_puts_nothing_in_quarantine(
    spool: Spool, workflow: Workflow, monkeypatch: pytest.MonkeyPatch
) -> None:
    spool.accept(report_bytes(1))
    real, failed = Path.open, []

    def fail_once(path: Path, *how: Any, **more: Any) -> Any:
        if path.parent == spool.waiting and not failed:
            failed.append(path)
            raise OSError(errno.EIO, "Input/output error")
        return real(path, *how, **more)

    monkeypatch.setattr(Path, "open", fail_once)
    assert drain(workflow, spool) == 1
    assert failed
    held = held_in(workflow.ledger.url.render_as_string())
    assert (held.uids, held.quarantined) == ([f"{ROOT}.9.1"], [])


def test_file_that_brings_out_a_fault_holds_up_nobody_and_is_tried_again(
    spool: Spool, workflow: Workflow, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = [spool.accept(report_bytes(number)) for number in range(3)]
    real = spool_ingest.ingest

    def ingest_with_a_fault(flow: Workflow, paths: list[Path], **more: Any) -> Any:
        if files[1] in paths:
            raise KeyError("a fault of this program")
        return real(flow, paths, **more)

    with monkeypatch.context() as broken:
        broken.setattr(spool_ingest, "ingest", ingest_with_a_fault)
        drain(workflow, spool)
    held = held_in(workflow.ledger.url.render_as_string())
    assert held.uids == [f"{ROOT}.9.0", f"{ROOT}.9.2"]
    assert [one.reason for one in held.quarantined] == [
        "reading it failed unexpectedly (KeyError); it is tried again at every start"
    ]
    spool.release()
    again = Spool(spool.folder)
    again.prepare()
    assert drain(workflow, again) == 1
    again.release()
    assert uids_in(workflow) == [f"{ROOT}.9.{number}" for number in range(3)]


def test_file_that_ends_the_process_every_time_is_held_back(
    spool: Spool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spool_ingest, "_AFTER_FAILURE_S", 0.0)
    files = [spool.accept(data) for data in (b"ends it", b"behind it")]
    asked: list[int] = []
    enough = threading.Event()

    class Watched(SpoolIngest):
        def _started(self, *, at_once: int) -> Any:
            asked.append(at_once)
            if not files[0].exists():
                enough.set()
                return SimpleNamespace(is_alive=lambda: True, terminate=lambda: None, join=lambda: None)
            return SimpleNamespace(is_alive=lambda: False, exitcode=-11, join=lambda: None)

    ingesting = Watched("sqlite:///nowhere", spool).start()
    assert enough.wait(10)
    ingesting.stop()
    assert asked == [25, 1, 1, 1, 25]  # together at first, then one by one
    assert [path.name for path in spool.held_back.iterdir()] == [files[0].name]
    assert spool.files() == [files[1]]
