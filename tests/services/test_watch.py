"""Watched folders: slow copies, folders that go and come, restarts, and nothing in them ever changed."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from dosetrack.errors import LedgerError
from dosetrack.services import watch as watching
from dosetrack.services.watch import FolderWatch, Memo
from dosetrack.workflow import Workflow, open_workflow
from tests.workflow.invented import dose_report, event

ROOT = Path(__file__).resolve().parents[2]


def report(number: int) -> bytes:
    return dose_report(
        f"invented {number}", [event(number)], accession=f"A-{number}", study=f"1.2.826.0.1.{number}"
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "incoming"
    made.mkdir()
    return made


@pytest.fixture
def said() -> list[str]:
    return []


@pytest.fixture
def watch(workflow: Workflow, folder: Path, said: list[str]) -> FolderWatch:
    return FolderWatch(workflow, [folder], say=said.append)


def looks(watch: FolderWatch, count: int = 2) -> int:
    return sum(watch.look() for _ in range(count))


def held(workflow: Workflow) -> int:
    return sum(case.reports for case in workflow.cases())


def test_what_appears_is_taken_in_once_with_all_folders_below(
    watch: FolderWatch, workflow: Workflow, folder: Path, said: list[str]
) -> None:
    (folder / "one.dcm").write_bytes(report(1))
    (folder / "2026" / "room 2").mkdir(parents=True)
    (folder / "2026" / "room 2" / "no ending").write_bytes(report(2))
    assert watch.look() == 0  # it must stand still from one look to the next
    assert watch.look() == 2
    assert (held(workflow), said) == (2, [])
    position = workflow.position()
    assert looks(watch, 3) == 0
    assert workflow.position() == position


def test_a_slow_copy_waits_until_it_is_whole(
    watch: FolderWatch, workflow: Workflow, folder: Path, said: list[str]
) -> None:
    data = report(1)
    for part in range(1, 9):
        (folder / "slow.dcm").write_bytes(data[: part * len(data) // 8])
        assert watch.look() == 0
    assert watch.look() == 1
    assert (held(workflow), said) == (1, [])


def test_a_copy_that_stalls_is_named_once_and_taken_when_it_is_whole(
    watch: FolderWatch, workflow: Workflow, folder: Path, said: list[str]
) -> None:
    data = report(1)
    (folder / "stalled.dcm").write_bytes(data[:-100])
    looks(watch, 5)
    assert len(said) == 1
    assert str(folder / "stalled.dcm") in said[0]
    assert held(workflow) == 0
    (folder / "stalled.dcm").write_bytes(data)
    looks(watch)
    assert held(workflow) == 1


def test_what_cannot_be_read_is_kept_in_quarantine_and_named_once(
    watch: FolderWatch, workflow: Workflow, folder: Path, said: list[str]
) -> None:
    (folder / "letter.txt").write_text("not a dose report\n" * 40)
    (folder / "empty.dcm").write_bytes(b"")
    (folder / "good.dcm").write_bytes(report(1))
    assert looks(watch, 4) == 3
    assert sorted(Path(text.split(": ")[0]).name for text in said) == ["empty.dcm", "letter.txt"]
    with workflow.ledger.reading() as reader:
        (kept,) = reader.entries(kinds=["file-quarantined"])
    assert kept.actor.name == "dosetrack"
    assert held(workflow) == 1


def test_hidden_and_unfinished_names_wait(watch: FolderWatch, workflow: Workflow, folder: Path) -> None:
    for name in (".hidden.dcm", "coming.dcm.part", "coming.tmp"):
        (folder / name).write_bytes(report(1))
    (folder / ".sync").mkdir()
    (folder / ".sync" / "one.dcm").write_bytes(report(1))
    assert looks(watch, 3) == 0
    (folder / "coming.dcm.part").rename(folder / "coming.dcm")
    assert looks(watch) == 1
    assert held(workflow) == 1


def test_a_file_renamed_or_copied_adds_nothing(
    watch: FolderWatch, workflow: Workflow, folder: Path, said: list[str]
) -> None:
    (folder / "one.dcm").write_bytes(report(1))
    looks(watch)
    position = workflow.position()
    (folder / "one.dcm").rename(folder / "renamed.dcm")
    shutil.copy(folder / "renamed.dcm", folder / "copy.dcm")
    looks(watch)
    assert (workflow.position(), held(workflow), said) == (position, 1, [])


def test_nothing_in_the_folder_is_changed(watch: FolderWatch, folder: Path) -> None:
    (folder / "one.dcm").write_bytes(report(1))
    (folder / "letter.txt").write_text("not a dose report\n")

    def state() -> list[tuple[str, int, int, bytes]]:
        return sorted(
            (p.name, p.stat().st_mtime_ns, p.stat().st_mode, p.read_bytes()) for p in folder.iterdir()
        )

    before = state()
    looks(watch, 4)
    assert state() == before


def test_a_folder_that_vanishes_is_told_once_and_comes_back(
    watch: FolderWatch, workflow: Workflow, folder: Path, said: list[str]
) -> None:
    (folder / "one.dcm").write_bytes(report(1))
    looks(watch)
    away = folder.rename(folder.with_name("away"))
    looks(watch, 4)
    assert len(said) == 1
    assert "tried again" in said[0]
    (away / "two.dcm").write_bytes(report(2))
    away.rename(folder)
    looks(watch)
    assert held(workflow) == 2
    assert said[1:] == [f"{folder}: is there again"]


def test_a_file_that_goes_away_while_it_waits_is_no_fault(
    watch: FolderWatch, workflow: Workflow, folder: Path, said: list[str]
) -> None:
    (folder / "one.dcm").write_bytes(report(1))
    watch.look()
    (folder / "one.dcm").unlink()
    assert (looks(watch), said) == (0, [])


def test_a_file_that_may_not_be_opened_is_tried_again(
    watch: FolderWatch, workflow: Workflow, folder: Path, said: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Permissions do not bind an administrator, so the refusal of the system is played here."""
    (folder / "one.dcm").write_bytes(report(1))
    really_open = Path.open

    def refuse(path: Path, *args: object, **kwargs: object) -> object:
        if path.name == "one.dcm":
            raise PermissionError(13, "Permission denied", str(path))
        return really_open(path, *args, **kwargs)  # type: ignore[arg-type]

    with monkeypatch.context() as patched:
        patched.setattr(Path, "open", refuse)
        looks(watch, 4)
    assert len(said) == 1
    assert "Permission denied" in said[0]
    looks(watch, 1)
    assert held(workflow) == 1


def test_a_busy_ledger_loses_nothing(
    watch: FolderWatch, workflow: Workflow, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "one.dcm").write_bytes(report(1))
    watch.look()

    def refuse(*_: object, **__: object) -> None:
        raise LedgerError("the ledger is busy")

    with monkeypatch.context() as patched:
        patched.setattr(workflow, "take_in_reports", refuse)
        with pytest.raises(LedgerError):
            watch.look()
    assert watch.look() == 1
    assert held(workflow) == 1


# restarts --------------------------------------------------------------------------------


@pytest.fixture
def opened_files(monkeypatch: pytest.MonkeyPatch) -> Callable[[], list[str]]:
    """The names of the files that were handed to be read since the last call."""
    handed: list[str] = []
    really = watching.ingest

    def recording(workflow: Workflow, paths: list[Path], **more: object) -> object:
        handed.extend(path.name for path in paths)
        return really(workflow, paths, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(watching, "ingest", recording)

    def taken() -> list[str]:
        found = handed.copy()
        handed.clear()
        return found

    return taken


def test_a_restart_reads_only_what_is_new_or_changed(
    workflow: Workflow, folder: Path, tmp_path: Path, said: list[str], opened_files: Callable[[], list[str]]
) -> None:
    memo = tmp_path / "cache" / "watched.json"
    (folder / "one.dcm").write_bytes(report(1))
    (folder / "letter.txt").write_text("not a dose report\n")
    looks(FolderWatch(workflow, [folder], memo=Memo(memo), say=said.append))
    assert sorted(opened_files()) == ["letter.txt", "one.dcm"]
    (folder / "two.dcm").write_bytes(report(2))
    looks(FolderWatch(workflow, [folder], memo=Memo(memo), say=said.append))
    assert opened_files() == ["two.dcm"]
    assert len(said) == 1  # the letter is not named again


@pytest.mark.parametrize("content", ["", "[]", '{"files": {"a": 1}, "position": 0}', "{}"])
def test_a_list_that_cannot_be_read_is_begun_anew(
    workflow: Workflow, folder: Path, tmp_path: Path, content: str
) -> None:
    memo = tmp_path / "watched.json"
    memo.write_text(content)
    (folder / "one.dcm").write_bytes(report(1))
    assert looks(FolderWatch(workflow, [folder], memo=Memo(memo))) == 1


def test_an_older_copy_of_the_ledger_put_back_gets_the_files_again(
    workflow: Workflow, folder: Path, tmp_path: Path
) -> None:
    memo = tmp_path / "watched.json"
    (folder / "one.dcm").write_bytes(report(1))
    looks(FolderWatch(workflow, [folder], memo=Memo(memo)))
    older = open_workflow(f"sqlite:///{tmp_path / 'older.sqlite'}", create=True)
    assert looks(FolderWatch(older, [folder], memo=Memo(memo))) == 1
    assert held(older) == 1
    older.ledger.close()


def test_what_is_gone_is_forgotten(workflow: Workflow, folder: Path, tmp_path: Path) -> None:
    memo = tmp_path / "watched.json"
    (folder / "one.dcm").write_bytes(report(1))
    watch = FolderWatch(workflow, [folder], memo=Memo(memo))
    looks(watch)
    assert "one.dcm" in memo.read_text()
    (folder / "one.dcm").unlink()
    looks(watch)
    assert "one.dcm" not in memo.read_text()


# the command -----------------------------------------------------------------------------


def test_the_command_watches_until_ctrl_c(folder: Path, tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    words = [sys.executable, "-m", "dosetrack", "watch", str(folder), "--every", "0.1", "--ledger", url]
    process = subprocess.Popen(
        words,
        cwd=ROOT,
        env={**os.environ, "XDG_CACHE_HOME": str(tmp_path)},
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    assert "Watching" in process.stderr.readline()
    (folder / "letter.txt").write_text("not a dose report\n")
    data = report(1)
    with (folder / "slow.dcm").open("wb") as stream:
        for start in range(0, len(data), len(data) // 4):
            stream.write(data[start : start + len(data) // 4])
            stream.flush()
            time.sleep(0.05)
    assert "letter.txt" in process.stderr.readline()
    workflow = open_workflow(url)
    give_up = time.monotonic() + 20
    while not held(workflow) and time.monotonic() < give_up:
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, rest = process.communicate(timeout=20)
    assert (process.returncode, rest, held(workflow)) == (0, "", 1)
    workflow.ledger.close()


def test_a_folder_that_is_not_there_is_told_at_once(tmp_path: Path) -> None:
    words = [sys.executable, "-m", "dosetrack", "watch", str(tmp_path / "nothing")]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "nothing" in done.stderr
