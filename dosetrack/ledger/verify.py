"""Proving that nothing in the ledger was altered."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Row, select

from dosetrack.errors import ChainBrokenError, InputError, LedgerError
from dosetrack.ledger import schema
from dosetrack.ledger.chain import entry_digest, first_digest, payload_digest
from dosetrack.ledger.codec import payload_from_json
from dosetrack.ledger.query import PAGE, LedgerReader
from dosetrack.ledger.transaction import NAMES_ORIGINAL, NAMING_ORIGINAL
from dosetrack.records.entries import DataDeleted

_ENTRY_COLUMNS = tuple(column.name for column in schema.entry.columns if column.name != "digest")
_DIGEST = re.compile("[0-9a-f]{64}")
_PLAIN_KINDS = ("data-deleted", *NAMES_ORIGINAL)  # read by verification
_ROWS = (
    select(schema.entry, schema.payload.c.salt, schema.payload.c.body)
    .outerjoin_from(schema.entry, schema.payload)
    .order_by(schema.entry.c.seq)
    .limit(PAGE)
)


@dataclass(frozen=True, slots=True)
class Anchor:
    """A point of the chain noted outside the ledger (on paper, in an audit pack)."""

    seq: int
    digest: str

    @classmethod
    def from_text(cls, text: str) -> Anchor:
        """The anchor noted as '12:9f86d0...'; InputError when it is none."""
        seq, _, digest = text.strip().partition(":")
        digest = digest.strip().lower()
        if not (seq.isascii() and seq.isdigit() and int(seq) and _DIGEST.fullmatch(digest)):
            accepted = "the number of an entry, a colon and its digest of 64 hexadecimal digits"
            raise InputError(field="anchor", given=text, accepted=accepted)
        return cls(int(seq), digest)

    def __str__(self) -> str:
        return f"{self.seq}:{self.digest}"


@dataclass(frozen=True, slots=True)
class ChainBreak:
    """The first place where the chain does not hold. seq : of the entry concerned."""

    seq: int
    reason: str


@dataclass(frozen=True, slots=True)
class ChainReport:
    """What verification found.

    entries, originals : how many were checked
    deleted_payloads : entries whose content was deleted on purpose
    head : last entry that holds; note it outside the ledger to detect a cut or remade chain later
    first_break : None when all holds
    """

    entries: int
    originals: int
    deleted_payloads: int
    head: Anchor | None
    first_break: ChainBreak | None

    def require_whole(self) -> None:
        """Raise `ChainBrokenError` when there is a break."""
        if self.first_break is not None:
            raise ChainBrokenError(f"entry {self.first_break.seq}: {self.first_break.reason}")


@dataclass(slots=True)
class _Walk:
    """What has been seen of the chain so far."""

    seq: int
    digest: str
    entries: int = 0
    absent: dict[str, int] = field(default_factory=dict)  # entry id -> seq, payload not there
    deleted: set[str] = field(default_factory=set)  # entry ids that a deletion names
    originals: dict[str, int] = field(default_factory=dict)  # digest -> seq of the first to name it


def verify_chain(reader: LedgerReader, *, anchor: Anchor | None = None) -> ChainReport:
    """Walk all entries, payloads and originals; the first break is named by its `seq`.

    Parameters
    ----------
    anchor : head of an earlier verification; the chain must still pass through it. Without one,
        a cut tail or a chain remade from some entry on cannot be told.
    """
    walk = _Walk(seq=0, digest=first_digest(reader.meta("ledger_id") or ""))
    breaks = [found for found in (_walk_entries(reader, walk, anchor),) if found]
    for entry_id, seq in walk.absent.items():
        if not breaks and entry_id not in walk.deleted:
            breaks.append(ChainBreak(seq, "what it said is gone, and no entry tells of a deletion"))
    checked = 0
    for sha256, seq in walk.originals.items():
        reason = _original_fault(reader, sha256)
        checked += 1
        if reason:
            breaks.append(ChainBreak(seq, reason))
    return ChainReport(
        entries=walk.entries,
        originals=checked,
        deleted_payloads=len(walk.absent),
        head=Anchor(walk.seq, walk.digest) if walk.entries else None,
        first_break=min(breaks, key=lambda found: found.seq, default=None),
    )


def _walk_entries(reader: LedgerReader, walk: _Walk, anchor: Anchor | None) -> ChainBreak | None:
    for row in _rows(reader):
        reason = _entry_fault(row, walk)
        if reason is None and anchor is not None and anchor.seq == row.seq and anchor.digest != row.digest:
            reason = "it is not the entry noted when the ledger was last verified"
        if reason is not None:
            return ChainBreak(row.seq, reason)
        walk.seq, walk.digest = row.seq, row.digest
        walk.entries += 1
        _note_payload(row, walk)
    if anchor is not None and anchor.seq > walk.seq:
        return ChainBreak(walk.seq + 1, f"the ledger ends before it, but once reached entry {anchor.seq}")
    return None


def _rows(reader: LedgerReader) -> Iterator[Row[Any]]:
    last = 0
    while page := reader.connection.execute(_ROWS.where(schema.entry.c.seq > last)).all():
        yield from page
        last = page[-1].seq


def _entry_fault(row: Row[Any], walk: _Walk) -> str | None:
    if row.seq != walk.seq + 1:
        return f"it follows entry {walk.seq}; the entries between are missing"
    if row.previous_digest != walk.digest:
        return "it does not follow from the entry before it"
    if row.digest != entry_digest(**{name: getattr(row, name) for name in _ENTRY_COLUMNS}):
        return "it was altered: its digest is another"
    if row.body is not None and payload_digest(row.salt, row.body) != row.payload_digest:
        return "what it says was altered: the digest is another"
    return None


def _note_payload(row: Row[Any], walk: _Walk) -> None:
    if row.body is None:
        walk.absent[row.id] = row.seq
    elif row.kind in _PLAIN_KINDS:
        said = payload_from_json(row.kind, row.body)
        if isinstance(said, DataDeleted):
            walk.deleted.update(said.entry_ids)
        elif isinstance(said, NAMING_ORIGINAL):
            walk.originals.setdefault(said.sha256, row.seq)


def _original_fault(reader: LedgerReader, sha256: str) -> str | None:
    try:
        reader.original(sha256)
    except LedgerError as error:
        return str(error)
    return None
