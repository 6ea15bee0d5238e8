"""When follow-up is due: days counted on the calendar, working days, and hours across clock changes."""

from __future__ import annotations

from collections.abc import Sequence, Set
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from dosetrack.followup.profiles import Tier
from dosetrack.records.follow_up import FollowUpDecided, SkinDoseEstimated
from dosetrack.settings import Settings

_SATURDAY = 5
_CONTACTS = ("first_contact_days", "second_contact_days")
_CHECKS = ("clinic_check_days", "late_check_days", "last_check_days")


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of time: instants in UTC, and the days they fall on in the site's zone."""

    from_at: datetime
    to_at: datetime
    from_day: date
    to_day: date


def contact_days(performed_on: date, tier: Tier | str, settings: Settings) -> tuple[str, ...]:
    """The days on which the patient is contacted or seen about the skin, YYYY-MM-DD in order.

    Parameters
    ----------
    performed_on : local day of the case
    tier : 'follow-up': contacts; 'physicist' and 'review': contacts and later checks
    """
    keys = _CONTACTS if Tier(tier) is Tier.FOLLOW_UP else (*_CONTACTS, *_CHECKS)
    counts = {settings.number(f"follow_up.{key}") for key in keys}
    return tuple((performed_on + timedelta(days=count)).isoformat() for count in sorted(counts) if count > 0)


def estimate_day(on: date, settings: Settings) -> str:
    """The day by which a physicist estimates, YYYY-MM-DD, counted in working days after `on`."""
    count = int(settings.number("follow_up.estimate_working_days"))
    return working_day_after(on, count=count, holidays=holidays(settings)).isoformat()


def working_day_after(on: date, *, count: int, holidays: Set[date] = frozenset()) -> date:
    """The `count`-th working day after `on`; Saturdays, Sundays and `holidays` are none.

    Examples
    --------
    >>> working_day_after(date(2026, 11, 25), count=5)  # a Wednesday
    datetime.date(2026, 12, 2)
    """
    day = on
    while count > 0:
        day += timedelta(days=1)
        if day.weekday() < _SATURDAY and day not in holidays:
            count -= 1
    return day


def holidays(settings: Settings) -> frozenset[date]:
    """The site's holidays; a line that is no day was refused on entry and is left out here."""
    found = set()
    for line in settings.lines("follow_up.holidays"):
        with suppress(ValueError):
            found.add(date.fromisoformat(line))
    return frozenset(found)


def creatinine_window(last_contrast_at: datetime, zone: ZoneInfo, settings: Settings) -> Window:
    """When creatinine is repeated: hours that pass after the last contrast, whatever the clocks do.

    Parameters
    ----------
    last_contrast_at : timezone-aware
    """
    hours = sorted(settings.number(f"follow_up.creatinine_{end}_h") for end in ("from", "to"))
    start, end = (last_contrast_at.astimezone(UTC) + timedelta(hours=h) for h in hours)
    return Window(start, end, start.astimezone(zone).date(), end.astimezone(zone).date())


def becomes_call(decided: FollowUpDecided, estimates: Sequence[SkinDoseEstimated], *, today: date) -> bool:
    """Whether the patient is to be contacted, as things stand on the local day `today`.

    A tier asks for it at once. A dose that only may be above a level does by the physicist's
    decision, or on the estimate's due day when nobody has decided.

    Parameters
    ----------
    estimates : made since `decided` asked for one, oldest first; the last one counts
    """
    if decided.tier is not None:
        return True
    if decided.estimate_due is None:
        return False
    if estimates:
        return estimates[-1].decision == "call"
    return today.isoformat() >= decided.estimate_due
