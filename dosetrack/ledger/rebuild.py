"""Making the projections again from the entries, and proving that they come out the same."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from typing import Protocol

from sqlalchemy import Table, delete, insert, select, update

from dosetrack.ledger import schema
from dosetrack.ledger.ledger import Ledger
from dosetrack.ledger.query import LedgerReader
from dosetrack.ledger.transaction import Transaction, project_setting

_CASES_AT_A_TIME = 20


class Projector(Protocol):
    """Works out the projections of one case from its entries and originals, nothing else."""

    @property
    def version(self) -> int:
        """Raised whenever the same entries give other projections."""

    def project_case(self, tx: Transaction, case_id: str) -> None:
        """Put the reports, events and row of `case_id`; its projections were cleared before."""


def needs_rebuild(reader: LedgerReader, projector: Projector) -> bool:
    """Whether the projections come from another version of the projector, or were never made."""
    return reader.projection_version() != projector.version


def rebuild(
    ledger: Ledger, projector: Projector, *, progress: Callable[[int, int], None] | None = None
) -> int:
    """The number of cases projected again; records the projector's version at the end.

    A few cases per transaction, so that rooms go on recording meanwhile, and an interrupted
    rebuild is simply run again. `progress` is told (done, all).
    """
    with ledger.transaction() as tx:
        _rebuild_settings(tx)
        case_ids = tx.case_ids()
    for start in range(0, len(case_ids), _CASES_AT_A_TIME):
        part = case_ids[start : start + _CASES_AT_A_TIME]
        with ledger.transaction() as tx:
            for case_id in part:
                tx.clear_case(case_id)
                projector.project_case(tx, case_id)
        if progress is not None:
            progress(start + len(part), len(case_ids))
    with ledger.transaction() as tx:
        _drop_strays(tx)
        record_projection_version(tx, projector.version)
    return len(case_ids)


def projection_digest(reader: LedgerReader) -> str:
    """SHA-256 over every row of every projection, in a fixed order: equal means the same."""
    digest = hashlib.sha256()
    for table in schema.PROJECTIONS:
        digest.update(f"{table.name}\n".encode())
        _add_rows(digest.update, reader, table)
    return digest.hexdigest()


def record_projection_version(tx: Transaction, version: int) -> None:
    """Note which version of the projector the projections come from."""
    held = schema.projection.c
    changed = tx.connection.execute(
        update(schema.projection).where(held.name == "case"), {"version": version}
    )
    if changed.rowcount == 0:
        tx.connection.execute(insert(schema.projection), {"name": "case", "version": version})


def _add_rows(add: Callable[[bytes], object], reader: LedgerReader, table: Table) -> None:
    query = select(table).order_by(*table.primary_key.columns).execution_options(yield_per=2000)
    for row in reader.connection.execute(query):
        add(json.dumps(list(row), ensure_ascii=False, separators=(",", ":")).encode())
        add(b"\n")


def _rebuild_settings(tx: Transaction) -> None:
    tx.connection.execute(delete(schema.setting))
    for entry in tx.each_entry():
        project_setting(tx, entry)


def _drop_strays(tx: Transaction) -> None:
    """Drop projections of cases that no entry names."""
    named = select(schema.entry.c.case_id).where(schema.entry.c.case_id.is_not(None))
    for column in (schema.report.c.case_id, schema.case_total.c.id, schema.follow_up.c.case_id):
        strays = tx.connection.execute(select(column).where(column.not_in(named)).distinct())
        for case_id in strays.scalars().all():
            tx.clear_case(case_id)
