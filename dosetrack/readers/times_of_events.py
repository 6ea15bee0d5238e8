"""When the exposures of a report began and ended, from the times its events were sent with."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from dosetrack.records.report import IrradiationEvent

_MINUTES = 16
"""Length of 'YYYY-MM-DDTHH:MM': a start with less is a date, not a moment."""


def first_start(events: Iterable[IrradiationEvent]) -> str | None:
    """The earliest start of an event, as sent; None when no event has one."""
    moments = _moments(events)
    return min(moments, key=lambda moment: moment[0])[1] if moments else None


def last_end(events: Iterable[IrradiationEvent]) -> str | None:
    """The latest end (start and duration, in milliseconds) of an event; None when none has a start."""
    last: tuple[datetime, str] | None = None
    for instant, _, event in _moments_with_events(events):
        end = instant + timedelta(seconds=event.duration_s or 0.0)
        if last is None or end > last[0]:
            last = end, _iso(end)
    return last[1] if last is not None else None


def _moments(events: Iterable[IrradiationEvent]) -> list[tuple[datetime, str]]:
    return [(instant, text) for instant, text, _ in _moments_with_events(events)]


def _moments_with_events(
    events: Iterable[IrradiationEvent],
) -> list[tuple[datetime, str, IrradiationEvent]]:
    """Moments that can be compared: all with an offset or all without; the others are left out."""
    with_offset: list[tuple[datetime, str, IrradiationEvent]] = []
    without: list[tuple[datetime, str, IrradiationEvent]] = []
    for event in events:
        text = event.started_at
        if text is None or len(text) < _MINUTES:
            continue
        try:
            instant = datetime.fromisoformat(text)
        except ValueError:  # a leap second
            continue
        (without if instant.tzinfo is None else with_offset).append((instant, text, event))
    return with_offset if len(with_offset) >= len(without) else without


def _iso(instant: datetime) -> str:
    text = instant.isoformat(timespec="milliseconds")
    return text.replace(".000", "")
