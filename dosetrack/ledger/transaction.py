"""Writing the ledger: entries, original bytes and projections in one transaction."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from dosetrack.ledger.query import LedgerReader
from dosetrack.ledger.rows import CaseTotalRow, StoredEvent
from dosetrack.records.entries import Entry, NewEntry
from dosetrack.records.people import Actor
from dosetrack.records.report import DoseReport


@dataclass(frozen=True, slots=True)
class PackedOriginal:
    """Bytes compressed ahead of the transaction, for instance in another process.

    packed : zlib stream
    size : of the original bytes [byte]
    """

    sha256: str
    packed: bytes
    size: int


def pack_original(data: bytes) -> PackedOriginal:
    """`data` compressed and digested, ready for `Transaction.hold_original`."""
    raise NotImplementedError


class Transaction(LedgerReader):
    """The one writing transaction. All of it is kept when the `with` block ends, or none of it."""

    def append(self, new: NewEntry) -> Entry:
        """The entry as recorded, bound to the one before it.

        Raises
        ------
        InputError
            `happened_at` without an offset, or text that cannot be stored.
        LedgerError
            `replaces` names no entry.
        """
        raise NotImplementedError

    def hold_original(self, data: bytes | PackedOriginal, file: str) -> str:
        """The SHA-256 of the bytes, now held (once, however often they come)."""
        raise NotImplementedError

    def put_report(self, report: DoseReport, *, case_id: str, seq: int, is_counted: bool = True) -> None:
        """Put the header of `report` (all but its events) into a case; replaces an earlier one.

        seq : of the entry that brought the report
        """
        raise NotImplementedError

    def put_events(self, sha256: str, events: Iterable[StoredEvent]) -> None:
        """Put the events of a report already put, in file order; replaces earlier ones."""
        raise NotImplementedError

    def put_case_total(self, row: CaseTotalRow) -> None:
        """Put the row of a case; replaces an earlier one."""
        raise NotImplementedError

    def clear_case(self, case_id: str) -> None:
        """Drop the projections of a case: its reports, their events and its row."""
        raise NotImplementedError

    def delete_payloads(self, entry_ids: Iterable[str], *, actor: Actor, reason: str) -> Entry:
        """Delete what these entries say, for good, and append a 'data-deleted' entry that tells so.

        The entries stay with their digests, so the chain still holds. Original bytes named by a
        deleted payload, and by no other, go too. Projections of the cases touched are cleared:
        project these cases again in the same transaction.
        """
        raise NotImplementedError
