"""Dates of follow-up across months, leap days, working days and clock changes.

Calendar facts: 2028 is a leap year; clocks change in Berlin on 2027-03-28 and 2027-10-31, in New York
on 2027-03-14 and 2027-11-07 (last Sundays of March and October; second Sunday of March, first of
November). Working days against numpy's business-day calendar.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from follow_up_settings import settings
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.errors import InputError
from dosetrack.followup import becomes_call, contact_days, creatinine_window, estimate_day, working_day_after
from dosetrack.records.follow_up import FollowUpDecided, SkinDoseEstimated
from dosetrack.settings import checked_value

BERLIN, NEW_YORK = ZoneInfo("Europe/Berlin"), ZoneInfo("America/New_York")


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        ("2026-11-25", ("2026-12-09", "2026-12-25")),  # 30 days in November
        ("2028-02-15", ("2028-02-29", "2028-03-16")),  # leap day
        ("2027-02-15", ("2027-03-01", "2027-03-17")),  # the same in a common year
        ("2028-02-29", ("2028-03-14", "2028-03-30")),
        ("2026-12-31", ("2027-01-14", "2027-01-30")),
    ],
)
def test_contacts_count_days_of_the_calendar(case: str, expected: tuple[str, ...]) -> None:
    assert contact_days(date.fromisoformat(case), "follow-up", settings()) == expected


@pytest.mark.parametrize("tier", ["physicist", "review"])
def test_higher_tiers_add_later_checks(tier: str) -> None:
    # 2028-02-29 + 14, 28, 30, 90, 365 days; a year later there is no 29 February
    expected = ("2028-03-14", "2028-03-28", "2028-03-30", "2028-05-29", "2029-02-28")
    assert contact_days(date(2028, 2, 29), tier, settings()) == expected


def test_zero_means_no_such_contact() -> None:
    chosen = settings(follow_up__first_contact_days="0", follow_up__late_check_days="0")
    assert contact_days(date(2026, 11, 25), "follow-up", chosen) == ("2026-12-25",)
    assert len(contact_days(date(2026, 11, 25), "review", chosen)) == 3


@pytest.mark.parametrize(
    ("zone", "contrast", "expected"),
    [
        (BERLIN, "2026-11-25T10:00", ("2026-11-27", "2026-11-28")),
        # an hour is lost: 48 h after 23:30 is past midnight
        (BERLIN, "2027-03-26T23:30", ("2027-03-29", "2027-03-30")),
        # an hour is won: 72 h after 00:30 is the evening before
        (BERLIN, "2027-10-29T00:30", ("2027-10-31", "2027-10-31")),
        (NEW_YORK, "2027-03-12T23:30", ("2027-03-15", "2027-03-16")),
        (NEW_YORK, "2027-11-05T00:30", ("2027-11-07", "2027-11-07")),
        (NEW_YORK, "2028-02-27T12:00", ("2028-02-29", "2028-03-01")),
    ],
)
def test_creatinine_is_due_after_hours_that_pass(
    zone: ZoneInfo, contrast: str, expected: tuple[str, str]
) -> None:
    window = creatinine_window(datetime.fromisoformat(contrast).replace(tzinfo=zone), zone, settings())
    assert (window.from_day.isoformat(), window.to_day.isoformat()) == expected
    assert window.to_at - window.from_at == timedelta(hours=24)


DAYS = st.dates(date(2026, 1, 1), date(2030, 12, 31))


@given(on=DAYS, count=st.integers(1, 30), free=st.frozensets(DAYS, max_size=40))
def test_working_days_as_numpy_counts_them(on: date, count: int, free: frozenset[date]) -> None:
    # numpy rolls a start on a free day back to the working day before it
    theirs = np.busday_offset(on, count, roll="backward", holidays=sorted(free))
    assert working_day_after(on, count=count, holidays=free) == theirs.astype(object)


def test_an_estimate_waits_for_working_days_and_holidays() -> None:
    # Wednesday 2026-12-23; without the holidays the fifth working day is Wednesday 2026-12-30
    assert estimate_day(date(2026, 12, 23), settings()) == "2026-12-30"
    chosen = settings(follow_up__holidays="2026-12-24\n2026-12-25\n2027-01-01")
    # 28, 29, 30, 31 December, 4 January
    assert estimate_day(date(2026, 12, 23), chosen) == "2027-01-04"


@pytest.mark.parametrize("line", ["24.12.", "2027-02-29", "20261224", "Christmas"])
def test_a_holiday_that_is_no_day_is_refused_on_entry_and_never_stops_a_decision(line: str) -> None:
    with pytest.raises(InputError, match=r"Holidays: .* cannot be used; accepted: one day per line"):
        checked_value("follow_up.holidays", f"2026-12-25\n{line}")
    chosen = settings(follow_up__holidays=f"2026-12-24\n{line if line != '20261224' else 'x'}")
    assert estimate_day(date(2026, 12, 23), chosen) == "2026-12-31"


def test_holidays_are_kept_one_per_line() -> None:
    assert checked_value("follow_up.holidays", " 2026-12-24 \n\n2026-12-25") == "2026-12-24\n2026-12-25"


def decided(tier: str | None, estimate_due: str | None) -> FollowUpDecided:
    return FollowUpDecided("skin", tier, (), (), "society", 0, "0", estimate_due=estimate_due)


@pytest.mark.parametrize(
    ("tier", "due", "decisions", "today", "expected"),
    [
        ("follow-up", None, [], "2026-11-25", True),
        ("physicist", "2026-12-02", ["no call"], "2026-11-26", True),
        (None, None, [], "2027-11-25", False),
        (None, "2026-12-02", [], "2026-12-01", False),
        (None, "2026-12-02", [], "2026-12-02", True),
        (None, "2026-12-02", ["call"], "2026-11-26", True),
        (None, "2026-12-02", ["no call"], "2026-12-24", False),
        (None, "2026-12-02", ["no call", "call"], "2026-11-27", True),
        (None, "2026-12-02", ["call", "no call"], "2026-12-24", False),
    ],
)
def test_a_doubt_becomes_a_call(
    tier: str | None, due: str | None, decisions: list[str], today: str, expected: bool
) -> None:
    estimates = [SkinDoseEstimated(decision=d) for d in decisions]
    assert becomes_call(decided(tier, due), estimates, today=date.fromisoformat(today)) is expected
