"""The planned procedures that stand in the ledger, and those that were taken back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from threading import Lock

from dosetrack.ledger import LedgerReader
from dosetrack.records.entries import DataDeleted, Entry, ProcedureScheduled, Withdrawn

_KINDS = ("procedure-scheduled", "withdrawn", "data-deleted")


@dataclass(frozen=True, slots=True)
class Told:
    """A planned procedure as last told. withdrawn_at : when it was taken back, None while it stands."""

    entry_id: str
    procedure: ProcedureScheduled
    told_at: datetime
    withdrawn_at: datetime | None = None


class ScheduleIndex:
    """Follows the ledger, so that a long ledger is read once. Threads share it."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._position = 0
        self._by_key: dict[str, Told] = {}
        self._key_of: dict[str, str] = {}

    def all(self, reader: LedgerReader) -> dict[str, Told]:
        """Every planned procedure by its key, those taken back too, as of `reader` or later.

        Not for use after writes of the same transaction: it may still be undone.
        """
        with self._lock:
            position = reader.position()
            if position > self._position:
                for entry in reader.each_entry(after_seq=self._position, kinds=_KINDS):
                    self._take(entry)
                self._position = position
            return dict(self._by_key)

    def _take(self, entry: Entry) -> None:
        if isinstance(entry.payload, ProcedureScheduled):
            key = entry.payload.key
            self._by_key[key] = Told(entry.id, entry.payload, entry.recorded_at)
            self._key_of[entry.id] = key
        elif isinstance(entry.payload, Withdrawn) and entry.replaces in self._key_of:
            key = self._key_of[entry.replaces]
            told = self._by_key.get(key)
            if told is not None and told.entry_id == entry.replaces:
                self._by_key[key] = Told(told.entry_id, told.procedure, told.told_at, entry.recorded_at)
        elif isinstance(entry.payload, DataDeleted):
            for gone in entry.payload.entry_ids:
                gone_key = self._key_of.pop(gone, None)
                if gone_key is not None and self._by_key[gone_key].entry_id == gone:
                    del self._by_key[gone_key]
