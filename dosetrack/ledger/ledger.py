"""The ledger: one database, opened once per process, used from many threads."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import datetime

from dosetrack.ledger.query import LedgerReader
from dosetrack.ledger.transaction import Transaction


class Ledger:
    """An open ledger. Threads share it; each block below takes a connection of its own.

    >>> with ledger.transaction() as tx:                       # doctest: +SKIP
    ...     entry = tx.append(NewEntry(...))
    ...     tx.put_case_total(...)
    >>> with ledger.reading() as read:                         # doctest: +SKIP
    ...     read.case_totals(from_day="2026-01-01")
    """

    @classmethod
    def open(cls, url: str, *, create: bool, clock: Callable[[], datetime]) -> Ledger:
        """The ledger at `url` (SQLAlchemy URL, 'sqlite:////path/ledger.sqlite').

        Parameters
        ----------
        create : make the ledger (and the folder of its file) when it is missing
        clock : tells `recorded_at`; must give a time with an offset

        Raises
        ------
        LedgerMissingError
            There is none and `create` is False.
        LedgerError
            It was made by a newer version, is no ledger, or cannot be reached.
        """
        raise NotImplementedError

    def transaction(self) -> AbstractContextManager[Transaction]:
        """The writing transaction; waits for any other writer. An exception leaves nothing behind."""
        raise NotImplementedError

    def reading(self) -> AbstractContextManager[LedgerReader]:
        """A reader that sees one moment of the ledger and never waits for a writer (SQLite)."""
        raise NotImplementedError

    def position(self) -> int:
        """The last `seq`; for polling."""
        raise NotImplementedError

    def close(self) -> None:
        """Close every connection. The ledger can't be used afterwards."""
        raise NotImplementedError
