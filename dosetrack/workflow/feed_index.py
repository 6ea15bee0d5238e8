"""What stands of the entries about machines: grants, and what waits for a person's word."""

from __future__ import annotations

from threading import Lock

from dosetrack.ledger import Ledger
from dosetrack.records.entries import AccessGranted, DataDeleted, Entry, HeldForPerson

IS_OF_A_FEED = "/"
"""Stands in the ids of entries from machines ('grant/message') and in no other."""
_KINDS = ("access-granted", "held-for-person", "withdrawn", "data-deleted")


class FeedIndex:
    """Follows the ledger; each call sees every entry committed before it. Threads share it."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._lock = Lock()
        self._position = 0
        self._standing: dict[str, Entry] = {}

    def grants(self) -> tuple[Entry, ...]:
        """The grants in force, oldest first."""
        return tuple(e for e in self._caught_up() if isinstance(e.payload, AccessGranted))

    def held(self) -> tuple[Entry, ...]:
        """What waits for a person, oldest first."""
        return tuple(e for e in self._caught_up() if isinstance(e.payload, HeldForPerson))

    def _caught_up(self) -> tuple[Entry, ...]:
        with self._lock:
            with self._ledger.reading() as reader:
                position = reader.position()
                if position != self._position:
                    for entry in reader.each_entry(after_seq=self._position, kinds=_KINDS):
                        self._take(entry)
                    self._position = position
            return tuple(self._standing.values())

    def _take(self, entry: Entry) -> None:
        if isinstance(entry.payload, AccessGranted | HeldForPerson):
            self._standing[entry.id] = entry
        if isinstance(entry.payload, DataDeleted):
            for gone in entry.payload.entry_ids:
                self._standing.pop(gone, None)
        if entry.replaces is not None:
            self._standing.pop(entry.replaces, None)
