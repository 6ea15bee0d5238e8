"""Days and times of day as tables write them; an order of day and month is found from the whole column."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time

from dosetrack.errors import InputError

_PARTED = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})")
_PACKED = re.compile(r"(\d{4})(\d{2})(\d{2})")
_MONTHS_IN_YEAR = 12
_HALF_DAY_H = 12
_CLOCK = re.compile(r"(\d{1,2})[:.h](\d{2})(?:[:.](\d{2}))?\s*(am|pm)?", re.IGNORECASE)
_PACKED_CLOCK = re.compile(r"(\d{2})(\d{2})(\d{2})?")
_OFFSET = re.compile(r"(.*?)\s*(Z|[+-]\d{2}:?\d{2})", re.IGNORECASE)
DAYS_ACCEPTED = "a day such as 2026-03-02, 20260302 or 02.03.2026"
TIMES_ACCEPTED = "a time such as 10:41, 1041 or 10:41:00"


@dataclass(frozen=True, slots=True)
class DayOrder:
    """How days of three numbers with the year last are ordered; None where nothing tells.

    is_day_first : of those parted by / or -; parted by points the day always comes first
    """

    is_day_first: bool | None = None


def day_order_of(texts: Iterable[str]) -> DayOrder:
    """The order that the days of a file show: a first or second number above 12 tells.

    Where both orders occur the file contradicts itself, and nothing is told.

    >>> day_order_of(["03/02/2026", "25/02/2026"])
    DayOrder(is_day_first=True)
    """
    shown = set()
    for text in texts:
        found = _PARTED.match(text.strip())
        if found and found.group(2) != ".":
            first, second = int(found.group(1)), int(found.group(3))
            if first > _MONTHS_IN_YEAR >= second:
                shown.add(True)
            elif second > _MONTHS_IN_YEAR >= first:
                shown.add(False)
    return DayOrder(shown.pop() if len(shown) == 1 else None)


def day_from_text(text: str, order: DayOrder, *, field: str) -> date:
    """The day that a cell tells.

    Raises
    ------
    InputError
        It is none, or its day and month may be exchanged and nothing in the file tells.
    """
    plain = text.strip()
    packed = _PACKED.fullmatch(plain)
    parted = _PARTED.fullmatch(plain)
    try:
        if packed:
            return date(*map(int, packed.groups()))
        if not parted:
            return datetime.fromisoformat(plain).date()
        first, second, year = int(parted.group(1)), int(parted.group(3)), int(parted.group(4))
        if parted.group(2) == ".":
            return date(year, second, first)
        is_day_first = True if first == second else order.is_day_first
        if is_day_first is None:
            accepted = f"{DAYS_ACCEPTED}; here day and month may be exchanged and no other row tells"
            raise InputError(field=field, given=text, accepted=accepted)
        return date(year, second, first) if is_day_first else date(year, first, second)
    except InputError:
        raise
    except ValueError:
        raise InputError(field=field, given=text, accepted=DAYS_ACCEPTED) from None


def time_from_text(text: str, *, field: str) -> str:
    """ISO text of a time of day, with its offset where one is told: '08:30:00', '08:30:00+01:00'.

    Raises
    ------
    InputError
        It is none.
    """
    plain, offset = text.strip(), ""
    with_offset = _OFFSET.fullmatch(plain)
    if with_offset and _is_clock(with_offset.group(1)):
        plain, offset = with_offset.group(1), with_offset.group(2).upper().replace("Z", "+00:00")
    clock, packed = _CLOCK.fullmatch(plain), _PACKED_CLOCK.fullmatch(plain)
    found = clock or packed
    if found is None:
        raise InputError(field=field, given=text, accepted=TIMES_ACCEPTED)
    hour, minute, second = int(found.group(1)), int(found.group(2)), int(found.group(3) or 0)
    half = (clock.group(4) or "").lower() if clock else ""
    try:
        if half:
            if not 1 <= hour <= _HALF_DAY_H:
                raise ValueError
            hour = hour % _HALF_DAY_H + (_HALF_DAY_H if half == "pm" else 0)
        told = time(hour, minute, second).isoformat()
        return time.fromisoformat(told + offset).isoformat()
    except ValueError:
        raise InputError(field=field, given=text, accepted=TIMES_ACCEPTED) from None


def _is_clock(text: str) -> bool:
    return bool(_CLOCK.fullmatch(text) or _PACKED_CLOCK.fullmatch(text))


def moment_from_text(text: str, order: DayOrder, *, field: str) -> str:
    """ISO text of a day with its time in one cell; of the day alone where there is no time."""
    plain = text.strip()
    parts = re.split(r"[T\s]+", plain, maxsplit=1)
    day = day_from_text(parts[0], order, field=field).isoformat()
    return day if len(parts) == 1 else f"{day}T{time_from_text(parts[1], field=field)}"
