"""The ledger: one database, opened once per process, used from many threads."""

from __future__ import annotations

import os
import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from sqlalchemy import URL, Engine, insert, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from dosetrack.errors import LedgerError, LedgerMissingError
from dosetrack.ledger import engine as database
from dosetrack.ledger import schema
from dosetrack.ledger.convert import iso_text
from dosetrack.ledger.query import LedgerReader
from dosetrack.ledger.read_only import ReadOnlyAddress, is_writable, read_only_address
from dosetrack.ledger.transaction import Transaction


def older_version(where: object) -> str:
    """What is said of a ledger whose projections another version made."""
    return (
        f"the ledger at {where} was last written by another version and its summaries must be made again; "
        "run 'dosetrack ledger rebuild' where it may be written ('ingest' and 'serve' do it too)"
    )


class Ledger:
    """An open ledger. Threads share it; each block below takes a connection of its own.

    >>> with ledger.transaction() as tx:                       # doctest: +SKIP
    ...     entry = tx.append(NewEntry(...))
    ...     tx.put_case_total(...)
    >>> with ledger.reading() as read:                         # doctest: +SKIP
    ...     read.case_totals(from_day="2026-01-01")
    """

    def __init__(
        self, url: URL, *, clock: Callable[[], datetime], read_only: ReadOnlyAddress | None = None
    ) -> None:
        self.url = url
        self._clock = clock
        self._read_only = read_only
        self._abandoned: list[Engine] = []
        self._process: int
        self._turn: threading.Lock
        self._writer: int | None
        self._engine: Engine
        self.is_read_only = read_only is not None
        self.before_commit: Callable[[Transaction], None] | None = None
        self._start_in_this_process()

    @classmethod
    def open(
        cls, url: str, *, create: bool, clock: Callable[[], datetime], migrate: bool | None = None
    ) -> Ledger:
        """The ledger at `url` (SQLAlchemy URL, 'sqlite:////path/ledger.sqlite').

        Parameters
        ----------
        create : make the ledger (and the folder of its file) when it is missing
        clock : tells `recorded_at`; must give a time with an offset
        migrate : bring a ledger of an older version up to date; None: as `create`. Its projections may
            then have to be made again (`rebuild.needs_rebuild`)

        Raises
        ------
        LedgerMissingError
            There is none and `create` is False.
        LedgerError
            It was made by a newer version, or an older one and `migrate` is False, is no ledger, or
            cannot be reached.
        """
        parsed = database.parse_url(url)
        file = database.sqlite_file(parsed)
        if file is not None and not _is_there(file):
            if not create:
                raise LedgerMissingError(f"there is no ledger at {file}")
            try:
                database.make_sqlite_file(file)
            except OSError as error:
                raise LedgerError(f"no ledger can be made at {file}: {error.strerror}") from error
        if file is not None and not is_writable(file):
            raise LedgerError(
                f"the ledger at {file} cannot be written: no permission to write it and its folder; commands "
                "that only read ('cases', 'case', 'audit', 'ledger verify') need none"
            )
        ledger = cls(parsed, clock=clock)
        ledger._check_or_close(create=create, migrate=create if migrate is None else migrate)
        return ledger

    @classmethod
    def open_to_read(cls, url: str, *, clock: Callable[[], datetime]) -> Ledger:
        """The ledger at `url` for reading only: a SQLite file needs no permission to write it.

        Raises
        ------
        LedgerMissingError
            There is none.
        LedgerError
            As `open`; or it cannot be read by this user or in this place, and what is wanted.
        """
        parsed = database.parse_url(url)
        file = database.sqlite_file(parsed)
        if file is not None and not _is_there(file):
            raise LedgerMissingError(f"there is no ledger at {file}")
        ledger = cls(parsed, clock=clock, read_only=read_only_address(file) if file else None)
        ledger.is_read_only = True
        ledger._check_or_close(create=False, migrate=False)
        return ledger

    @contextmanager
    def transaction(self) -> Iterator[Transaction]:
        """The writing transaction; waits for any other writer. An exception leaves nothing behind.

        Raises
        ------
        LedgerError
            The database refused (disk full, locked for too long ...); nothing was kept.
        """
        if self.is_read_only:
            raise LedgerError("the ledger was opened for reading only")
        self._follow_fork()
        if self._writer == threading.get_ident():
            raise LedgerError("this thread is writing already; use the transaction it has")
        if not self._turn.acquire(timeout=database.BUSY_TIMEOUT_S):
            raise LedgerError("the ledger is busy: another writer has not finished; try again")
        self._writer = threading.get_ident()
        try:
            with database.writing(self._engine) as connection, connection.begin():
                database.take_turn(connection)
                tx = Transaction(connection, clock=self._clock)
                yield tx
                if self.before_commit is not None:
                    self.before_commit(tx)
            if tx.has_deleted:
                database.scrub_log(self._engine)
        except (DBAPIError, PoolTimeoutError) as error:
            raise self._refused("written; nothing of this step was kept", error) from error
        finally:
            self._writer = None
            self._turn.release()

    @contextmanager
    def reading(self) -> Iterator[LedgerReader]:
        """A reader that sees one moment of the ledger and never waits for a writer."""
        self._follow_fork()
        try:
            with database.reading(self._engine) as connection:
                yield LedgerReader(connection)
                if self._read_only is not None and self._read_only.still is not None:
                    self._read_only.still.require()
        except (DBAPIError, PoolTimeoutError) as error:
            raise self._refused("read", error) from error

    def position(self) -> int:
        """The last `seq`; for polling."""
        with self.reading() as read:
            return read.position()

    def close(self) -> None:
        """Close every connection that is not in use."""
        self._engine.dispose()

    # -----------------------------------------------------------------------------------------

    def _start_in_this_process(self) -> None:
        self._process = os.getpid()
        self._turn = threading.Lock()
        self._writer = None
        self._engine = database.make_engine(self.url, self._read_only)

    def _follow_fork(self) -> None:
        # Connections must not be used, nor closed, by a process that inherited them.
        if self._process != os.getpid():
            self._abandoned.append(self._engine)
            self._start_in_this_process()

    def _refused(self, what: str, error: Exception) -> LedgerError:
        cause = error.orig if isinstance(error, DBAPIError) else error
        return LedgerError(f"the ledger cannot be {what}: {cause}")

    def _check_or_close(self, *, create: bool, migrate: bool) -> None:
        try:
            self._check(create=create, migrate=migrate)
        except BaseException:
            self.close()
            raise

    def _check(self, *, create: bool, migrate: bool) -> None:
        where = database.sqlite_file(self.url) or self.url.render_as_string()
        with self.reading() as read:
            is_present = read.is_present()
            is_empty = read.is_empty()
        if not is_present:
            if not is_empty:
                raise LedgerError(f"{where} is a database, but not a ledger")
            if not create:
                raise LedgerMissingError(f"there is no ledger at {where}")
            self._create()
        with self.reading() as read:
            found = int(read.meta("schema_version") or 0)
            layout = read.meta("projection_layout")
        if found > schema.SCHEMA_VERSION:
            raise LedgerError(
                f"the ledger at {where} was written by a newer version (schema {found}, this version knows "
                f"{schema.SCHEMA_VERSION}); open it with that version, it is left as it is"
            )
        if found < schema.SCHEMA_VERSION or layout != schema.projection_layout():
            self._remake_projections(where, migrate=migrate)

    def _remake_projections(self, where: object, *, migrate: bool) -> None:
        if not migrate:
            raise LedgerError(older_version(where))
        with self.transaction() as tx:
            schema.remake_projections(tx.connection)
            tx.connection.execute(
                update(schema.meta).where(schema.meta.c.key == "projection_layout"),
                {"value": schema.projection_layout()},
            )

    def _create(self) -> None:
        with self.transaction() as tx:
            if tx.is_present():  # another process was first
                return
            schema.metadata.create_all(tx.connection, checkfirst=False)
            facts = {
                "schema_version": str(schema.SCHEMA_VERSION),
                "ledger_id": str(uuid.uuid4()),
                "created_at": iso_text(self._clock(), "clock of the ledger"),
                "projection_layout": schema.projection_layout(),
            }
            tx.connection.execute(
                insert(schema.meta), [{"key": key, "value": value} for key, value in facts.items()]
            )


def _is_there(file: Path) -> bool:
    try:
        return file.exists()
    except PermissionError:
        raise LedgerError(f"the ledger at {file} cannot be reached: no permission for its folder") from None
