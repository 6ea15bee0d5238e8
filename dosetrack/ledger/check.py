"""Whether the projections are what a rebuild would give; nothing in the ledger is changed.

Each case is projected anew into temporary tables that stand before the ledger's own of the same
name, and the rows are compared. At the end the temporary tables are gone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, MetaData, Row, Table, delete, func, select, text

from dosetrack.errors import LedgerError
from dosetrack.ledger import schema
from dosetrack.ledger.query import LedgerReader
from dosetrack.ledger.rebuild import Projector
from dosetrack.ledger.transaction import Transaction, project_setting

_OF_CASE = (schema.report, schema.event_table, schema.case_total, schema.follow_up)
_MOST_NAMED = 20


@dataclass(frozen=True, slots=True)
class ProjectionDifference:
    """Rows that a rebuild would give otherwise.

    case_id : of the case; None for settings, and for rows of cases that no entry names
    """

    table: str
    case_id: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class ProjectionReport:
    """What the comparison found.

    cases : how many were projected anew
    differences : how many tables of cases differ; `first` are the first of them
    """

    cases: int
    differences: int
    first: tuple[ProjectionDifference, ...]


def check_projections(
    reader: LedgerReader, projector: Projector, *, progress: Callable[[int, int], None] | None = None
) -> ProjectionReport:
    """Compare every projection with what a rebuild would give. `progress` is told (cases, all)."""
    connection = reader.connection
    kept = _kept_tables(connection)
    with connection.begin_nested() as scratch:
        for table in schema.PROJECTIONS:
            name = table.name
            connection.execute(text(f"CREATE TEMPORARY TABLE {name} AS SELECT * FROM {name} WHERE 1 = 0"))
        check = _Check(Transaction(connection, clock=_no_clock), projector, kept)
        check.settings()
        case_ids = reader.case_ids()
        for done, case_id in enumerate(case_ids, start=1):
            check.case(case_id)
            if progress is not None:
                progress(done, len(case_ids))
        check.strays()
        scratch.rollback()
    return ProjectionReport(len(case_ids), len(check.found), tuple(check.found[:_MOST_NAMED]))


def _kept_tables(connection: Connection) -> Mapping[str, Table]:
    """The ledger's own tables by their full name, which no temporary table hides."""
    where = (
        "main" if connection.dialect.name == "sqlite" else connection.execute(select(func.current_schema()))
    )
    place = where if isinstance(where, str) else str(where.scalar_one())
    return {table.name: table.to_metadata(MetaData(), schema=place) for table in schema.PROJECTIONS}


def _no_clock() -> datetime:
    raise LedgerError("a projection asked what time it is; it must come from the entries alone")


class _Check:
    def __init__(self, tx: Transaction, projector: Projector, kept: Mapping[str, Table]) -> None:
        self.found: list[ProjectionDifference] = []
        self._tx = tx
        self._projector = projector
        self._kept = kept
        self._rows = dict.fromkeys((table.name for table in schema.PROJECTIONS), 0)

    def settings(self) -> None:
        for entry in self._tx.each_entry():
            project_setting(self._tx, entry)
        name = schema.setting.name
        self._compare(name, None, self._all(schema.setting), self._all(self._kept[name]))

    def case(self, case_id: str) -> None:
        try:
            self._projector.project_case(self._tx, case_id)
        except LedgerError as error:  # an original that is gone or altered
            self.found.append(ProjectionDifference("report", case_id, f"cannot be made again: {error}"))
        for table in _OF_CASE:
            made = self._all(table)
            kept = self._all(self._kept[table.name], self._is_of(case_id, self._kept, table.name))
            self._compare(table.name, case_id, made, kept)
            self._tx.connection.execute(delete(table))

    def strays(self) -> None:
        for table in _OF_CASE:
            query = select(func.count()).select_from(self._kept[table.name])
            more = self._tx.connection.execute(query).scalar_one() - self._rows[table.name]
            if more:
                reason = f"{more} rows of cases that no entry names"
                self.found.append(ProjectionDifference(table.name, None, reason))

    def _is_of(self, case_id: str, kept: Mapping[str, Table], name: str) -> ColumnElement[bool]:
        reports = kept["report"].c
        if name == "event":
            return kept[name].c.report_seq.in_(select(reports.seq).where(reports.case_id == case_id))
        own = kept[name].c
        column = own.id if name == "case_total" else own.case_id
        condition: ColumnElement[bool] = column == case_id
        return condition

    def _all(self, table: Table, *which: ColumnElement[bool]) -> list[Row[Any]]:
        query = select(table).where(*which).order_by(*table.primary_key.columns)
        return list(self._tx.connection.execute(query).all())

    def _compare(
        self, name: str, case_id: str | None, made: Iterable[Row[Any]], kept: list[Row[Any]]
    ) -> None:
        self._rows[name] += len(kept)
        new, old = [tuple(row) for row in made], [tuple(row) for row in kept]
        if new == old:
            return
        if len(new) != len(old):
            reason = f"{len(old)} rows are kept, a rebuild gives {len(new)}"
        else:
            columns = kept[0]._fields
            places = {
                column
                for one, other in zip(new, old, strict=True)
                for column, a, b in zip(columns, one, other, strict=True)
                if a != b
            }
            reason = f"a rebuild gives other values of {', '.join(sorted(places))}"
        self.found.append(ProjectionDifference(name, case_id, reason))
