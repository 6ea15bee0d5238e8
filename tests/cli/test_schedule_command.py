"""`dosetrack schedule`: tables and worklists through the command line."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from dosetrack.cli import build_app
from tests.contracts import document_keys as keys
from tests.services.worklist_peer import TITLE, step_file, worklist_server

TABLE = """patient id;name;date;time;room;procedure;accession
INV-1;Alder-Invented^Ada;25.11.2026;8:30;Room 2;TIPS;A-1
INV-2;Bramble-Invented^Bo;25.11.2026;25:10;Room 2;TIPS;A-2
"""


class Outcome:
    """What a run gave. exit_code, out, err."""

    def __init__(self, found: Any) -> None:
        self.exit_code, self.out, self.err = found.exit_code, found.stdout, found.stderr

    @property
    def document(self) -> dict[str, Any]:
        return dict(json.loads(self.out))


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'ledger.sqlite'}"


def run(*words: object) -> Outcome:
    return Outcome(CliRunner().invoke(build_app(only="schedule"), ["schedule", *map(str, words)]))


def test_a_table_is_taken_in_and_its_bad_line_named(tmp_path: Path, url: str) -> None:
    table = tmp_path / "today.csv"
    table.write_text(TABLE)
    found = run(table, "--json", "--ledger", url)
    assert found.exit_code == 1
    assert set(found.document) >= keys.SCHEDULE
    assert found.document["added"] == ["A-1"]
    (planned,) = found.document["procedures"]
    assert set(planned) >= keys.PLANNED
    assert planned["scheduled_at"] == "2026-11-25T08:30:00"
    (refused,) = found.document["refused"]
    assert set(refused) >= keys.REFUSED_LINE
    assert (refused["line"], refused["column"]) == (3, "time")
    assert "25:10" in found.err
    again = run(table, "--ledger", url)
    assert "0 planned procedures new, 0 changed, 1 as they were" in again.out


def test_what_is_no_table_gives_nothing(tmp_path: Path, url: str) -> None:
    for name, data in (("empty.csv", b""), ("noise.csv", b"\x00\x01"), ("other.csv", b"a,b\n1,2\n")):
        (tmp_path / name).write_bytes(data)
        assert run(tmp_path / name, "--json", "--ledger", url).exit_code == 3
    assert run(tmp_path / "absent.csv", "--ledger", url).exit_code == 3


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("x.csv", "--worklist", "h:1"),
        ("x.csv", "--every", "5"),
        ("--worklist", "h", "--called", "RIS"),
        ("--worklist", "h:99999", "--called", "RIS"),
        ("--worklist", "h:104"),
        ("--worklist", "h:104", "--called", "A TITLE FAR TOO LONG"),
        ("--worklist", "h:104", "--called", "RIS", "--every", "5", "--json"),
        ("--worklist", "h:104", "--called", "RIS", "--from", "tomorrow"),
        ("--worklist", "h:104", "--called", "RIS", "--from", "2026-03-02", "--to", "2026-03-01"),
    ],
)
def test_wrong_usage(words: tuple[str, ...], url: str) -> None:
    found = run(*words, "--ledger", url)
    assert (found.exit_code, found.out) == (2, "")


@pytest.mark.dicom_tools
def test_a_worklist_is_asked(tmp_path: Path, url: str) -> None:
    step_file(tmp_path / "lists", "1")
    with worklist_server(tmp_path / "lists") as port:
        place = ("--worklist", f"127.0.0.1:{port}", "--called", TITLE, "--ledger", url)
        found = run(*place, "--from", "2026-11-25", "--json")
        none = run(*place, "--from", "2026-11-24", "--json")
        everything = run(*place, "--from", "2026-11-24", "--to", "2026-11-26", "--modality", "any", "--json")
    assert found.exit_code == 0
    assert found.document["source"] == f"worklist of {TITLE}"
    assert found.document["added"] == ["A-1/S1"]
    assert (none.exit_code, none.document["procedures"]) == (0, [])
    assert everything.document["unchanged"] == ["A-1/S1"]
    gone = run(*place, "--from", "2026-11-25", "--json")
    assert (gone.exit_code, gone.out) == (3, "")
    assert "cannot be reached" in gone.err


@pytest.mark.dicom_tools
def test_asking_again_and_again_outlives_a_server_that_is_away(tmp_path: Path, url: str) -> None:
    lists = tmp_path / "lists"
    with worklist_server(lists) as port:
        pass  # its port is free again: nobody listens there
    words = ["--worklist", f"127.0.0.1:{port}", "--called", TITLE, "--every", "0.1", "--ledger", url]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    asking = subprocess.Popen(
        [sys.executable, "-m", "dosetrack", "schedule", *words],
        stderr=subprocess.PIPE, text=True, env=environment,
    )  # fmt: skip
    try:
        assert asking.stderr is not None
        told = [asking.stderr.readline(), asking.stderr.readline()]
        asking.send_signal(signal.SIGINT)
        assert asking.wait(timeout=20) == 0
    finally:
        asking.kill()
        asking.communicate()
    assert "every 0.1 min" in told[0]
    assert "cannot be reached" in told[1]
