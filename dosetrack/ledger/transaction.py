"""Writing the ledger: entries, original bytes and projections in one transaction."""

from __future__ import annotations

import hashlib
import secrets
import uuid
import zlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import Connection, Dialect, bindparam, delete, insert, or_, select, update

from dosetrack.errors import InputError, LedgerError
from dosetrack.ledger import schema
from dosetrack.ledger.chain import entry_digest, first_digest, payload_digest
from dosetrack.ledger.codec import kind_of, to_json
from dosetrack.ledger.convert import (
    EVENT_KEYS,
    case_row,
    event_row,
    follow_up_row,
    iso_text,
    report_columns,
)
from dosetrack.ledger.query import LedgerReader
from dosetrack.ledger.rows import CaseTotalRow, FollowUpRow, StoredEvent
from dosetrack.records.entries import (
    DataDeleted,
    Entry,
    FileQuarantined,
    NewEntry,
    ReportReceived,
    SettingChanged,
    TableReceived,
)
from dosetrack.records.people import Actor
from dosetrack.records.report import DoseReport

_SALT_BYTES = 16
_LEVEL = 3  # of zlib: a report is long text of few words, higher levels take longer for little
_HEAD = select(schema.entry.c.seq, schema.entry.c.digest).order_by(schema.entry.c.seq.desc()).limit(1)
_EVENT_INSERT = insert(schema.event_table)
_DECIDED = (
    select(schema.event_table.c.report_seq, schema.event_table.c.is_counted, schema.event_table.c.instant_utc)
    .join_from(schema.event_table, schema.report)
    .order_by(schema.event_table.c.ordinal)
)
_DECIDE = (
    update(schema.event_table)
    .where(
        schema.event_table.c.report_seq == bindparam("seq"), schema.event_table.c.ordinal == bindparam("at")
    )
    .values(is_counted=bindparam("counts"), instant_utc=bindparam("instant"))
)
NAMES_ORIGINAL = ("report-received", "file-quarantined", "table-received")
NAMING_ORIGINAL = (ReportReceived, FileQuarantined, TableReceived)
"""Kinds, and classes, of the payloads whose `sha256` is that of an original."""


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
    return PackedOriginal(hashlib.sha256(data).hexdigest(), zlib.compress(data, _LEVEL), len(data))


class Transaction(LedgerReader):
    """The one writing transaction. All of it is kept when the `with` block ends, or none of it.

    appended : the entries appended so far, in order
    folded : for the projector: what it made of a case last, so that it is not made again
    """

    def __init__(self, connection: Connection, *, clock: Callable[[], datetime]) -> None:
        super().__init__(connection)
        self._clock = clock
        self._head: tuple[int, str] | None = None
        self.has_deleted = False
        self.is_looked_through = False
        self.appended: list[Entry] = []
        self.folded: dict[str, Any] = {}

    # entries -------------------------------------------------------------------------------

    def append(self, new: NewEntry) -> Entry:
        """The entry as recorded, bound to the one before it; an entry of the same id stands as it is.

        Raises
        ------
        InputError
            `happened_at` without an offset, or text that cannot be stored.
        LedgerError
            `replaces` names no entry.
        """
        if new.id is not None:
            _check_text("id", new.id)
            recorded = self.entry(new.id)
            if recorded is not None:
                return recorded
        happened_at = iso_text(new.happened_at, "time of the entry")
        body, salt = to_json(new.payload), secrets.token_bytes(_SALT_BYTES)
        for field, text in (("actor", new.actor.name), ("reason", new.reason), ("case", new.case)):
            _check_text(field, text)
        if new.replaces is not None and self._seq_of(new.replaces) is None:
            raise LedgerError(f"the entry to be replaced, {new.replaces}, is not in the ledger")
        last_seq, last_digest = self._head or self._read_head()
        columns: dict[str, Any] = {
            "seq": last_seq + 1,
            "id": new.id or str(uuid.uuid4()),
            "kind": kind_of(new.payload),
            "case_id": new.case,
            "happened_at": happened_at,
            "recorded_at": iso_text(self._clock(), "clock of the ledger"),
            "actor": new.actor.name,
            "role": new.actor.role.value,
            "is_claimed": int(new.actor.is_claimed),
            "reason": new.reason,
            "replaces": new.replaces,
            "payload_digest": payload_digest(salt, body),
            "previous_digest": last_digest,
        }
        columns["digest"] = entry_digest(**columns)
        self.connection.execute(insert(schema.entry), columns)
        self.connection.execute(insert(schema.payload), {"seq": columns["seq"], "salt": salt, "body": body})
        entry = _entry(columns, new)
        self._head = (entry.seq, entry.digest)
        project_setting(self, entry)
        self.appended.append(entry)
        return entry

    def forget_settings(self) -> None:
        """The history of settings is read again when it is asked for."""
        self._settings = None

    def _read_head(self) -> tuple[int, str]:
        row = self.connection.execute(_HEAD).one_or_none()
        if row is not None:
            return row[0], row[1]
        ledger_id = self.meta("ledger_id")
        if ledger_id is None:
            raise LedgerError("the ledger has lost its own id; restore it from a backup")
        return 0, first_digest(ledger_id)

    def _seq_of(self, entry_id: str) -> int | None:
        query = select(schema.entry.c.seq).where(schema.entry.c.id == entry_id)
        return self.connection.execute(query).scalar_one_or_none()

    # original bytes ------------------------------------------------------------------------

    def hold_original(self, data: bytes | PackedOriginal, file: str) -> str:
        """The SHA-256 of the bytes, now held (once, however often they come)."""
        sha256 = data.sha256 if isinstance(data, PackedOriginal) else hashlib.sha256(data).hexdigest()
        if not self.holds_original(sha256):
            kept = data if isinstance(data, PackedOriginal) else pack_original(data)
            _check_text("file", file)
            self.connection.execute(
                insert(schema.original),
                {
                    "sha256": sha256,
                    "packed": kept.packed,
                    "size": kept.size,
                    "file": file,
                    "received_at": iso_text(self._clock(), "clock of the ledger"),
                },
            )
        return sha256

    # projections ---------------------------------------------------------------------------

    def put_report(self, report: DoseReport, *, case_id: str, seq: int, is_counted: bool = True) -> None:
        """Put the header of `report` (all but its events) into a case; replaces an earlier one.

        seq : of the entry that brought the report. Its events stay when the same seq is put again.
        """
        header = to_json(replace(report, events=()))
        columns = report_columns(report, case_id=case_id, is_counted=is_counted, header=header)
        held = schema.report.c
        present = self.connection.execute(select(held.seq).where(held.sha256 == report.sha256)).scalar()
        if present == seq:
            self.connection.execute(update(schema.report).where(held.seq == seq), columns)
            return
        if present is not None:
            self._delete_report(present)
        self.connection.execute(insert(schema.report), columns | {"seq": seq, "events": 0})

    def put_events(self, sha256: str, events: Iterable[StoredEvent]) -> None:
        """Put the events of a report already put, in file order; replaces earlier ones."""
        held = schema.report.c
        row = self.connection.execute(
            select(held.seq, held.events).where(held.sha256 == sha256)
        ).one_or_none()
        if row is None:
            raise LedgerError(f"no report {sha256} stands in the ledger; put it before its events")
        if row.events:
            self._delete_events(row.seq)
        rows = [
            event_row(stored, report_seq=row.seq, ordinal=ordinal) for ordinal, stored in enumerate(events)
        ]
        if rows:
            self._insert_events(rows)
        self.connection.execute(update(schema.report).where(held.seq == row.seq), {"events": len(rows)})

    def settle_events(self, sha256: str, events: Sequence[StoredEvent]) -> None:
        """Note what is decided about events already put, in file order; only what changed is written."""
        rows = self.connection.execute(_DECIDED.where(schema.report.c.sha256 == sha256)).all()
        if len(rows) != len(events):
            self.put_events(sha256, events)
            return
        changed = [
            {"seq": row[0], "at": ordinal, "counts": int(now.is_counted), "instant": now.instant_utc}
            for ordinal, (row, now) in enumerate(zip(rows, events, strict=True))
            if row[1] != now.is_counted or row[2] != now.instant_utc
        ]
        if changed:
            self.connection.execute(_DECIDE, changed)

    def _insert_events(self, rows: list[tuple[Any, ...]]) -> None:
        # Straight to the driver where it takes values by position: twice as fast for many rows.
        statement = _event_insert_by_position(self.connection.dialect)
        if statement is not None:
            self.connection.exec_driver_sql(statement, rows)
        else:
            self.connection.execute(_EVENT_INSERT, [dict(zip(EVENT_KEYS, row, strict=True)) for row in rows])

    def put_case_total(self, row: CaseTotalRow) -> None:
        """Put the row of a case; replaces an earlier one."""
        columns = case_row(row)
        case = schema.case_total.c
        changed = self.connection.execute(update(schema.case_total).where(case.id == row.id), columns)
        if changed.rowcount == 0:
            self.connection.execute(insert(schema.case_total), columns)

    def put_follow_up(self, case_id: str, rows: Sequence[FollowUpRow]) -> None:
        """Put the follow-up items of a case; they take the place of all it had."""
        self.connection.execute(delete(schema.follow_up).where(schema.follow_up.c.case_id == case_id))
        if rows:
            self.connection.execute(insert(schema.follow_up), [follow_up_row(row) for row in rows])

    def keep_skin_result(self, case_id: str, body: str, *, made_from: str) -> None:
        """Keep the result of a case's skin map; it takes the place of an earlier one."""
        kept = schema.skin_result
        self.connection.execute(delete(kept).where(kept.c.case_id == case_id))
        self.connection.execute(insert(kept), {"case_id": case_id, "made_from": made_from, "body": body})

    def clear_case(self, case_id: str) -> None:
        """Drop the projections of a case: reports, events, its row, its follow-up and its skin result."""
        kept = schema.skin_result.c.case_id
        of_case = or_(kept == case_id, kept.startswith(f"{case_id}+", autoescape=True))
        self.connection.execute(delete(schema.skin_result).where(of_case))
        self.connection.execute(delete(schema.follow_up).where(schema.follow_up.c.case_id == case_id))
        held = schema.report.c
        for seq in self.connection.execute(select(held.seq).where(held.case_id == case_id)).scalars().all():
            self._delete_report(seq)
        self.connection.execute(delete(schema.case_total).where(schema.case_total.c.id == case_id))

    def _delete_report(self, seq: int) -> None:
        self._delete_events(seq)
        self.connection.execute(delete(schema.report).where(schema.report.c.seq == seq))

    def _delete_events(self, seq: int) -> None:
        self.connection.execute(delete(schema.event_table).where(schema.event_table.c.report_seq == seq))

    # deletion ------------------------------------------------------------------------------

    def delete_payloads(self, entry_ids: Iterable[str], *, actor: Actor, reason: str) -> Entry:
        """Delete what these entries say, for good, and append a 'data-deleted' entry that tells so.

        The entries stay with their digests, so the chain still holds. Original bytes named by a
        deleted payload, and by no other, go too. Projections of the cases touched are cleared:
        project these cases again in the same transaction.
        """
        doomed = self._doomed(dict.fromkeys(entry_ids))
        cases = {entry.case for entry in doomed if entry.case is not None}
        seqs = [entry.seq for entry in doomed]
        for case_id in cases | self._cases_holding(seqs):
            self.clear_case(case_id)
        for seq in seqs:
            self.connection.execute(delete(schema.setting).where(schema.setting.c.seq == seq))
            self.connection.execute(delete(schema.payload).where(schema.payload.c.seq == seq))
        for sha256 in _originals_named(doomed) - self._originals_still_named():
            self.connection.execute(delete(schema.original).where(schema.original.c.sha256 == sha256))
        self.has_deleted = True
        self.forget_settings()
        return self.append(
            NewEntry(
                payload=DataDeleted(entry_ids=tuple(entry.id for entry in doomed)),
                actor=actor,
                happened_at=self._clock(),
                case=cases.pop() if len(cases) == 1 else None,
                reason=reason,
            )
        )

    def _doomed(self, entry_ids: Iterable[str]) -> list[Entry]:
        doomed: list[Entry] = []
        for entry_id in entry_ids:
            found = self.entry(entry_id)
            if found is None:
                raise LedgerError(f"the entry {entry_id} is not in the ledger; nothing was deleted")
            if found.kind == kind_of(DataDeleted(entry_ids=())):
                raise LedgerError(f"entry {found.seq} records a deletion and must stay; nothing was deleted")
            doomed.append(found)
        return doomed

    def _cases_holding(self, seqs: Iterable[int]) -> set[str]:
        """Cases into which reports that these entries brought were put, perhaps moved."""
        held = schema.report.c
        found = (
            self.connection.execute(select(held.case_id).where(held.seq == seq)).scalar() for seq in seqs
        )
        return {case_id for case_id in found if case_id is not None}

    def _originals_still_named(self) -> set[str]:
        return _originals_named(self.each_entry(kinds=NAMES_ORIGINAL))


@cache
def _event_insert_by_position(dialect: Dialect) -> str | None:
    compiled = _EVENT_INSERT.compile(dialect=dialect, column_keys=list(EVENT_KEYS))
    return str(compiled) if compiled.positional and compiled.positiontup == list(EVENT_KEYS) else None


def project_setting(tx: Transaction, entry: Entry) -> None:
    """Keep the history of settings in step with one entry."""
    if isinstance(entry.payload, SettingChanged) or entry.replaces is not None:
        tx.forget_settings()
    if isinstance(entry.payload, SettingChanged):
        change = entry.payload
        tx.connection.execute(
            insert(schema.setting),
            {
                "seq": entry.seq,
                "key": change.key,
                "scope": change.scope,
                "value": change.value,
                "valid_from": change.valid_from,
                "source": change.source,
                "replaced_by": None,
            },
        )
    if entry.replaces is not None:
        replaced = select(schema.entry.c.seq).where(schema.entry.c.id == entry.replaces).scalar_subquery()
        tx.connection.execute(
            update(schema.setting).where(schema.setting.c.seq == replaced), {"replaced_by": entry.seq}
        )


def _originals_named(entries: Iterable[Entry]) -> set[str]:
    payloads = (entry.payload for entry in entries)
    return {payload.sha256 for payload in payloads if isinstance(payload, NAMING_ORIGINAL)}


def _entry(columns: dict[str, Any], new: NewEntry) -> Entry:
    return Entry(
        seq=columns["seq"],
        id=columns["id"],
        kind=columns["kind"],
        case=new.case,
        happened_at=datetime.fromisoformat(columns["happened_at"]),
        recorded_at=datetime.fromisoformat(columns["recorded_at"]),
        actor=new.actor,
        reason=new.reason,
        replaces=new.replaces,
        payload=new.payload,
        payload_digest=columns["payload_digest"],
        previous_digest=columns["previous_digest"],
        digest=columns["digest"],
    )


def _check_text(field: str, text: str | None) -> None:
    if text is not None:
        try:
            text.encode("utf-8")
        except UnicodeEncodeError:
            raise InputError(field=field, given=text, accepted="whole Unicode characters") from None
