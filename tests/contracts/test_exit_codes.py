"""Bad input: a clear sentence, the right exit code, and the rest goes on."""

from __future__ import annotations

import os
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dosetrack.ledger import read_only

Run = Callable[..., Any]
ROOT = Path(__file__).resolve().parents[2]

BAD = [
    "empty",
    "text",
    "noise",
    "cut-in-the-middle",
    "cut-by-one-byte",
    "preamble-only",
    "another-class",
    "absent",
]

KIDNEY_OPTIONS = [
    "--sex", "--age", "--creatinine", "--creatinine-on", "--on", "--weight", "--height", "--site",
    "--concentration", "--given", "--earlier",
]  # fmt: skip


def assert_a_sentence(reason: str) -> None:
    assert len(reason) > 15, reason
    assert "Traceback" not in reason
    assert "Error(" not in reason


@pytest.mark.parametrize("kind", BAD)
def test_read_of_a_file_of_no_use_is_refused_with_a_reason(
    kind: str, run: Run, bad_files: dict[str, Path]
) -> None:
    outcome = run("read", bad_files[kind], "--json")
    assert outcome.exit_code == 3
    assert outcome.document["reports"] == []
    (refused,) = outcome.document["refused"]
    assert refused["file"] == str(bad_files[kind])
    assert_a_sentence(refused["reason"])


def test_read_goes_on_after_bad_files_and_tells_each_once(
    run: Run, bad_files: dict[str, Path], reports: list[Path]
) -> None:
    files = [bad_files["empty"], reports[0], *(bad_files[kind] for kind in BAD[1:]), reports[1]]
    outcome = run("read", *files, "--json")
    assert outcome.exit_code == 1
    document = outcome.document
    told = [report["file"] for report in document["reports"]] + [one["file"] for one in document["refused"]]
    assert sorted(told) == sorted(str(path) for path in files)
    assert len(document["reports"]) == 2


def test_reasons_tell_the_faults_apart(run: Run, bad_files: dict[str, Path]) -> None:
    outcome = run("read", *(bad_files[kind] for kind in BAD), "--json")
    reasons = {Path(one["file"]).name: one["reason"].lower() for one in outcome.document["refused"]}
    assert "empty" in reasons["empty"]
    assert "dicom" in reasons["text"]
    assert "1.2.840.10008.5.1.4.1.1.2" in reasons["another-class.dcm"]
    assert len({reasons["empty"], reasons["text"], reasons["cut-in-the-middle"]}) == 3


@pytest.mark.parametrize("kind", BAD)
def test_ingest_of_a_file_of_no_use_ends_with_nothing_used(
    kind: str, run: Run, bad_files: dict[str, Path], tmp_path: Path
) -> None:
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    outcome = run("ingest", bad_files[kind], "--json", "--ledger", url, "--workers", 1)
    assert outcome.exit_code == 3
    assert outcome.document["added"] == 0
    assert len(outcome.document["refused"]) == 1
    assert_a_sentence(outcome.document["refused"][0]["reason"])


def test_ingest_goes_on_after_bad_files(
    run: Run, bad_files: dict[str, Path], reports: list[Path], tmp_path: Path
) -> None:
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    files = [*(bad_files[kind] for kind in BAD), *reports]
    outcome = run("ingest", *files, "--json", "--ledger", url, "--workers", 1)
    assert outcome.exit_code == 1
    assert outcome.document["added"] == 2
    assert len(outcome.document["refused"]) == len(BAD)
    assert len(run("cases", "--json", "--ledger", url).document["cases"]) == 2


def test_ingest_of_a_file_that_may_not_be_opened(
    run: Run, reports: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Permissions do not bind an administrator, so the refusal of the system is played here."""
    locked = tmp_path / "in" / "locked.dcm"
    locked.parent.mkdir()
    locked.write_bytes(reports[0].read_bytes())
    (tmp_path / "in" / "open.dcm").write_bytes(reports[1].read_bytes())
    really_open = Path.open

    def refusing_open(path: Path, *args: Any, **kwargs: Any) -> Any:
        if path.name == "locked.dcm":
            raise PermissionError(13, "Permission denied", str(path))
        return really_open(path, *args, **kwargs)

    monkeypatch.setattr(Path, "open", refusing_open)
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    outcome = run("ingest", tmp_path / "in", "--json", "--ledger", url, "--workers", 1)
    assert outcome.exit_code == 1
    assert outcome.document["added"] == 1
    (refused,) = outcome.document["refused"]
    assert refused["file"].endswith("locked.dcm")
    assert "permission" in refused["reason"].lower()


def test_ingest_of_a_folder_that_may_not_be_listed(
    run: Run, reports: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    locked = tmp_path / "in" / "locked"
    locked.mkdir(parents=True)
    (tmp_path / "in" / "open.dcm").write_bytes(reports[1].read_bytes())
    really_scan = os.scandir

    def refusing_scan(path: Any = ".") -> Any:
        if str(path).endswith("locked"):
            raise PermissionError(13, "Permission denied", str(path))
        return really_scan(path)

    monkeypatch.setattr(os, "scandir", refusing_scan)
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    outcome = run("ingest", tmp_path / "in", "--json", "--ledger", url, "--workers", 1)
    assert outcome.exit_code == 1
    assert outcome.document["added"] == 1
    (refused,) = outcome.document["refused"]
    assert refused["file"].endswith("locked")


def test_ingest_of_an_empty_folder_is_done_and_says_that_nothing_was_there(
    run: Run, bad_files: dict[str, Path], tmp_path: Path
) -> None:
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    outcome = run("ingest", bad_files["folder"], "--json", "--ledger", url, "--workers", 1)
    assert (outcome.exit_code, outcome.document["added"], outcome.document["refused"]) == (0, 0, [])
    assert "no file" in outcome.stderr


def test_ingest_of_a_path_that_is_not_there_is_refused_and_the_rest_goes_on(
    run: Run, bad_files: dict[str, Path], reports: list[Path], tmp_path: Path
) -> None:
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    for more, code in (([], 3), ([bad_files["folder"]], 3), ([reports[0]], 1)):
        outcome = run("ingest", tmp_path / "absent", *more, "--json", "--ledger", url, "--workers", 1)
        assert outcome.exit_code == code
        (refused,) = outcome.document["refused"]
        assert refused == {"file": str(tmp_path / "absent"), "reason": "there is no such file or folder"}


@pytest.mark.parametrize("name", ["entries.xlsx", "entries.xlsm"])
@pytest.mark.parametrize(
    ("content", "what"), [("a;b\n1;2\n", "text"), ("<html><table>", "a web page")], ids=["text", "web page"]
)
def test_text_under_the_name_of_a_workbook_is_told_apart(
    name: str, content: str, what: str, run: Run, tmp_path: Path
) -> None:
    (tmp_path / name).write_text(content, encoding="utf-8")
    words = ("ingest", tmp_path / name, "--json", "--ledger", f"sqlite:///{tmp_path / 'l.sqlite'}")
    if name.endswith("xlsm"):  # a table only where a mapping says how to read it
        words = (*words, "--mapping", Path(ROOT, "sample_data", "old_system.toml"))
    outcome = run(*words)
    assert outcome.exit_code == 3
    (refused,) = outcome.document["refused"]
    assert f"but {what} stands in it; accepted: an XLSX workbook" in refused["reason"]


@pytest.mark.parametrize(
    "words",
    [
        ("--creatinine", "1.4"),
        ("--creatinine", "1.4 kg"),
        ("--creatinine", "-1.4 mg/dL"),
        ("--creatinine", "0 mg/dL"),
        ("--creatinine", "1,400 mg/dL"),
        ("--creatinine", "400 mg/dL"),
        ("--creatinine", "high"),
        ("--weight", "68"),
        ("--weight", "-68 kg"),
        ("--weight", "6800 kg"),
        ("--weight", "68 cm"),
        ("--height", "160"),
        ("--height", "1.6 cm"),
        ("--height", "-160 cm"),
        ("--given", "40"),
        ("--given", "-40 mL"),
        ("--given", "40 mg"),
        ("--age", "-3"),
        ("--age", "300"),
        ("--age", "old"),
        ("--sex", "unknown word"),
        ("--site", "elbow"),
        ("--concentration", "-320"),
        ("--concentration", "32000"),
        ("--creatinine-on", "yesterday", "--creatinine", "1.4 mg/dL"),
        ("--on", "2026-02-30"),
        *((option, text) for option in KIDNEY_OPTIONS for text in ("", " ")),
        ("--nothing-like-this",),
    ],
    ids=" ".join,
)
def test_kidney_of_impossible_input_ends_with_2_and_no_document(words: tuple[str, ...], run: Run) -> None:
    outcome = run("kidney", "--json", *words)
    assert outcome.exit_code == 2
    assert outcome.stdout == ""
    assert_a_sentence(outcome.stderr)


@pytest.mark.parametrize(
    "words",
    [
        ("cases", "--from", "2026-13-01"),
        ("cases", "--from", "01.03.2026"),
        ("cases", "--from", "2026-03-02", "--to", "2026-03-01"),
        ("audit", "--to", "2026-03-01"),
        ("audit", "--from", "2026-03-02", "--to", "2026-03-01"),
        ("audit", "--from", "March", "--to", "2026-03-01"),
        ("read",),
        ("ingest",),
        ("case",),
    ],
    ids=" ".join,
)
def test_wrong_usage_ends_with_2_and_no_document(words: tuple[str, ...], run: Run, ledger: str) -> None:
    extra = () if words[0] == "read" else ("--ledger", ledger)
    outcome = run(*words, "--json", *extra)
    assert outcome.exit_code == 2
    assert outcome.stdout == ""
    assert outcome.stderr


@pytest.mark.parametrize(
    "words",
    [
        ("cases",),
        ("case", "00000000-0000-4000-8000-000000000000"),
        ("audit", "--from", "2026-03-01", "--to", "2026-03-31"),
        ("ledger", "verify"),
        ("ledger", "rebuild"),
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_a_missing_ledger_ends_with_3_and_is_not_made(
    words: tuple[str, ...], run: Run, tmp_path: Path
) -> None:
    place = tmp_path / "none.sqlite"
    outcome = run(*words, "--json", "--ledger", f"sqlite:///{place}")
    assert outcome.exit_code == 3
    assert outcome.stdout == ""
    assert_a_sentence(outcome.stderr)
    assert not place.exists()


def test_an_unknown_case_ends_with_3(run: Run, ledger: str) -> None:
    outcome = run("case", "00000000-0000-4000-8000-000000000000", "--json", "--ledger", ledger)
    assert outcome.exit_code == 3
    assert outcome.stdout == ""
    assert_a_sentence(outcome.stderr)


@pytest.mark.parametrize("url", ["not a url", "sqlite://nowhere/else", "oracle://x/y"])
def test_a_ledger_address_that_is_none_is_told_in_a_sentence(url: str, run: Run) -> None:
    outcome = run("cases", "--json", "--ledger", url)
    assert outcome.exit_code in (2, 3)
    assert outcome.stdout == ""
    assert_a_sentence(outcome.stderr)


def test_a_file_that_is_no_ledger_is_left_alone(run: Run, tmp_path: Path) -> None:
    place = tmp_path / "notes.txt"
    place.write_text("not a database\n" * 100, encoding="utf-8")
    before = place.read_bytes()
    outcome = run("cases", "--json", "--ledger", f"sqlite:///{place}")
    assert outcome.exit_code in (2, 3)
    assert place.read_bytes() == before


@pytest.mark.parametrize("command", ["serve", "demo"])
def test_an_address_in_use_is_told_before_anything_is_touched(command: str, run: Run, tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        place = ("--ledger", f"sqlite:///{tmp_path / 'l'}") if command == "serve" else ("--folder", tmp_path)
        outcome = run(command, "--port", taken.getsockname()[1], *place)
    assert outcome.exit_code == 2
    assert "--port" in outcome.stderr
    assert list(tmp_path.iterdir()) == []


def test_an_address_of_another_computer_is_told(run: Run, tmp_path: Path) -> None:
    # 192.0.2.0/24 is kept for documentation (RFC 5737): no computer has it
    outcome = run("demo", "--host", "192.0.2.1", "--folder", tmp_path)
    assert outcome.exit_code == 2
    assert "192.0.2.1" in outcome.stderr


def process(*words: str, **variables: str) -> subprocess.CompletedProcess[str]:
    """The command as a shell would run it, with no terminal and no standard input."""
    kept = {
        key: value for key, value in os.environ.items() if key not in ("DOSETRACK_LEDGER", "LANG", "LC_ALL")
    }
    return subprocess.run(
        [sys.executable, "-m", "dosetrack", *words],
        cwd=ROOT,
        env={**kept, **variables},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        encoding="utf-8",
    )


def test_one_document_and_nothing_else_on_standard_output(
    reports: list[Path], bad_files: dict[str, Path]
) -> None:
    done = process("read", str(reports[0]), str(bad_files["text"]), "--json", LC_ALL="C")
    assert done.returncode == 1
    assert done.stdout.startswith("{")
    assert done.stdout.rstrip().endswith("}")
    assert "Traceback" not in done.stderr


def test_the_ledger_s_address_may_come_from_the_environment(ledger: str) -> None:
    done = process("cases", "--json", DOSETRACK_LEDGER=ledger)
    assert done.returncode == 0
    assert '"INV-1"' in done.stdout


def test_an_unknown_command_ends_with_2() -> None:
    done = process("nothing")
    assert done.returncode == 2
    assert done.stdout == ""


@pytest.mark.parametrize("fact", ["layout", "projector"])
def test_a_ledger_of_an_older_version_ends_with_3_until_it_is_rebuilt(
    fact: str, run: Run, reports: list[Path], tmp_path: Path
) -> None:
    place = tmp_path / "older.sqlite"
    url = f"sqlite:///{place}"
    run("ingest", *reports, "--json", "--ledger", url, "--workers", 1)
    before = run("cases", "--json", "--ledger", url).document
    with sqlite3.connect(place) as raw:
        if fact == "layout":
            raw.execute("UPDATE meta SET value = 'another' WHERE key = 'projection_layout'")
        else:
            raw.execute("UPDATE projection SET version = version - 1")
    raw.close()
    for words in (("cases",), ("audit", "--from", "2026-03-01", "--to", "2026-03-31"), ("ledger", "verify")):
        outcome = run(*words, "--json", "--ledger", url)
        assert (outcome.exit_code, outcome.stdout) == (3, "")
        assert "dosetrack ledger rebuild" in outcome.stderr
    assert run("ledger", "rebuild", "--json", "--ledger", url).document == {"cases": 2}
    assert run("cases", "--json", "--ledger", url).document == before


def test_reading_commands_need_no_permission_to_write(run: Run, ledger: str, tmp_path: Path) -> None:
    """Read by the way a reader takes who may not write beside the file, see tests/ledger."""
    copy = tmp_path / "copy.sqlite"
    held, copied = sqlite3.connect(ledger.removeprefix("sqlite:///")), sqlite3.connect(copy)
    held.backup(copied)
    held.close()
    copied.close()
    before = sorted(tmp_path.iterdir())
    case_id = run("cases", "--json", "--ledger", ledger).document["cases"][0]["id"]
    really_may = read_only._may
    for words in (
        ("cases",),
        ("case", case_id),
        ("audit", "--from", "2026-03-01", "--to", "2026-03-31"),
        ("ledger", "verify"),
    ):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(read_only, "_may", lambda path, mode: mode != os.W_OK and really_may(path, mode))
            outcome = run(*words, "--json", "--ledger", f"sqlite:///{copy}")
        assert outcome.exit_code == 0, outcome.stderr
        assert sorted(tmp_path.iterdir()) == before
