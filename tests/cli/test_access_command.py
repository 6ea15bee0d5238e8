"""`dosetrack access`: a token is shown once, grants are listed, what waits is decided."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from dosetrack.cli import build_app
from dosetrack.records.entries import Injection
from dosetrack.workflow import open_workflow
from tests.workflow.invented import NURSE, OPENING

ROOM = OPENING.room


class Command:
    """Runs `dosetrack access` on a ledger of its own."""

    def __init__(self, folder: Path) -> None:
        self.url = f"sqlite:///{folder / 'ledger.sqlite'}"

    def run(self, *words: str) -> Any:
        return CliRunner().invoke(build_app(only="access"), ["access", *words, "--ledger", self.url])

    def document(self, *words: str) -> Any:
        result = self.run(*words, "--json")
        assert result.exit_code == 0, result.stderr
        return json.loads(result.stdout)


@pytest.fixture
def command(tmp_path: Path) -> Command:
    return Command(tmp_path)


def test_a_token_is_the_only_line_on_standard_output_and_told_once(command: Command) -> None:
    result = command.run("grant", "--room", ROOM, "--name", "Pump gateway")
    assert result.exit_code == 0
    token = result.stdout.strip()
    assert len(token) >= 43  # 256 bits in base 64
    assert "spelt" in result.stderr  # nothing names this room yet
    assert token not in result.stderr
    assert token not in command.run("list").stdout
    other = command.document("grant", "--room", ROOM, "--name", "Other gateway", "--sees-patient")
    assert other["token"] != token
    grants = command.document("list")["grants"]
    assert [(g["name"], g["room"], g["sees_patient"]) for g in grants] == [
        ("Pump gateway", ROOM, False),
        ("Other gateway", ROOM, True),
    ]


def test_a_withdrawn_gateway_is_no_longer_listed(command: Command) -> None:
    command.run("grant", "--room", ROOM, "--name", "Pump gateway")
    assert command.document("withdraw", "Pump gateway", "--reason", "replaced")["withdrawn"] == "Pump gateway"
    assert command.document("list") == {"grants": []}
    again = command.run("withdraw", "Pump gateway")
    assert again.exit_code == 3
    assert again.stdout == ""


def test_the_same_name_twice_is_wrong_usage(command: Command) -> None:
    command.run("grant", "--room", ROOM, "--name", "Pump gateway")
    result = command.run("grant", "--room", ROOM, "--name", "Pump gateway")
    assert result.exit_code == 2
    assert result.stdout == ""


def test_what_waits_is_listed_and_decided(command: Command) -> None:
    command.run("grant", "--room", ROOM, "--name", "Pump gateway")
    workflow = open_workflow(command.url)
    (grant,) = workflow.grants()
    workflow.feed(grant, Injection(12, from_injector=True), message_id="i1")
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    (waiting,) = command.document("waiting")["waiting"]
    assert waiting["answers"] == ["counts", "does not count"]
    assert "12 mL" not in command.run("list").stdout
    assert waiting["entry_id"] in command.run("waiting").stdout
    assert command.run("decide", waiting["entry_id"], "counts").exit_code == 2  # which case?
    assert command.run("decide", waiting["entry_id"], "counts", "--case", "none").exit_code == 3
    done = command.document("decide", waiting["entry_id"], "counts", "--case", case_id, "--actor", "Ines")
    assert done["case_id"] == case_id
    assert command.document("waiting") == {"waiting": []}
    (given,) = workflow.case_view(case_id).case.injections
    assert (given.value.volume_ml, given.by.name) == (12, "Ines")
    workflow.ledger.close()


@pytest.mark.parametrize("words", [("list",), ("waiting",), ("withdraw", "Pump"), ("decide", "a", "counts")])
def test_a_missing_ledger_ends_with_3(command: Command, words: tuple[str, ...]) -> None:
    result = command.run(*words, "--json")
    assert result.exit_code == 3
    assert result.stdout == ""
