"""Reading the worklist from its projection: filtered, ordered and counted by the database."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, case, func, or_, select

from dosetrack.ledger import schema
from dosetrack.ledger.convert import FOLLOW_UP_COLUMNS, follow_up_from_row
from dosetrack.ledger.query import LedgerReader
from dosetrack.ledger.rows import FollowUpRow

_ROW = schema.follow_up.c


@dataclass(frozen=True, slots=True)
class FollowUpFilter:
    """Which items; None asks for nothing. Days are YYYY-MM-DD.

    owner : '' for items without one
    due_before : next day before this one; due_until : on or before
    turned : (state, other): items of `state` whose estimate was due by `turned_on` count as `other`
    first_day, last_day : local day of the case, both ends included
    """

    kind: str | None = None
    states: Collection[str] | None = None
    tier: str | None = None
    owner: str | None = None
    room: str | None = None
    patient_id: str | None = None
    case_ids: Collection[str] | None = None
    text: str | None = None
    is_open: bool | None = None
    due_before: str | None = None
    due_until: str | None = None
    first_day: str | None = None
    last_day: str | None = None
    turned: tuple[str, str] | None = None
    turned_on: str | None = None


def follow_up_rows(
    reader: LedgerReader, wanted: FollowUpFilter, *, limit: int | None = None, offset: int = 0
) -> tuple[FollowUpRow, ...]:
    """The items, urgent and crossed first, then by the next day, open before settled."""
    query = (
        select(*FOLLOW_UP_COLUMNS)
        .where(and_(True, *_conditions(wanted)))
        .order_by(
            _ROW.is_open.desc(),
            case((or_(_ROW.is_urgent == 1, _ROW.crossed_on.is_not(None)), 0), else_=1),
            case((_ROW.next_due.is_(None), 1), else_=0),
            _ROW.next_due,
            func.coalesce(_ROW.day, ""),
            _ROW.case_id,
            _ROW.kind,
        )
    )
    if limit is not None or offset:
        query = query.limit(limit).offset(offset)
    return tuple(map(follow_up_from_row, reader.connection.execute(query)))


def follow_up_row_of(reader: LedgerReader, case_id: str, kind: str) -> FollowUpRow | None:
    """One item."""
    query = select(*FOLLOW_UP_COLUMNS).where(_ROW.case_id == case_id, _ROW.kind == kind)
    row = reader.connection.execute(query).one_or_none()
    return None if row is None else follow_up_from_row(row)


def follow_up_cases_of_patient(
    reader: LedgerReader, *, patient_id: str, patient_issuer: str | None
) -> tuple[str, ...]:
    """Cases of one person that hold an item."""
    query = (
        select(_ROW.case_id)
        .where(_ROW.patient_id == patient_id, _ROW.patient_issuer.is_not_distinct_from(patient_issuer))
        .distinct()
        .order_by(_ROW.case_id)
    )
    return tuple(reader.connection.execute(query).scalars())


def follow_up_sums(reader: LedgerReader, **conditions: ColumnElement[bool]) -> dict[str, int]:
    """How many open items meet each of the named conditions."""
    sums = [func.coalesce(func.sum(case((c, 1), else_=0)), 0).label(name) for name, c in conditions.items()]
    query: Select[Any] = select(func.count().label("open"), *sums).where(_ROW.is_open == 1)
    return {name: int(value) for name, value in reader.connection.execute(query).one()._asdict().items()}


def head_counts(
    reader: LedgerReader, *, on: str, week_end: str, to_estimate: str, unreachable: str, not_assessed: str
) -> dict[str, int]:
    """Open items by what the head of the worklist tells.

    Parameters
    ----------
    on, week_end : YYYY-MM-DD, the second included
    to_estimate, unreachable : states; not_assessed : what the creatinines say
    """
    return follow_up_sums(
        reader,
        overdue=_ROW.next_due < on,
        due_this_week=and_(_ROW.next_due >= on, _ROW.next_due <= week_end),
        without_owner=func.coalesce(_ROW.owner, "") == "",
        to_estimate=and_(_ROW.state == to_estimate, _ROW.estimate_due > on),
        kidney_not_assessed=and_(_ROW.kind == "kidney", _ROW.injury == not_assessed),
        crossed=_ROW.crossed_on.is_not(None),
        cannot_reach=_ROW.state == unreachable,
        urgent=_ROW.is_urgent == 1,
    )


def _conditions(wanted: FollowUpFilter) -> list[ColumnElement[bool]]:
    found: list[ColumnElement[bool]] = []
    for column, value in (
        (_ROW.kind, wanted.kind),
        (_ROW.tier, wanted.tier),
        (_ROW.room, wanted.room),
        (_ROW.patient_id, wanted.patient_id),
        (_ROW.is_open, None if wanted.is_open is None else int(wanted.is_open)),
    ):
        if value is not None:
            found.append(column == value)
    if wanted.owner is not None:
        found.append(func.coalesce(_ROW.owner, "") == wanted.owner)
    if wanted.case_ids is not None:
        found.append(_ROW.case_id.in_(list(wanted.case_ids)))
    if wanted.states is not None:
        found.append(_in_states(wanted))
    if wanted.due_before is not None:
        found.append(_ROW.next_due < wanted.due_before)
    if wanted.due_until is not None:
        found.append(_ROW.next_due <= wanted.due_until)
    if wanted.first_day is not None:
        found.append(_ROW.day >= wanted.first_day)
    if wanted.last_day is not None:
        found.append(_ROW.day <= wanted.last_day)
    if wanted.text:
        found.append(_ROW.body.icontains(wanted.text, autoescape=True))
    return found


def _in_states(wanted: FollowUpFilter) -> ColumnElement[bool]:
    """The state as it is on a day: an estimate past its day stands among the calls."""
    states = set(wanted.states or ())
    if wanted.turned is None or wanted.turned_on is None:
        return _ROW.state.in_(states)
    before, after = wanted.turned
    has_turned = and_(_ROW.state == before, _ROW.estimate_due <= wanted.turned_on)
    plain: ColumnElement[bool] = _ROW.state.in_(states - {before})
    if before in states:
        plain = or_(plain, and_(_ROW.state == before, _ROW.estimate_due > wanted.turned_on))
    return or_(plain, has_turned) if after in states else plain
