"""Rows of the tables to records and back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from datetime import datetime
from functools import lru_cache
from operator import attrgetter
from typing import Any

from sqlalchemy import Row

from dosetrack.errors import InputError
from dosetrack.findings import Finding
from dosetrack.ledger import schema
from dosetrack.ledger.codec import payload_from_json, to_json, tuple_from_json
from dosetrack.ledger.rows import CaseTotalRow, FollowUpRow, PlaneDose, ReportRow, SettingRow, StoredEvent
from dosetrack.records.entries import Entry
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import DoseReport, Filter, IrradiationEvent

_EVENT_FIELDS = tuple(field.name for field in fields(IrradiationEvent))
_FILTERS = _EVENT_FIELDS.index("filters")
_event_values = attrgetter(*_EVENT_FIELDS)
_CASE_FIELDS = tuple(field.name for field in fields(CaseTotalRow))
_OPERATORS, _BY_PLANE, _FINDINGS = map(_CASE_FIELDS.index, ("operators", "by_plane", "findings"))
_case_values = attrgetter(*_CASE_FIELDS)

FOLLOW_UP_COLUMNS = tuple(schema.follow_up.c[field.name] for field in fields(FollowUpRow))
EVENT_COLUMNS = (
    *(schema.event_table.c[name] for name in _EVENT_FIELDS),
    schema.event_table.c.is_counted,
    schema.event_table.c.instant_utc,
)
EVENT_KEYS = ("report_seq", "ordinal", "is_counted", "instant_utc", *_EVENT_FIELDS)
CASE_COLUMNS = tuple(schema.case_total.c[name] for name in _CASE_FIELDS)
REPORT_ROW_COLUMNS = tuple(schema.report.c[field.name] for field in fields(ReportRow))
SETTING_COLUMNS = (
    *(schema.setting.c[name] for name in ("seq", "key", "scope", "value", "valid_from", "source")),
    *(schema.entry.c[name] for name in ("recorded_at", "actor", "role", "is_claimed", "reason", "id")),
    schema.setting.c.replaced_by,
)


def iso_text(moment: datetime, field: str) -> str:
    """A time as stored, its offset as given; InputError without one. field : what it is, for the message."""
    if moment.utcoffset() is None:
        raise InputError(field=field, given=moment.isoformat(), accepted="a time with its offset from UTC")
    return moment.isoformat()


def entry_from_row(row: Row[Any]) -> Entry:
    """The entry of a row of `entry` joined with the body of its payload (None when deleted)."""
    return Entry(
        seq=row.seq,
        id=row.id,
        kind=row.kind,
        case=row.case_id,
        happened_at=datetime.fromisoformat(row.happened_at),
        recorded_at=datetime.fromisoformat(row.recorded_at),
        actor=Actor(name=row.actor, role=Role(row.role), is_claimed=bool(row.is_claimed)),
        reason=row.reason,
        replaces=row.replaces,
        payload=None if row.body is None else payload_from_json(row.kind, row.body),
        payload_digest=row.payload_digest,
        previous_digest=row.previous_digest,
        digest=row.digest,
    )


# events: the same few filters stand in nearly every event, so their text is remembered


@lru_cache(maxsize=4096)
def _filters_text(filters: tuple[Filter, ...]) -> str:
    return to_json(filters)


@lru_cache(maxsize=4096)
def _filters(text: str) -> tuple[Filter, ...]:
    return tuple_from_json(Filter, text)


def event_from_row(row: Sequence[Any]) -> IrradiationEvent:
    """The event of a row of EVENT_COLUMNS."""
    values = list(row[:-2])
    values[_FILTERS] = _filters(values[_FILTERS])
    return IrradiationEvent(*values)


def stored_event_from_row(row: Sequence[Any]) -> StoredEvent:
    """The event of a row of EVENT_COLUMNS with what was decided about it."""
    return StoredEvent(event_from_row(row), is_counted=bool(row[-2]), instant_utc=row[-1])


def event_row(stored: StoredEvent, *, report_seq: int, ordinal: int) -> tuple[Any, ...]:
    """The values of EVENT_KEYS."""
    values = list(_event_values(stored.event))
    values[_FILTERS] = _filters_text(values[_FILTERS])
    return (report_seq, ordinal, int(stored.is_counted), stored.instant_utc, *values)


# cases, reports, settings


def case_from_row(row: Row[Any]) -> CaseTotalRow:
    """The case of a row of CASE_COLUMNS."""
    values = list(row)
    values[_OPERATORS] = _words(values[_OPERATORS])
    values[_BY_PLANE] = tuple_from_json(PlaneDose, values[_BY_PLANE])
    values[_FINDINGS] = _findings(values[_FINDINGS])
    return CaseTotalRow(*values)


def case_row(case: CaseTotalRow) -> dict[str, Any]:
    """The columns of `case_total` for a case."""
    values = dict(zip(_CASE_FIELDS, _case_values(case), strict=True))
    for name in ("operators", "by_plane", "findings"):
        values[name] = to_json(values[name])
    return values


@lru_cache(maxsize=1024)
def _findings(text: str) -> tuple[Finding, ...]:
    return tuple_from_json(Finding, text)


@lru_cache(maxsize=1024)
def _words(text: str) -> tuple[str, ...]:
    return tuple_from_json(str, text)


def follow_up_row(row: FollowUpRow) -> dict[str, Any]:
    """The columns of `follow_up` for an item."""
    return {column.name: getattr(row, column.name) for column in FOLLOW_UP_COLUMNS} | {
        "is_open": int(row.is_open),
        "is_urgent": int(row.is_urgent),
    }


def follow_up_from_row(row: Row[Any]) -> FollowUpRow:
    """The item of a row of FOLLOW_UP_COLUMNS."""
    values = row._asdict()
    return FollowUpRow(**values | {name: bool(values[name]) for name in ("is_open", "is_urgent")})


def report_row_from_row(row: Row[Any]) -> ReportRow:
    """The report of a row of REPORT_ROW_COLUMNS."""
    values = row._asdict()
    values["is_counted"] = bool(values["is_counted"])
    return ReportRow(**values)


def report_columns(report: DoseReport, *, case_id: str, is_counted: bool, header: str) -> dict[str, Any]:
    """The columns of `report` that a report without its events gives."""
    return {
        "sha256": report.sha256,
        "case_id": case_id,
        "file": report.file,
        "source": report.source,
        "sop_instance_uid": report.report.sop_instance_uid,
        "study_instance_uid": report.report.study_instance_uid,
        "accession_number": report.report.accession_number,
        "patient_id": report.patient.id,
        "patient_issuer": report.patient.id_issuer,
        "station": report.equipment.station,
        "completion": report.report.completion,
        "started_at": report.procedure.started_at,
        "is_counted": int(is_counted),
        "header": header,
    }


def setting_from_row(row: Row[Any]) -> SettingRow:
    """The change of a setting in a row of SETTING_COLUMNS."""
    return SettingRow(
        seq=row.seq,
        entry_id=row.id,
        key=row.key,
        scope=row.scope,
        value=row.value,
        valid_from=row.valid_from,
        source=row.source,
        actor=Actor(name=row.actor, role=Role(row.role), is_claimed=bool(row.is_claimed)),
        recorded_at=row.recorded_at,
        reason=row.reason,
        replaced_by=row.replaced_by,
    )
