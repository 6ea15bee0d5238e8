"""Proving that nothing in the ledger was altered."""

from __future__ import annotations

from dataclasses import dataclass

from dosetrack.ledger.query import LedgerReader


@dataclass(frozen=True, slots=True)
class Anchor:
    """A point of the chain noted outside the ledger (on paper, in an audit pack)."""

    seq: int
    digest: str


@dataclass(frozen=True, slots=True)
class ChainBreak:
    """The first place where the chain does not hold. seq : of the entry, 0 if none is meant."""

    seq: int
    reason: str


@dataclass(frozen=True, slots=True)
class ChainReport:
    """What verification found.

    entries, originals : how many were checked
    deleted_payloads : entries whose content was deleted on purpose
    head : last entry that holds; note it outside the ledger to detect a cut tail later
    first_break : None when all holds
    """

    entries: int
    originals: int
    deleted_payloads: int
    head: Anchor | None
    first_break: ChainBreak | None

    def require_whole(self) -> None:
        """Raise `ChainBrokenError` when there is a break."""
        raise NotImplementedError


def verify_chain(reader: LedgerReader, *, anchor: Anchor | None = None) -> ChainReport:
    """Walk all entries, payloads and originals; the first break is named by its `seq`."""
    raise NotImplementedError
