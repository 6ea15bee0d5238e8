"""`dosetrack ledger verify` finds what was altered, in the chain, the originals and the projections."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]
TABLE = """accession;time;volume [mL];concentration
ACC1;2026-03-01T09:05;25;320
"""


@pytest.fixture
def place(run: Run, reports: list[Path], tmp_path: Path) -> Path:
    """A ledger of two reports and a table of typed entries."""
    made = tmp_path / "ledger.sqlite"
    table = tmp_path / "entries.csv"
    table.write_text(TABLE, encoding="utf-8")
    outcome = run("ingest", *reports, table, "--json", "--ledger", f"sqlite:///{made}", "--workers", 1)
    assert (outcome.exit_code, outcome.document["entries_added"]) == (0, 1), outcome.stderr
    return made


def verified(run: Run, place: Path, *words: str) -> Any:
    return run("ledger", "verify", "--json", "--ledger", f"sqlite:///{place}", *words)


def alter(place: Path, *statements: str) -> None:
    """Change the database as someone with its file could; what guards against mistakes is taken away."""
    with sqlite3.connect(place) as raw:
        for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            raw.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            assert raw.execute(statement).rowcount > 0, statement
    raw.close()


def test_whole_ledger_tells_its_anchor(run: Run, place: Path) -> None:
    outcome = verified(run, place)
    document = outcome.document
    assert (outcome.exit_code, outcome.stderr) == (0, "")
    assert (document["entries"], document["originals"], document["first_break"]) == (4, 3, None)
    assert document["anchor"] == f"{document['head']['seq']}:{document['head']['digest']}"
    assert document["projections"] == {"cases": 2, "differences": 0, "first": []}
    assert verified(run, place, "--anchor", document["anchor"]).exit_code == 0
    plain = run("ledger", "verify", "--ledger", f"sqlite:///{place}").stdout
    assert plain.splitlines()[-1] == f"anchor {document['anchor']}"
    assert verified(run, place, "--entries-only").document["projections"] is None


def test_verification_writes_nothing(run: Run, place: Path) -> None:
    def dump() -> list[str]:
        with sqlite3.connect(place) as raw:
            return list(raw.iterdump())

    before = dump()
    verified(run, place)
    assert dump() == before


@pytest.mark.parametrize(
    ("statement", "table", "reason"),
    [
        ("UPDATE event SET kvp = 99 WHERE ordinal = 1", "event", "other values of kvp"),
        ("UPDATE event SET is_counted = 0 WHERE ordinal = 0", "event", "other values of is_counted"),
        ("DELETE FROM event WHERE ordinal = 1", "event", "1 rows are kept, a rebuild gives 2"),
        ("UPDATE case_total SET iodine_g = 7", "case_total", "other values of iodine_g"),
        ("UPDATE report SET station = 'ROOM9'", "report", "other values of station"),
        (
            "UPDATE case_total SET id = 'x' WHERE id = (SELECT max(id) FROM case_total)",
            "case_total",
            "no entry",
        ),
        (
            "INSERT INTO setting (seq, key, scope, value, valid_from) VALUES (1, 'k', 'site', 'x', 'y')",
            "setting",
            "1 rows are kept, a rebuild gives 0",
        ),
    ],
)
def test_projection_that_a_rebuild_would_not_give_is_named(
    statement: str, table: str, reason: str, run: Run, place: Path
) -> None:
    alter(place, statement)
    outcome = verified(run, place)
    assert outcome.exit_code == 1
    assert outcome.document["first_break"] is None
    assert any(
        one["table"] == table and reason in one["reason"] for one in outcome.document["projections"]["first"]
    ), outcome.document
    assert "dosetrack ledger rebuild" in outcome.stderr
    run("ledger", "rebuild", "--ledger", f"sqlite:///{place}")
    assert verified(run, place).exit_code == 0


@pytest.mark.parametrize("kind", ["report-received", "table-received"])
@pytest.mark.parametrize("how", ["gone", "altered"])
def test_original_that_is_gone_or_altered_is_named(kind: str, how: str, run: Run, place: Path) -> None:
    with sqlite3.connect(place) as raw:
        query = (
            "SELECT seq, json_extract(body, '$.sha256') FROM payload JOIN entry USING (seq) WHERE kind = ?"
        )
        seq, sha256 = raw.execute(query, (kind,)).fetchone()
    raw.close()
    change = "DELETE FROM original" if how == "gone" else "UPDATE original SET packed = x'789c030000000001'"
    alter(place, f"{change} WHERE sha256 = '{sha256}'")
    outcome = verified(run, place)
    assert outcome.exit_code == 1
    assert outcome.document["first_break"]["seq"] == seq
    assert sha256 in outcome.document["first_break"]["reason"]


def test_tail_that_was_cut_off_shows_against_the_anchor_noted_earlier(run: Run, place: Path) -> None:
    anchor = verified(run, place).document["anchor"]
    last = int(anchor.partition(":")[0])
    alter(place, f"DELETE FROM payload WHERE seq = {last}", f"DELETE FROM entry WHERE seq = {last}")
    assert verified(run, place, "--entries-only").exit_code == 0  # nothing else can tell
    outcome = verified(run, place, "--anchor", anchor)
    assert outcome.exit_code == 1
    assert f"once reached entry {last}" in outcome.stderr
    other = f"{last - 1}:{'0' * 64}"
    assert "not the entry noted" in verified(run, place, "--anchor", other).stderr


@pytest.mark.parametrize("text", ["", "12", "0:" + "a" * 64, "x:" + "a" * 64, "3:abc", "3:" + "g" * 64])
def test_anchor_that_is_none_is_wrong_usage(text: str, run: Run, place: Path) -> None:
    outcome = verified(run, place, "--anchor", text)
    assert (outcome.exit_code, outcome.stdout) == (2, "")
    assert "a colon and its digest" in outcome.stderr
