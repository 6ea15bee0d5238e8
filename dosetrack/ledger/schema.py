"""The tables of the ledger, for SQLite (STRICT) and PostgreSQL.

    meta        what this ledger is: schema version, its own id, when it was made
    entry       the chain: who did what when, and the digests
    payload     what an entry says, salted, apart so that it can be deleted
    original    bytes of received files, compressed, by SHA-256
    report, event, case_total, follow_up, setting      projections
    skin_result results of long calculations, with what they were made from
    projection  which version of the projector made them

The columns of `event` and `case_total` are generated from the fields of their records. When these
change, the projections of an older ledger are dropped and made again; entries never change shape
without a new SCHEMA_VERSION.
"""

from __future__ import annotations

import hashlib
from dataclasses import fields
from typing import Any, get_args, get_type_hints

from sqlalchemy import (
    DDL,
    REAL,
    BigInteger,
    Column,
    Connection,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    event,
    inspect,
)
from sqlalchemy.schema import SchemaItem
from sqlalchemy.types import TypeEngine

from dosetrack.ledger.rows import CaseTotalRow, FollowUpRow
from dosetrack.records.report import IrradiationEvent

SCHEMA_VERSION = 1

_INTEGER: TypeEngine[Any] = BigInteger().with_variant(Integer(), "sqlite")
_REAL: TypeEngine[Any] = Double().with_variant(REAL(), "sqlite")
metadata = MetaData()


def _column_type(hint: Any) -> TypeEngine[Any]:
    kinds = {kind for kind in (get_args(hint) or (hint,)) if kind is not type(None)}
    if kinds == {float}:
        return _REAL
    if kinds <= {int, bool}:
        return _INTEGER
    return Text()  # text, a closed set of words, or JSON


def _columns(record: type, *, primary: str = "", required: tuple[str, ...] = ()) -> list[Column[Any]]:
    hints = get_type_hints(record)
    return [
        Column(
            field.name,
            _column_type(hints[field.name]),
            primary_key=field.name == primary,
            nullable=field.name not in (primary, *required),
        )
        for field in fields(record)
    ]


def _table(name: str, *columns: SchemaItem, with_rowid: bool = True) -> Table:
    return Table(name, metadata, *columns, sqlite_strict=True, sqlite_with_rowid=with_rowid)


def _required(name: str, kind: TypeEngine[Any], *arguments: Any, primary: bool = False) -> Column[Any]:
    return Column(name, kind, *arguments, nullable=False, primary_key=primary, autoincrement=False)


meta = _table("meta", _required("key", Text(), primary=True), _required("value", Text()))

entry = _table(
    "entry",
    _required("seq", _INTEGER, primary=True),
    Column("id", Text(), nullable=False, unique=True),
    _required("kind", Text()),
    Column("case_id", Text()),
    _required("happened_at", Text()),
    _required("recorded_at", Text()),
    _required("actor", Text()),
    _required("role", Text()),
    _required("is_claimed", _INTEGER),
    Column("reason", Text()),
    Column("replaces", Text(), ForeignKey("entry.id")),
    _required("payload_digest", Text()),
    _required("previous_digest", Text()),
    _required("digest", Text()),
)

payload = _table(
    "payload",
    _required("seq", _INTEGER, ForeignKey("entry.seq"), primary=True),
    _required("salt", LargeBinary()),
    _required("body", Text()),
)

original = _table(
    "original",
    _required("sha256", Text(), primary=True),
    _required("packed", LargeBinary()),
    _required("size", _INTEGER),
    _required("file", Text()),
    _required("received_at", Text()),
)

# `seq` (of the entry that brought the report) is the key that `event` repeats in every row:
# short, and growing, so that events are written at the end of their tree.
report = _table(
    "report",
    _required("seq", _INTEGER, ForeignKey("entry.seq"), primary=True),
    Column("sha256", Text(), nullable=False, unique=True),
    _required("case_id", Text()),
    _required("file", Text()),
    _required("source", Text()),
    Column("sop_instance_uid", Text()),
    Column("study_instance_uid", Text()),
    Column("accession_number", Text()),
    Column("patient_id", Text()),
    Column("patient_issuer", Text()),
    Column("station", Text()),
    Column("completion", Text()),
    Column("started_at", Text()),
    _required("is_counted", _INTEGER),
    _required("events", _INTEGER),
    _required("header", Text()),
)

event_table = _table(
    "event",
    _required("report_seq", _INTEGER, ForeignKey("report.seq"), primary=True),
    _required("ordinal", _INTEGER, primary=True),
    _required("is_counted", _INTEGER),
    Column("instant_utc", Text()),
    *_columns(IrradiationEvent, required=("filters",)),
    with_rowid=False,
)

case_total = _table(
    "case_total",
    *_columns(
        CaseTotalRow,
        primary="id",
        required=("state", "operators", "reports", "events", "by_plane", "findings"),
    ),
)

follow_up = _table(
    "follow_up",
    *_columns(
        FollowUpRow, required=("case_id", "kind", "state", "is_open", "is_urgent", "unreached", "body")
    ),
    PrimaryKeyConstraint("case_id", "kind"),
)

setting = _table(
    "setting",
    _required("seq", _INTEGER, ForeignKey("entry.seq"), primary=True),
    _required("key", Text()),
    _required("scope", Text()),
    _required("value", Text()),
    _required("valid_from", Text()),
    Column("source", Text()),
    Column("replaced_by", _INTEGER),
)

projection = _table("projection", _required("name", Text(), primary=True), _required("version", _INTEGER))

PROJECTIONS = (report, event_table, case_total, follow_up, setting)

# Long calculations, kept so that they need not be made again. `made_from` is a digest of all that
# went in: where it differs from what would go in now, the row counts for nothing.
skin_result = _table(
    "skin_result",
    _required("case_id", Text(), primary=True),
    _required("made_from", Text()),
    _required("body", Text()),
)
_MADE_AGAIN = (*PROJECTIONS, skin_result)

Index("entry_by_case", entry.c.case_id, entry.c.seq)
Index("report_by_case", report.c.case_id, report.c.seq)
Index("report_by_sop_instance", report.c.sop_instance_uid)
Index("report_by_study", report.c.study_instance_uid)
Index("report_by_accession", report.c.accession_number)
Index("report_by_patient", report.c.patient_id)
Index("event_by_uid", event_table.c.uid, event_table.c.plane)
Index("follow_up_open", follow_up.c.is_open, follow_up.c.next_due)
Index("follow_up_by_patient", follow_up.c.patient_id)
Index("follow_up_by_day", follow_up.c.day)
Index("case_total_by_day", case_total.c.day)
Index("case_total_by_state", case_total.c.state)
Index("case_total_by_patient", case_total.c.patient_id)
Index("case_total_by_accession", case_total.c.accession_number)

# What is meant never to change cannot be changed by mistake. Intent is what the digests are for.
_FIXED = {"entry": ("UPDATE", "DELETE"), "payload": ("UPDATE",), "original": ("UPDATE",)}
for _name, _actions in _FIXED.items():
    for _action in _actions:
        event.listen(
            metadata.tables[_name],
            "after_create",
            DDL(  # type: ignore[no-untyped-call]
                f"CREATE TRIGGER {_name}_no_{_action.lower()} BEFORE {_action} ON {_name} "
                f"BEGIN SELECT RAISE(ABORT, 'the ledger only grows'); END"
            ).execute_if(dialect="sqlite"),
        )


def projection_layout() -> str:
    """A digest of the projections' tables and columns, to tell whether a ledger has the same."""
    columns = [
        f"{table.name}.{column.name} {column.type!r}" for table in _MADE_AGAIN for column in table.columns
    ]
    return hashlib.sha256("\n".join(columns).encode()).hexdigest()


def remake_projections(connection: Connection) -> None:
    """Drop the projections and make their tables anew, empty, marked as never rebuilt."""
    metadata.drop_all(connection, tables=_MADE_AGAIN)
    metadata.create_all(connection, tables=_MADE_AGAIN, checkfirst=False)
    connection.execute(projection.delete())


def has_ledger(connection: Connection) -> bool:
    """Whether the database holds a ledger."""
    return inspect(connection).has_table(meta.name)


def is_empty(connection: Connection) -> bool:
    """Whether the database holds no table at all."""
    return not inspect(connection).get_table_names()
