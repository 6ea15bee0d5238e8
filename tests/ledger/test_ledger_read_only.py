"""A ledger that this user may only read is read, whoever writes it; nothing is made beside it."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import pytest
from sqlalchemy import update

from dosetrack.errors import LedgerError, LedgerMissingError
from dosetrack.ledger import Ledger, schema
from dosetrack.records.entries import NewEntry

Clock = Callable[[], datetime]
New = Callable[..., NewEntry]
NOBODY = 65534


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder that every user may look into; pytest's own are for their owner alone."""
    made = Path(tempfile.mkdtemp())
    made.chmod(0o755)
    yield made
    made.chmod(0o755)
    shutil.rmtree(made)


@pytest.fixture
def place(folder: Path) -> Path:
    return folder / "ledger, 5 % of #1.sqlite"


@pytest.fixture
def written(place: Path, clock: Clock, new: New) -> Iterator[Ledger]:
    """A ledger of two entries, still open, that everyone may read."""
    ledger = Ledger.open(f"sqlite:///{place}", create=True, clock=clock)
    for _ in range(2):
        with ledger.transaction() as tx:
            tx.append(new())
    for file in place.parent.iterdir():
        file.chmod(0o644)
    yield ledger
    ledger.close()


@contextmanager
def only_reading(folder: Path) -> Iterator[None]:
    """Be a user who may read the folder and not write it."""
    if os.geteuid() == 0:
        os.seteuid(NOBODY)
        try:
            yield
        finally:
            os.seteuid(0)
        return
    modes = {one: stat.S_IMODE(one.stat().st_mode) for one in (folder, *folder.iterdir())}
    for one in modes:
        one.chmod(modes[one] & 0o555)
    try:
        yield
    finally:
        for one, mode in modes.items():
            if one.exists():
                one.chmod(mode)


def position(place: Path, clock: Clock) -> int:
    ledger = Ledger.open_to_read(f"sqlite:///{place}", clock=clock)
    try:
        return ledger.position()
    finally:
        ledger.close()


def names(folder: Path) -> set[str]:
    return {file.name.rpartition(".")[2] for file in folder.iterdir()}


def test_closed_ledger_is_read_without_making_a_file(
    written: Ledger, place: Path, folder: Path, clock: Clock
) -> None:
    written.close()
    assert names(folder) == {"sqlite"}
    with only_reading(folder):
        assert position(place, clock) == 2
    assert names(folder) == {"sqlite"}


def test_in_a_folder_of_others_that_may_be_written_nothing_is_made(
    written: Ledger, place: Path, folder: Path, clock: Clock
) -> None:
    if os.geteuid() != 0:
        pytest.skip("needs a second user, and so an administrator")
    written.close()
    folder.chmod(0o777)
    with only_reading(folder):
        assert position(place, clock) == 2
    assert names(folder) == {"sqlite"}


def test_what_a_living_writer_adds_is_seen(
    written: Ledger, place: Path, folder: Path, clock: Clock, new: New
) -> None:
    with only_reading(folder):
        reader = Ledger.open_to_read(f"sqlite:///{place}", clock=clock)
        assert reader.position() == 2
    with written.transaction() as tx:
        tx.append(new())
    with only_reading(folder):
        assert reader.position() == 3
    reader.close()


def test_a_writer_who_comes_while_it_is_read_as_it_is_shows(
    written: Ledger, place: Path, folder: Path, clock: Clock, new: New
) -> None:
    written.close()
    with only_reading(folder):
        reader = Ledger.open_to_read(f"sqlite:///{place}", clock=clock)
        assert reader.position() == 2
    with written.transaction() as tx:
        tx.append(new())
    for _ in ("while it is open", "and after"):
        with only_reading(folder), pytest.raises(LedgerError, match="written to while it was read"):
            reader.position()
        written.close()
    reader.close()


def left_in_the_middle(place: Path) -> None:
    """As a program that was killed leaves it: entries in the second file, no index."""
    with sqlite3.connect(place) as raw:
        raw.execute("PRAGMA user_version = 7")
        raw.commit()
        log = place.with_name(place.name + "-wal").read_bytes()
    raw.close()
    place.with_name(place.name + "-wal").write_bytes(log)
    place.with_name(place.name + "-wal").chmod(0o644)


def test_left_in_the_middle_it_says_what_is_wanted(
    written: Ledger, place: Path, folder: Path, clock: Clock
) -> None:
    written.close()
    left_in_the_middle(place)
    with only_reading(folder), pytest.raises(LedgerError, match="open it once") as refused:
        position(place, clock)
    assert place.name in str(refused.value)
    assert position(place, clock) == 2  # its owner opens it, and then
    if os.geteuid() == 0:
        with only_reading(folder):
            assert position(place, clock) == 2


@pytest.mark.parametrize("ending", ["", "-wal", "-shm"])
def test_without_permission_the_file_is_named(
    ending: str, written: Ledger, place: Path, folder: Path, clock: Clock
) -> None:
    place.with_name(place.name + ending).chmod(0o000)
    with only_reading(folder), pytest.raises(LedgerError, match=f"no permission to read .*{ending}; "):
        position(place, clock)


def test_a_folder_that_may_not_be_entered_is_said(
    written: Ledger, place: Path, folder: Path, clock: Clock
) -> None:
    folder.chmod(0o000)
    with only_reading(folder), pytest.raises(LedgerError, match="no permission for its folder"):
        position(place, clock)


def test_reading_never_writes(written: Ledger, place: Path, clock: Clock, new: New) -> None:
    reader = Ledger.open_to_read(f"sqlite:///{place}", clock=clock)
    with pytest.raises(LedgerError, match="for reading only"), reader.transaction() as tx:
        tx.append(new())
    with reading_connection(reader) as connection, pytest.raises(Exception, match="readonly database"):
        connection.execute(update(schema.meta).values(value="x"))
    reader.close()


@contextmanager
def reading_connection(ledger: Ledger) -> Iterator[object]:
    with ledger.reading() as read:
        yield read.connection


def test_opened_to_write_without_permission_it_says_so(
    written: Ledger, place: Path, folder: Path, clock: Clock
) -> None:
    written.close()
    with only_reading(folder), pytest.raises(LedgerError, match="cannot be written: no permission"):
        Ledger.open(f"sqlite:///{place}", create=True, clock=clock)
    assert names(folder) == {"sqlite"}


def test_missing_and_empty_ones_are_missing(tmp_path: Path, clock: Clock) -> None:
    for file in (tmp_path / "none.sqlite", tmp_path / "empty.sqlite"):
        if file.name == "empty.sqlite":
            file.touch()
        with pytest.raises(LedgerMissingError):
            position(file, clock)
    assert {file.name for file in tmp_path.iterdir()} == {"empty.sqlite"}


@pytest.mark.parametrize(("key", "value"), [("schema_version", "0"), ("projection_layout", "another")])
def test_older_ledger_is_not_read_nor_touched(
    key: str, value: str, written: Ledger, place: Path, clock: Clock
) -> None:
    with written.transaction() as tx:
        tx.connection.execute(update(schema.meta).where(schema.meta.c.key == key).values(value=value))
    written.close()
    before = place.read_bytes()
    with pytest.raises(LedgerError, match="run 'dosetrack ledger rebuild'"):
        position(place, clock)
    assert place.read_bytes() == before
