"""Time as machines send it: local digits kept as sent, an instant in UTC found beside them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo

from dosetrack.errors import InputError

InstantBasis = Literal["sent", "site zone"]


@dataclass(frozen=True, slots=True)
class Instant:
    """A moment in UTC and how it was found.

    basis : 'sent' when the text carried its offset, 'site zone' when the room's zone was assumed
    is_ambiguous : the local time occurs twice (clocks set back); the earlier one was taken
    """

    utc: datetime
    basis: InstantBasis
    is_ambiguous: bool = False


@lru_cache(maxsize=8192)  # one event is asked for several times on its way into a case
def instant_of(text: str, zone: ZoneInfo) -> Instant | None:
    """The instant of ISO 8601 `text`; naive times are taken in `zone`, the earlier fold first.

    None when the text holds no full date or no time, so that a vague time never becomes an exact
    one.
    """
    if len(text) <= len("2026-03-01"):
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    if moment.tzinfo is not None:
        return Instant(utc=moment.astimezone(UTC), basis="sent")
    earlier = moment.replace(tzinfo=zone, fold=0)
    later = moment.replace(tzinfo=zone, fold=1)
    offsets_differ = earlier.utcoffset() != later.utcoffset()
    # in the skipped hour of spring both folds differ too, but the time does not exist twice
    is_repeated = offsets_differ and (later.utcoffset() or timedelta()) < (earlier.utcoffset() or timedelta())
    return Instant(utc=earlier.astimezone(UTC), basis="site zone", is_ambiguous=is_repeated)


def zone_named(name: str) -> ZoneInfo:
    """The IANA zone `name`; InputError when there is none of that name."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise InputError(
            field="time zone", given=name, accepted="an IANA zone name such as 'Europe/Lisbon'"
        ) from error


def local_text(moment: datetime, zone: ZoneInfo) -> str:
    """`moment` as ISO 8601 text in `zone`, whole seconds, with its offset."""
    return moment.astimezone(zone).isoformat(timespec="seconds")


def local_day(text: str | None) -> str | None:
    """YYYY-MM-DD of ISO text as sent: the local day the machine showed."""
    return text[:10] if text and len(text) >= 10 else None


def completed_years(born: date, /, *, on: date) -> int:
    """Completed years of age on a day; below zero before birth.

    Examples
    --------
    >>> completed_years(date(1954, 11, 26), on=date(2026, 11, 25))
    71
    """
    return on.year - born.year - ((on.month, on.day) < (born.month, born.day))
