"""Local times become instants: offsets as sent, the room's zone otherwise, the doubtful hour marked.

Transitions: Europe/London went to summer time on 2026-03-29 at 01:00 UTC and back on 2026-10-25 at
01:00 UTC (IANA time zone database, rule EU: last Sunday of March and of October, 01:00 UTC).
Asia/Kolkata is UTC+05:30 all year, America/New_York UTC-04:00 in July (same database).
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from dosetrack.errors import InputError
from dosetrack.times import instant_of, local_day, local_text, zone_named

LONDON = ZoneInfo("Europe/London")


@pytest.mark.parametrize(
    ("text", "zone", "utc"),
    [
        ("2026-01-15T09:00:00", "Europe/London", "2026-01-15T09:00:00"),
        ("2026-07-15T09:00:00", "Europe/London", "2026-07-15T08:00:00"),
        ("2026-07-15T09:00:00.250", "Europe/London", "2026-07-15T08:00:00.250"),
        ("2026-07-15T09:00:00", "Asia/Kolkata", "2026-07-15T03:30:00"),
        ("2026-07-15T09:00:00", "America/New_York", "2026-07-15T13:00:00"),
        ("2026-07-15T00:30:00", "Asia/Kolkata", "2026-07-14T19:00:00"),
        ("2026-03-29T00:59:59", "Europe/London", "2026-03-29T00:59:59"),
        ("2026-03-29T02:00:00", "Europe/London", "2026-03-29T01:00:00"),
        ("2026-10-25T00:59:59", "Europe/London", "2026-10-24T23:59:59"),
        ("2026-10-25T02:00:00", "Europe/London", "2026-10-25T02:00:00"),
    ],
)
def test_naive_time_is_taken_in_the_room_s_zone(text: str, zone: str, utc: str) -> None:
    found = instant_of(text, ZoneInfo(zone))
    assert found is not None
    assert found.utc == datetime.fromisoformat(utc).replace(tzinfo=UTC)
    assert found.basis == "site zone"
    assert not found.is_ambiguous


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-07-15T09:00:00+05:30", "2026-07-15T03:30:00"),
        ("2026-07-15T09:00:00-0400", "2026-07-15T13:00:00"),
        ("2026-10-25T01:30:00+01:00", "2026-10-25T00:30:00"),
        ("2026-10-25T01:30:00+00:00", "2026-10-25T01:30:00"),
        ("2026-10-25T01:30:00Z", "2026-10-25T01:30:00"),
    ],
)
def test_an_offset_that_was_sent_decides(text: str, utc: str) -> None:
    found = instant_of(text, LONDON)
    assert found is not None
    assert found.utc == datetime.fromisoformat(utc).replace(tzinfo=UTC)
    assert found.basis == "sent"
    assert not found.is_ambiguous


@pytest.mark.parametrize("minute", [0, 30, 59])
def test_in_the_repeated_hour_the_earlier_one_is_taken_and_marked(minute: int) -> None:
    found = instant_of(f"2026-10-25T01:{minute:02}:00", LONDON)
    assert found is not None
    assert found.utc == datetime(2026, 10, 25, 0, minute, tzinfo=UTC)
    assert found.is_ambiguous


def test_the_skipped_hour_is_one_instant_and_not_marked_as_repeated() -> None:
    found = instant_of("2026-03-29T01:30:00", LONDON)
    assert found is not None
    # read with the offset in force before the change, as PEP 495 defines fold 0 in a gap
    assert found.utc == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)
    assert not found.is_ambiguous


def test_order_by_instant_survives_the_change_of_clocks() -> None:
    texts = ["2026-10-25T00:50:00", "2026-10-25T01:50:00", "2026-10-25T02:10:00"]
    instants = [instant_of(text, LONDON) for text in texts]
    utc = [found.utc for found in instants if found is not None]
    assert utc == sorted(utc)
    assert len(utc) == 3


@pytest.mark.parametrize(
    "text", ["", "09:00", "2026-07", "yesterday", "2026-02-30T09:00:00", "2026-07-15T25:00"]
)
def test_a_vague_or_impossible_time_is_no_instant(text: str) -> None:
    assert instant_of(text, LONDON) is None


@pytest.mark.parametrize("name", ["Europe/Atlantis", "", "../etc/passwd", "/etc/localtime"])
def test_unknown_zone_is_refused_with_an_example(name: str) -> None:
    with pytest.raises(InputError, match="IANA zone name"):
        zone_named(name)


def test_local_text_carries_its_offset() -> None:
    assert (
        local_text(datetime(2026, 7, 15, 8, 0, 0, 900_000, tzinfo=UTC), LONDON) == "2026-07-15T09:00:00+01:00"
    )


@pytest.mark.parametrize(
    ("text", "day"),
    [("2026-07-15T23:59:59+01:00", "2026-07-15"), ("2026-07-15", "2026-07-15"), ("2026", None), (None, None)],
)
def test_local_day_is_the_day_the_machine_showed(text: str | None, day: str | None) -> None:
    assert local_day(text) == day


def test_day_without_a_time_has_no_instant() -> None:
    assert instant_of("2026-03-01", ZoneInfo("Europe/London")) is None
