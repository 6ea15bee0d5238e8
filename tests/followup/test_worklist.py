"""Days of the worklist: leap days, the change of the clocks, and an item as it stands on a day."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from dosetrack.followup.items import FollowedCase, FollowUpItem, FollowUpState, WorklistRules
from dosetrack.followup.on_day import EscalationRules, days_overdue, on_day
from dosetrack.followup.worklist import asks_for_more, fold_follow_up
from dosetrack.records.entries import Entry, Payload
from dosetrack.records.follow_up import (
    ContactTried,
    FollowUpClosed,
    FollowUpDecided,
    FollowUpReopened,
    SkinExamined,
)
from dosetrack.records.people import Actor, Role

LISBON = ZoneInfo("Europe/Lisbon")
RULES = WorklistRules(contact_days=("2028-03-01",), early_days=4, attempts=3, left_after_h=4)
LATE = EscalationRules(skin_days=7, kidney_days=1)


def entry(seq: int, payload: Payload, at: datetime, *, reason: str | None = None) -> Entry:
    return Entry(
        seq=seq,
        id=str(seq),
        kind="",
        case="c",
        happened_at=at,
        recorded_at=at,
        actor=Actor("Invented Caller", Role.FOLLOW_UP),
        reason=reason,
        replaces=None,
        payload=payload,
        payload_digest="",
        previous_digest="",
        digest="",
    )


def decided(
    *due: str, kind: str = "skin", tier: str | None = "follow-up", estimate: str | None = None
) -> FollowUpDecided:
    return FollowUpDecided(kind, tier, (), due, "society", 0, "0", estimate_due=estimate)


def item(*payloads: tuple[Payload, datetime], known_from: datetime | None = None) -> FollowUpItem:
    entries = [entry(n, said, at) for n, (said, at) in enumerate(payloads, start=1)]
    case = FollowedCase("c", LISBON, day="2028-02-16", known_from=known_from)
    (found,) = fold_follow_up(entries, case, RULES)
    return found


@pytest.mark.parametrize(
    ("next_due", "on", "days"),
    [
        # counted on a calendar: 2028 is a leap year, 2026 is not
        ("2028-02-28", date(2028, 3, 1), 2),
        ("2026-02-28", date(2026, 3, 1), 1),
        ("2027-12-31", date(2028, 1, 1), 1),
        # the clocks go forward on 29 March 2026 and back on 25 October 2026: days are days
        ("2026-03-28", date(2026, 3, 30), 2),
        ("2026-10-24", date(2026, 10, 26), 2),
        ("2026-10-24", date(2026, 10, 24), 0),
        ("2026-10-24", date(2026, 10, 20), 0),
        (None, date(2026, 10, 20), 0),
    ],
)
def test_days_overdue_are_days_of_the_calendar(next_due: str | None, on: date, days: int) -> None:
    assert days_overdue(next_due, on) == days


@pytest.mark.parametrize(
    ("at", "is_met"),
    [
        # a call at 23:30 UTC on 25 February is on the 26th in summer only: Lisbon keeps UTC in winter
        (datetime(2028, 2, 26, 0, 30, tzinfo=UTC), True),  # four days before 1 March 2028: 26 February
        (datetime(2028, 2, 25, 23, 30, tzinfo=UTC), False),
    ],
)
def test_a_call_counts_from_four_days_before_its_day(at: datetime, is_met: bool) -> None:
    start = datetime(2028, 2, 16, 12, tzinfo=UTC)
    found = item((decided("2028-03-01"), start), (ContactTried("skin", "reached"), at))
    assert (found.due[0].done_on is not None) == is_met


def test_the_local_day_of_a_call_is_that_of_the_site_in_summer() -> None:
    """23:30 UTC on 30 June is 00:30 on 1 July in Lisbon."""
    start = datetime(2028, 2, 16, 12, tzinfo=UTC)
    late = datetime(2028, 6, 30, 23, 30, tzinfo=UTC)
    found = item((decided("2028-03-01"), start), (ContactTried("skin", "reached"), late))
    assert found.due[0].done_on == "2028-07-01"


def test_what_was_asked_late_is_overdue_only_since_then() -> None:
    found = item((decided("2028-03-01"), datetime(2028, 3, 10, 12, tzinfo=UTC)))
    assert (found.due[0].day, found.due[0].by, found.next_due) == ("2028-03-01", "2028-03-10", "2028-03-10")


@pytest.mark.parametrize(("day", "escalation"), [(8, None), (9, "8 days overdue")])
def test_an_overdue_look_goes_to_the_lead_after_a_week(day: int, escalation: str | None) -> None:
    found = item((decided("2028-03-01"), datetime(2028, 2, 16, 12, tzinfo=UTC)))
    assert on_day(found, date(2028, 3, day), LATE).escalation == escalation


def test_an_estimate_nobody_made_is_a_call_from_its_day_on() -> None:
    waiting = decided(tier=None, estimate="2028-02-23")
    found = item((waiting, datetime(2028, 2, 16, 12, tzinfo=UTC)))
    assert on_day(found, date(2028, 2, 22), LATE).state is FollowUpState.TO_ESTIMATE
    late = on_day(found, date(2028, 2, 23), LATE)
    assert (late.state, late.may_call) == (FollowUpState.TO_CALL, True)
    called = item(
        (waiting, datetime(2028, 2, 16, 12, tzinfo=UTC)),
        (ContactTried("skin", "not reached"), datetime(2028, 2, 24, 12, tzinfo=UTC)),
    )
    assert called.state is FollowUpState.WAITING


def test_crossing_counts_only_hours_after_the_case_ended() -> None:
    ended = datetime(2028, 2, 16, 12, tzinfo=UTC)
    soon = item((decided("2028-03-01"), datetime(2028, 2, 16, 15, 59, tzinfo=UTC)), known_from=ended)
    late = item((decided("2028-03-01"), datetime(2028, 2, 16, 16, 0, tzinfo=UTC)), known_from=ended)
    assert (soon.crossed_on, late.crossed_on) == (None, "2028-02-16")


def test_settled_and_opened_again_is_open_with_a_trace() -> None:
    start = datetime(2028, 2, 16, 12, tzinfo=UTC)
    closed = (FollowUpClosed("skin"), datetime(2028, 3, 2, 12, tzinfo=UTC))
    opened = (FollowUpReopened("skin"), datetime(2028, 3, 20, 12, tzinfo=UTC))
    assert not item((decided("2028-03-01"), start), closed).is_open
    again = item((decided("2028-03-01"), start), closed, opened)
    assert again.is_open
    assert again.trace[-1].text.startswith("Opened again")
    assert again.next_due == "2028-03-20"


def test_calls_and_looks_in_any_order_of_typing_give_the_same_item() -> None:
    start = (decided("2028-03-01"), datetime(2028, 2, 16, 12, tzinfo=UTC))
    later: list[tuple[Payload, datetime]] = [
        (ContactTried("skin", "not reached"), datetime(2028, 2, 28, 12, tzinfo=UTC)),
        (ContactTried("skin", "reached"), datetime(2028, 2, 29, 12, tzinfo=UTC)),
        (SkinExamined("2028-03-01", "Invented", 0, "S"), datetime(2028, 3, 1, 12, tzinfo=UTC)),
        (ContactTried("skin", "not reached"), datetime(2028, 3, 9, 12, tzinfo=UTC)),
    ]
    found = {item(start, *some) for some in itertools.permutations(later)}
    assert len(found) == 1
    (one,) = found
    assert one.unreached == 1


@pytest.mark.parametrize(
    ("new", "old", "more"),
    [
        (decided(tier="physicist"), decided(tier="follow-up"), True),
        (decided(tier="follow-up"), decided(tier="physicist"), False),
        (decided(tier=None, estimate="2028-03-01"), decided(tier=None), True),
        (decided(tier=None, estimate="2028-03-09"), decided(tier=None, estimate="2028-03-01"), True),
        (decided(tier="follow-up"), decided(tier=None, estimate="2028-03-01"), True),
        (decided(tier=None), None, False),
        (decided(tier=None, estimate="2028-03-01"), decided(tier="follow-up"), False),
    ],
)
def test_what_asks_for_more(new: FollowUpDecided, old: FollowUpDecided | None, more: bool) -> None:
    assert asks_for_more(new, old) is more
