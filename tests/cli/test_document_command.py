"""`dosetrack document`: text, PDF, the JSON document and the exit codes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from dosetrack.cli import build_app
from dosetrack.reports.kinds import DocumentKind
from tests.reports.paper_cases import bare_case, opened


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """URL of a ledger and the id of a case in it."""
    folder = tmp_path_factory.mktemp("document")
    workflow = opened(folder)
    case_id = bare_case(workflow)
    workflow.ledger.close()
    return f"sqlite:///{folder / 'ledger.sqlite'}", case_id


def run(*words: object) -> Any:
    return CliRunner().invoke(build_app(only="document"), ["document", *map(str, words)])


@pytest.mark.parametrize("kind", list(DocumentKind))
def test_plain_text_is_what_it_prints_by_default(kind: DocumentKind, ledger: tuple[str, str]) -> None:
    url, case_id = ledger
    done = run(case_id, "--kind", kind, "--ledger", url)
    assert done.exit_code == 0, done.output
    assert case_id in done.stdout
    assert done.stdout == run(case_id, "--kind", kind, "--text", "--ledger", url).stdout


def test_the_pdf_is_written_and_nothing_else_said_on_standard_output(
    ledger: tuple[str, str], tmp_path: Path
) -> None:
    url, case_id = ledger
    path = tmp_path / "summary.pdf"
    done = run(case_id, "--kind", "summary", "--pdf", path, "--ledger", url)
    assert done.exit_code == 0, done.output
    assert done.stdout == ""
    assert path.read_bytes().startswith(b"%PDF-")


def test_the_json_document_holds_text_and_cautions(ledger: tuple[str, str]) -> None:
    url, case_id = ledger
    done = run(case_id, "--kind", "patient-sheet", "--json", "--ledger", url)
    document = json.loads(done.stdout)
    assert {"case", "kind", "title", "text", "pdf", "cautions"} <= set(document)  # named in README.md
    assert document["case"] == case_id
    assert document["pdf"] is None
    assert document["cautions"]


def test_what_cannot_be_done_is_said_with_its_exit_code(ledger: tuple[str, str], tmp_path: Path) -> None:
    url, case_id = ledger
    absent = run("no-such-case", "--kind", "summary", "--ledger", url)
    assert absent.exit_code == 3
    assert "no-such-case" in absent.stderr
    assert run(case_id, "--kind", "novel", "--ledger", url).exit_code == 2
    assert run(case_id, "--ledger", url).exit_code == 2
    unwritable = run(
        case_id, "--kind", "summary", "--pdf", tmp_path / "no" / "such" / "folder.pdf", "--ledger", url
    )
    assert unwritable.exit_code == 2
    assert "cannot be written" in unwritable.stderr
