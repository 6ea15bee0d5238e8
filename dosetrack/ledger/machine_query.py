"""Reports and events by machine: what the physicist's view of a room is made of."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, select

from dosetrack.ledger import schema
from dosetrack.ledger.query import LedgerReader

_ROWS = 20_000  # of events fetched at a time


@dataclass(frozen=True, slots=True)
class MachineReport:
    """One counted report with the machine that wrote it, without its events.

    seq : order of arrival
    day, room : of its case; day is YYYY-MM-DD
    reported_at : the machine's own time of the report; received_at : ours, with its offset
    finding_codes : of the findings made when it was read
    """

    seq: int
    case_id: str
    sha256: str
    file: str
    source: str
    day: str
    room: str | None
    manufacturer: str | None
    model: str | None
    station: str | None
    serial: str | None
    reported_at: str | None
    received_at: str | None
    finding_codes: tuple[str, ...]


def machine_reports(
    reader: LedgerReader, *, first_day: str, last_day: str, case_ids: Collection[str] | None = None
) -> Iterator[MachineReport]:
    """Counted reports of the cases of these local days, oldest arrival first.

    case_ids : only of these cases; None: of all
    """
    report, case, original = schema.report.c, schema.case_total.c, schema.original.c
    query = (
        select(
            report.seq, report.case_id, report.sha256, report.file, report.source, case.day, case.room,
            original.received_at, report.header,
        )
        .select_from(schema.report)
        .join(schema.case_total, case.id == report.case_id)
        .outerjoin(schema.original, original.sha256 == report.sha256)
        .where(*_of_days(first_day, last_day, case_ids), report.is_counted == 1)
        .order_by(report.seq)
    )  # fmt: skip
    for row in reader.connection.execute(query):
        header: dict[str, Any] = json.loads(row.header)
        equipment = header.get("equipment") or {}
        yield MachineReport(
            seq=row.seq,
            case_id=row.case_id,
            sha256=row.sha256,
            file=row.file,
            source=row.source,
            day=row.day,
            room=row.room,
            manufacturer=equipment.get("manufacturer"),
            model=equipment.get("model"),
            station=equipment.get("station"),
            serial=equipment.get("serial"),
            reported_at=(header.get("report") or {}).get("reported_at"),
            received_at=row.received_at,
            finding_codes=tuple(found["code"] for found in header.get("findings") or ()),
        )


def event_values(
    reader: LedgerReader,
    names: Sequence[str],
    *,
    first_day: str,
    last_day: str,
    case_ids: Collection[str] | None = None,
) -> Iterator[list[Sequence[Any]]]:
    """Counted events of the cases of these local days, some thousand at a time.

    Each row: seq of its report, then the fields `names` of the event as sent.
    """
    event, report, case = schema.event_table.c, schema.report.c, schema.case_total.c
    query = (
        select(event.report_seq, *[event[name] for name in names])
        .select_from(schema.event_table)
        .join(schema.report, report.seq == event.report_seq)
        .join(schema.case_total, case.id == report.case_id)
        .where(*_of_days(first_day, last_day, case_ids), event.is_counted == 1)
    )
    found = reader.connection.execute(query)
    cursor = found.cursor  # numbers and text alone: the driver's own rows will do, at half the cost
    while cursor is not None and (part := cursor.fetchmany(_ROWS)):
        yield list(part)
    found.close()


def cases_touched(reader: LedgerReader, *, after_seq: int) -> frozenset[str]:
    """Cases that an entry after `after_seq` names."""
    entry = schema.entry.c
    query = select(entry.case_id).where(entry.seq > after_seq, entry.case_id.is_not(None)).distinct()
    return frozenset(reader.connection.execute(query).scalars())


def _of_days(
    first_day: str, last_day: str, case_ids: Collection[str] | None
) -> tuple[ColumnElement[bool], ...]:
    case = schema.case_total.c
    days: tuple[ColumnElement[bool], ...] = (case.day >= first_day, case.day <= last_day)
    return days if case_ids is None else (*days, case.id.in_(sorted(case_ids)))
