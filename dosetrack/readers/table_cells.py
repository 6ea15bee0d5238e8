"""The cells of a row under a saved mapping, as values in house units, or the reason why not."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time

from dosetrack.errors import InputError
from dosetrack.readers.table_mapping import (
    HOURS_MINUTES_SECONDS,
    IN_CELL,
    MINUTES_SECONDS,
    PLANES,
    ColumnMapping,
    DoseTableMapping,
)
from dosetrack.times import zone_named
from dosetrack.units import canonical_spelling, parse_quantity

_NUMBER = re.compile(r"([+−-]?(?:\d[\d.,' \u00a0\u202f’]*)?[\d.,]+)([eE][+-]?\d+)?\s*(.*)", re.DOTALL)
_SEXES = {"f": "F", "female": "F", "m": "M", "male": "M", "o": "O", "other": "O"}
_EVENT_TYPES = ("fluoroscopy", "stationary", "stepping", "rotational")
_DAY_LENGTH = len("2026-03-02")
Row = Mapping[str, str]
"""Heading -> text of one row, mapped columns that are not empty alone."""


@dataclass(slots=True)
class RowValues:
    """What one row tells.

    words : field name -> text; numbers : (plane or None, attribute) -> value in the house unit
    """

    words: dict[str, str] = field(default_factory=dict)
    numbers: dict[tuple[str | None, str], float] = field(default_factory=dict)
    patient: dict[str, float] = field(default_factory=dict)
    operators: tuple[str, ...] = ()
    started_at: str | None = None
    ended_at: str | None = None


def row_values(row: Row, mapping: DoseTableMapping) -> RowValues:
    """The values of `row`, constants where it says nothing.

    Raises
    ------
    InputError
        Its `field` is the heading of the column that cannot be used.
    """
    found = RowValues()
    told: dict[str, tuple[str, str]] = {}
    for column in mapping.columns:
        text = _told(row.get(column.heading, ""), column, mapping)
        if text is None:
            continue
        kind = column.field
        if kind.quantity is not None:
            value = _number(text, column, mapping)
            if kind.part == "patient":
                found.patient[kind.attribute] = value
            else:
                found.numbers[column.plane, kind.attribute] = value
        elif kind.part == "operators":
            names = (name.strip() for name in text.split(column.separator))
            found.operators = (*found.operators, *(name for name in names if name))
        else:
            told[kind.name] = (text, column.heading)
    for name, text in mapping.constants.items():
        if name == "operators":
            found.operators = found.operators or (text,)
        else:
            told.setdefault(name, (text, name))
    found.started_at = _moment(told, ("started_at", "date", "time"), mapping)
    found.ended_at = _moment(told, ("ended_at", "end_date", "end_time"), mapping, day_of=found.started_at)
    found.words = {name: _word(name, text, heading, mapping) for name, (text, heading) in told.items()}
    if "plane" not in found.words and any(plane is None for plane, _ in found.numbers):
        heading = next((c.heading for c in mapping.columns if c.field.part == "plane"), "plane")
        raise InputError(field=heading, given="", accepted=f"one of {', '.join(PLANES)}")
    return found


def _told(text: str, column: ColumnMapping, mapping: DoseTableMapping) -> str | None:
    """What a cell means; None where it says 'not known'."""
    if text in mapping.missing or text in column.missing or not text:
        return None
    meant = (column.values or {}).get(text, text).strip()
    return meant or None


def _number(text: str, column: ColumnMapping, mapping: DoseTableMapping) -> float:
    kind, heading = column.field.quantity or "", column.heading
    if ":" in text and kind == "time":
        return _clock(text, column)
    if column.unit in (MINUTES_SECONDS, HOURS_MINUTES_SECONDS):
        raise InputError(field=heading, given=text, accepted=f"a time written {column.unit}")
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise InputError(field=heading, given=text, accepted=_accepted_number(mapping))
    digits, exponent, unit = match.groups()
    plain = _plain_digits(digits.strip(), heading, text, mapping)
    default = "1" if kind == "count" else None if column.unit == IN_CELL else column.unit
    _check_same_unit(unit, column, text)
    value = parse_quantity(f"{plain}{exponent or ''} {unit}", kind, field=heading, default_unit=default)
    if value < 0 and not column.field.may_be_negative:
        raise InputError(field=heading, given=text, accepted="zero or more")
    return value


def _check_same_unit(unit: str, column: ColumnMapping, text: str) -> None:
    """A unit in the cell must be the mapping's: two that differ leave it open which one holds."""
    if unit and column.unit not in (None, IN_CELL):
        is_same = canonical_spelling(unit).lower() == canonical_spelling(column.unit or "").lower()
        if not is_same:
            accepted = f"a number in {column.unit}, as the mapping says (or its unit = {IN_CELL!r})"
            raise InputError(field=column.heading, given=text, accepted=accepted)


def _plain_digits(digits: str, heading: str, text: str, mapping: DoseTableMapping) -> str:
    """The number with a point and no groups."""
    decimal, group = re.escape(mapping.decimal), mapping.thousands
    pattern = rf"[+−-]?(?:\d+(?:{decimal}\d*)?|{decimal}\d+)"
    if group:
        sign = r"[ \u00a0\u202f]" if group == " " else r"['’]" if group == "'" else re.escape(group)
        if re.fullmatch(rf"[+−-]?\d{{1,3}}(?:{sign}\d{{3}})+(?:{decimal}\d*)?", digits):
            digits = re.sub(sign, "", digits)
    if not re.fullmatch(pattern, digits):
        raise InputError(field=heading, given=text, accepted=_accepted_number(mapping))
    return digits.replace("−", "-").replace(mapping.decimal, ".")


def _accepted_number(mapping: DoseTableMapping) -> str:
    groups = f", thousands set apart by {mapping.thousands!r}" if mapping.thousands else ""
    return f"a number such as 1234{mapping.decimal}5{groups}"


def _clock(text: str, column: ColumnMapping) -> float:
    """Seconds of a time with colons; its parts must be as many as the mapping says."""
    parts = text.count(":") + 1
    needed = {MINUTES_SECONDS: 2, HOURS_MINUTES_SECONDS: 3}.get(column.unit or "")
    if needed is None:
        accepted = f"a number in {column.unit}; for times with colons unit = 'min:s' or 'h:min:s'"
        raise InputError(field=column.heading, given=text, accepted=accepted)
    if parts != needed:
        raise InputError(field=column.heading, given=text, accepted=f"a time written {column.unit}")
    return parse_quantity(text, "time", field=column.heading)


def _moment(
    told: dict[str, tuple[str, str]],
    names: tuple[str, str, str],
    mapping: DoseTableMapping,
    *,
    day_of: str | None = None,
) -> str | None:
    """ISO 8601 text from one cell with day and time, or from a day and a time; a day alone stays one.

    day_of : where the day of an end is not told, it is the day of the start
    """
    whole, day, clock = (told.pop(name, None) for name in names)
    if whole is not None:
        return _day_and_time(*whole, mapping)
    if day is not None:
        found = _day(*day, mapping)
    elif clock is not None and day_of is not None:
        found = day_of[:_DAY_LENGTH]
    elif clock is not None:
        raise InputError(field=clock[1], given=clock[0], accepted="a time beside a day")
    else:
        return None
    if clock is None:
        return found
    return _with_offset(f"{found}T{_clock_time(*clock, mapping)}", mapping)


def _day_and_time(text: str, heading: str, mapping: DoseTableMapping) -> str:
    pattern = f"{mapping.date_format} {mapping.time_format}" if mapping.time_format else mapping.date_format
    for form in (pattern, mapping.date_format):
        try:
            moment = datetime.strptime(text, form) if form else None  # noqa: DTZ007  local, as written
        except ValueError:
            continue
        if moment is not None:
            has_time = any(part in form for part in ("%H", "%I"))
            return _with_offset(moment.isoformat(), mapping) if has_time else moment.date().isoformat()
    try:
        if len(text) == _DAY_LENGTH:
            return date.fromisoformat(text).isoformat()
        return _with_offset(datetime.fromisoformat(text).isoformat(), mapping)
    except ValueError:
        wanted = f"written {pattern!r}, or " if pattern else ""
        accepted = f"a day and time {wanted}such as 2026-03-02T10:41"
        raise InputError(field=heading, given=text, accepted=accepted) from None


def _day(text: str, heading: str, mapping: DoseTableMapping) -> str:
    try:
        if mapping.date_format:
            return datetime.strptime(text, mapping.date_format).date().isoformat()  # noqa: DTZ007
    except ValueError:
        pass  # a workbook's own day comes as 2026-03-02
    try:
        return datetime.fromisoformat(text).date().isoformat()
    except ValueError:
        wanted = f"written {mapping.date_format!r}, or " if mapping.date_format else ""
        raise InputError(field=heading, given=text, accepted=f"a day {wanted}such as 2026-03-02") from None


def _clock_time(text: str, heading: str, mapping: DoseTableMapping) -> str:
    try:
        if mapping.time_format:
            return datetime.strptime(text, mapping.time_format).time().isoformat()  # noqa: DTZ007
    except ValueError:
        pass
    try:
        return time.fromisoformat(text.rjust(len("10:41"), "0") if text.count(":") == 1 else text).isoformat()
    except ValueError:
        wanted = f"written {mapping.time_format!r}, or " if mapping.time_format else ""
        raise InputError(field=heading, given=text, accepted=f"a time {wanted}such as 10:41") from None


def _with_offset(text: str, mapping: DoseTableMapping) -> str:
    """The time with the offset its zone had then, where the mapping names the zone."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is not None or not mapping.time_zone:
        return text
    return moment.replace(tzinfo=zone_named(mapping.time_zone)).isoformat()


def _word(name: str, text: str, heading: str, mapping: DoseTableMapping) -> str:
    if name == "sex":
        if text.lower() not in _SEXES:
            raise InputError(field=heading, given=text, accepted="F, M or O; say in 'values' what it means")
        return _SEXES[text.lower()]
    if name == "birth_date":
        return _day(text, heading, mapping)
    if name == "plane":
        planes = PLANES[:3] if mapping.of_events else PLANES
        if text.lower() not in planes:
            accepted = f"{', '.join(planes)}; say in 'values' what it means"
            raise InputError(field=heading, given=text, accepted=accepted)
        return text.lower()
    if name == "event_type":
        if text.lower() not in _EVENT_TYPES:
            accepted = f"{', '.join(_EVENT_TYPES)}; say in 'values' what it means"
            raise InputError(field=heading, given=text, accepted=accepted)
        return text.lower()
    return text
