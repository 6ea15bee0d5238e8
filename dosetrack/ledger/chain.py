"""The digests that bind an entry to what it says and to the entry before it."""

from __future__ import annotations

import hashlib
import json

ENTRY_FORM = "entry-1"


def payload_digest(salt: bytes, body: str) -> str:
    """SHA-256 of salt and text. The salt keeps a deleted payload from being guessed by trying."""
    return hashlib.sha256(salt + body.encode("utf-8")).hexdigest()


def first_digest(ledger_id: str) -> str:
    """What stands as 'previous digest' in the first entry: the chain belongs to one ledger."""
    return hashlib.sha256(f"ledger {ledger_id}".encode()).hexdigest()


def entry_digest(
    *,
    seq: int,
    id: str,
    kind: str,
    case_id: str | None,
    happened_at: str,
    recorded_at: str,
    actor: str,
    role: str,
    is_claimed: int,
    reason: str | None,
    replaces: str | None,
    payload_digest: str,
    previous_digest: str,
) -> str:
    """SHA-256 over the entry's columns as stored: a compact JSON list in UTF-8, led by its form."""
    values = [
        ENTRY_FORM, seq, id, kind, case_id, happened_at, recorded_at, actor, role, is_claimed, reason,
        replaces, payload_digest, previous_digest,
    ]  # fmt: skip
    return hashlib.sha256(json.dumps(values, ensure_ascii=False, separators=(",", ":")).encode()).hexdigest()
