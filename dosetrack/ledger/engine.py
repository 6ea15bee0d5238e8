"""Opening the database behind a ledger URL, set up for many threads and processes.

SQLite: write-ahead log (readers never wait), every commit on disk before it is acknowledged,
foreign keys, deleted content overwritten. PostgreSQL: one advisory lock makes writers take turns.
"""

from __future__ import annotations

import os
import sqlite3
import time
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import ArgumentError, NoSuchModuleError

from dosetrack.errors import InputError, LedgerError
from dosetrack.ledger.read_only import ReadOnlyAddress

BUSY_TIMEOUT_S = 30.0
_WRITES = "ledger_writes"
_ADVISORY_LOCK = 0x646F7365  # any number the writers agree on
_PRAGMAS = (
    "PRAGMA synchronous = FULL",
    "PRAGMA foreign_keys = ON",
    "PRAGMA secure_delete = ON",
    "PRAGMA cache_size = -8000",
    "PRAGMA journal_size_limit = 67108864",
    "PRAGMA wal_autocheckpoint = 4000",  # pages; fewer rewrites of the same index pages
)


def parse_url(url: str) -> URL:
    """The SQLAlchemy URL of a ledger; InputError unless it is a SQLite file or PostgreSQL."""
    accepted = "a SQLAlchemy URL: sqlite:////folder/ledger.sqlite or postgresql+psycopg://host/name"
    try:
        parsed = make_url(url)
    except ArgumentError:
        raise InputError(field="ledger", given=url, accepted=accepted) from None
    backend = parsed.get_backend_name()
    if backend == "sqlite":
        if parsed.database in (None, "", ":memory:") or str(parsed.database).startswith("file:"):
            raise InputError(field="ledger", given=url, accepted=f"{accepted}; a ledger is kept in a file")
    elif backend != "postgresql":
        raise InputError(field="ledger", given=parsed.render_as_string(), accepted=accepted)
    return parsed


def sqlite_file(url: URL) -> Path | None:
    """The file of a SQLite ledger, None for a server."""
    return Path(str(url.database)) if url.get_backend_name() == "sqlite" else None


def make_sqlite_file(path: Path) -> None:
    """Make an empty database file that its owner alone can read; patients stand in it."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))


def make_engine(url: URL, read_only: ReadOnlyAddress | None = None) -> Engine:
    """An engine whose connections suit one ledger; no connection is made yet.

    Parameters
    ----------
    read_only : how a SQLite file that is only read is asked for
    """
    is_sqlite = url.get_backend_name() == "sqlite"
    arguments: dict[str, Any] = {"timeout": BUSY_TIMEOUT_S} if is_sqlite else {}
    more: dict[str, Any] = {}
    if read_only is not None:
        address = read_only.uri
        more["creator"] = lambda: sqlite3.connect(
            address, uri=True, timeout=BUSY_TIMEOUT_S, check_same_thread=False
        )
    try:
        engine = create_engine(
            url,
            connect_args=arguments,
            pool_size=16,
            max_overflow=48,
            pool_timeout=BUSY_TIMEOUT_S,
            pool_pre_ping=not is_sqlite,
            hide_parameters=True,  # a refused statement must not carry a patient into a log
            **more,
        )
    except (ModuleNotFoundError, NoSuchModuleError):
        raise LedgerError(
            "a ledger on PostgreSQL needs the package psycopg; install it beside dosetrack"
        ) from None
    if is_sqlite:
        event.listen(engine, "connect", _set_up_sqlite if read_only is None else _set_up_reading)
        event.listen(engine, "begin", _begin_sqlite)
    return engine


def reading(engine: Engine) -> Connection:
    """A connection that sees one moment of the database."""
    connection = engine.connect()
    if engine.dialect.name == "postgresql":
        return connection.execution_options(isolation_level="REPEATABLE READ")
    return connection


def writing(engine: Engine) -> Connection:
    """A connection whose transaction, once begun, is the only writing one (see `take_turn`)."""
    return engine.connect().execution_options(**{_WRITES: True})


def take_turn(connection: Connection) -> None:
    """On PostgreSQL, wait for the other writers; BEGIN IMMEDIATE has done so on SQLite."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _ADVISORY_LOCK})


def scrub_log(engine: Engine) -> None:
    """Empty SQLite's write-ahead log, so that deleted content does not linger there."""
    if engine.dialect.name == "sqlite":
        raw = engine.raw_connection()
        try:
            raw.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        finally:
            raw.close()


def _set_up_sqlite(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None  # transactions are begun below, not by the driver
    _use_write_ahead_log(connection)
    for pragma in _PRAGMAS:
        connection.execute(pragma)


def _set_up_reading(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None
    # the file cannot be written; temporary tables, which a check makes, stay in memory
    for pragma in ("PRAGMA temp_store = MEMORY", "PRAGMA cache_size = -8000"):
        connection.execute(pragma)


def _use_write_ahead_log(connection: sqlite3.Connection) -> None:
    # The change of mode does not wait for others, whatever the time-out; the mode itself lasts.
    last = time.monotonic() + BUSY_TIMEOUT_S
    while True:
        try:
            if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
                connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > last:
                raise
            time.sleep(0.02)


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get(_WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
