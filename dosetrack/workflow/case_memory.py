"""What is held of cases that are asked for again and again while they run, and when it no longer holds.

A running case grows by an entry at its end. Entries never change, and each is bound to the one before it by
its digest: what is held is the beginning of what stands in the ledger as long as its last entry still stands
there. A deletion takes content out of entries; after one, nothing that was held is used.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from threading import Lock

from dosetrack.cases import Case
from dosetrack.ledger import LedgerReader, Transaction
from dosetrack.records.entries import Entry
from dosetrack.workflow.last_used import LastUsed

_CASES_HELD = 32
"""More than the rooms of a large department. Four hours of a reading a second take about 20 MB."""


class CaseMemory:
    """The entries and the fold of the last cases asked for. Threads share it."""

    def __init__(self) -> None:
        self._entries: LastUsed[str, tuple[Entry, ...]] = LastUsed(_CASES_HELD)
        self._folded: LastUsed[str, tuple[Hashable, Case]] = LastUsed(_CASES_HELD)
        self._looked_to = 0
        self._lock = Lock()

    def entries(self, reader: LedgerReader, case_id: str) -> tuple[Entry, ...]:
        """The entries of a case in the order of the ledger, as `reader` sees them."""
        self._forget_if_deleted(reader)
        held = self._entries.get(case_id)
        if held:
            last = held[-1]
            since = reader.entries(case=case_id, after_seq=last.seq - 1)
            if since and since[0].digest == last.digest:
                if len(since) == 1:
                    return held
                found = (*held, *since[1:])
                self._entries.remember(case_id, found)
                return found
        found = reader.entries(case=case_id)
        self._entries.remember(case_id, found)
        return found

    def folded(
        self, case_id: str, entries: Sequence[Entry], others: Hashable, make: Callable[[], Case]
    ) -> Case:
        """The fold of `entries`, made again only when they or the `others` it depends on are not the same.

        entries : as `entries` gave them
        """
        key = (entries[-1].digest if entries else None, len(entries), others)
        held = self._folded.get(case_id)
        if held is not None and held[0] == key:
            return held[1]
        made = make()
        self._folded.remember(case_id, (key, made))
        return made

    def _forget_if_deleted(self, reader: LedgerReader) -> None:
        if isinstance(reader, Transaction) and reader.is_looked_through and not reader.has_deleted:
            return  # nobody else deletes while it writes
        with self._lock:
            if reader.entries(after_seq=self._looked_to, kinds=("data-deleted",), limit=1):
                self._entries, self._folded = LastUsed(_CASES_HELD), LastUsed(_CASES_HELD)
            if isinstance(reader, Transaction):  # what a transaction sees may yet be taken back
                reader.is_looked_through = True
            else:
                self._looked_to = max(self._looked_to, reader.position())
