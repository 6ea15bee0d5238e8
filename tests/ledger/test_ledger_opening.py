"""Opening, making and refusing a ledger, and its tables on both databases."""

from __future__ import annotations

import sqlite3
import stat
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.schema import CreateIndex, CreateTable

from dosetrack.errors import InputError, LedgerError, LedgerMissingError
from dosetrack.ledger import Ledger, schema
from dosetrack.ledger.convert import EVENT_KEYS
from dosetrack.ledger.transaction import _event_insert_by_position
from dosetrack.records.entries import NewEntry

Clock = Callable[[], datetime]


def test_missing_ledger_is_not_made_by_a_reader(file: Path, clock: Clock) -> None:
    with pytest.raises(LedgerMissingError, match=r"no ledger at .*ledger\.sqlite"):
        Ledger.open(f"sqlite:///{file}", create=False, clock=clock)
    assert not file.exists()


def test_ledger_and_its_folder_are_made_for_their_owner_alone(tmp_path: Path, clock: Clock) -> None:
    file = tmp_path / "new" / "folder" / "ledger.sqlite"
    Ledger.open(f"sqlite:///{file}", create=True, clock=clock).close()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert stat.S_IMODE(file.parent.stat().st_mode) & 0o077 == 0


def test_opened_again_it_is_the_same_ledger(
    file: Path, ledger: Ledger, clock: Clock, new: Callable[..., NewEntry]
) -> None:
    with ledger.transaction() as tx:
        tx.append(new())
        made = tx.meta("ledger_id")
    for create in (False, True):
        again = Ledger.open(f"sqlite:///{file}", create=create, clock=clock)
        with again.reading() as read:
            assert (read.position(), read.meta("ledger_id")) == (1, made)
        again.close()


def test_newer_ledger_is_refused_and_left_alone(file: Path, ledger: Ledger, clock: Clock) -> None:
    ledger.close()
    with sqlite3.connect(file) as raw:
        raw.execute("UPDATE meta SET value = '99' WHERE key = 'schema_version'")
    raw.close()
    for create in (False, True):
        with pytest.raises(LedgerError, match="written by a newer version"):
            Ledger.open(f"sqlite:///{file}", create=create, clock=clock)


def test_file_that_is_no_database_is_refused(file: Path, clock: Clock) -> None:
    file.write_text("a letter, not a database " * 100)
    with pytest.raises(LedgerError, match="not a database"):
        Ledger.open(f"sqlite:///{file}", create=True, clock=clock)
    assert file.read_text().startswith("a letter")


def test_database_of_something_else_is_refused(file: Path, clock: Clock) -> None:
    with sqlite3.connect(file) as raw:
        raw.execute("CREATE TABLE shopping(item TEXT)")
    raw.close()
    with pytest.raises(LedgerError, match="not a ledger"):
        Ledger.open(f"sqlite:///{file}", create=True, clock=clock)


def test_empty_file_is_a_missing_ledger(file: Path, clock: Clock) -> None:
    file.touch()
    with pytest.raises(LedgerMissingError):
        Ledger.open(f"sqlite:///{file}", create=False, clock=clock)
    Ledger.open(f"sqlite:///{file}", create=True, clock=clock).close()


def test_folder_that_cannot_be_made_is_said(tmp_path: Path, clock: Clock) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(LedgerError, match="no ledger can be made"):
        Ledger.open(f"sqlite:///{tmp_path}/taken/ledger.sqlite", create=True, clock=clock)


@pytest.mark.parametrize("url", ["", "ledger.sqlite", "sqlite://", "sqlite:///:memory:", "mysql://h/x"])
def test_address_that_is_no_ledger_is_refused(url: str, clock: Clock) -> None:
    with pytest.raises(InputError, match="accepted"):
        Ledger.open(url, create=True, clock=clock)


def test_clock_needs_an_offset(file: Path) -> None:
    with pytest.raises(InputError, match="offset"):
        Ledger.open(f"sqlite:///{file}", create=True, clock=lambda: datetime(2026, 1, 1)).close()  # noqa: DTZ001


def test_durable_settings_are_in_force(ledger: Ledger) -> None:
    with ledger.reading() as read:
        found = {
            name: read.connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "secure_delete", "busy_timeout")
        }
    assert found == {
        "journal_mode": "wal",
        "synchronous": 2,  # FULL
        "foreign_keys": 1,
        "secure_delete": 1,
        "busy_timeout": 30000,
    }


@pytest.mark.parametrize(
    "dialect", [sqlite.dialect(), postgresql.dialect()], ids=lambda dialect: dialect.name
)
def test_tables_compile(dialect: sqlite.dialect | postgresql.dialect) -> None:
    for table in schema.metadata.sorted_tables:
        text = str(CreateTable(table).compile(dialect=dialect))
        assert ("STRICT" in text) == (dialect.name == "sqlite")
        for index in table.indexes:
            assert "CREATE INDEX" in str(CreateIndex(index).compile(dialect=dialect))


def test_numbers_keep_their_digits_on_postgresql() -> None:
    text = str(CreateTable(schema.event_table).compile(dialect=postgresql.dialect()))
    assert "kvp DOUBLE PRECISION" in text, "REAL has seven digits there"
    assert "report_seq BIGINT" in text


def test_events_go_to_the_driver_by_position_only_where_it_counts_so() -> None:
    by_position = _event_insert_by_position(sqlite.dialect(paramstyle="qmark"))
    assert by_position is not None
    assert by_position.count("?") == len(EVENT_KEYS)
    assert _event_insert_by_position(postgresql.dialect()) is None


def test_driver_that_is_not_installed_is_named(clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "psycopg", None)  # as if it were not there, whether it is or not
    with pytest.raises(LedgerError, match="psycopg"):
        Ledger.open("postgresql+psycopg://nobody@localhost/ledger", create=False, clock=clock)


def test_created_at_is_told_by_the_clock(ledger: Ledger) -> None:
    with ledger.reading() as read:
        assert read.meta("created_at") == datetime(2026, 3, 1, 8, tzinfo=UTC).isoformat()
