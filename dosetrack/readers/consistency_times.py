"""Whether the times of one report fit together: order, overlap, midnight and changes of the clock."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from dosetrack.findings import Finding, FindingCode, figures, finding
from dosetrack.records.report import IrradiationEvent
from dosetrack.tables import constants

_DATE_AND_MINUTE = 16
"""Length of 'YYYY-MM-DDTHH:MM': less is a date, not a moment."""

Moment = tuple[datetime, IrradiationEvent]


def time_findings(events: Sequence[IrradiationEvent], *, reported_at: str | None) -> list[Finding]:
    """What about the starts and durations of `events`, in the report's order, cannot be.

    Moments with an offset from UTC are compared with each other, and those without with each other.
    """
    moments = [(at, event) for event in events if (at := _moment(event.started_at)) is not None]
    if not moments:
        return []
    resolution = timedelta(seconds=constants("consistency")["clock_resolution"].number)
    found = []
    back: list[tuple[timedelta, IrradiationEvent]] = []
    night: list[tuple[timedelta, IrradiationEvent]] = []
    midnight: list[tuple[timedelta, IrradiationEvent]] = []
    overlaps: list[tuple[timedelta, IrradiationEvent]] = []
    for of_plane in _by_plane_and_clock(moments):
        previous = None
        for at, event in of_plane:
            if previous is not None and previous - at > resolution:
                _sort_step(previous - at, at, event, back=back, night=night, midnight=midnight)
            previous = at
        overlaps += _overlaps(of_plane, resolution)
    for code, steps in (
        (FindingCode.EVENTS_OUT_OF_ORDER, back),
        (FindingCode.CLOCK_SET_BACK, night),
        (FindingCode.DATE_NOT_ADVANCED, midnight),
        (FindingCode.EVENTS_OVERLAP, overlaps),
    ):
        if steps:
            longest, event = max(steps, key=lambda step: step[0])
            facts = {"count": len(steps), "of": len(events), "most": _span(longest)}
            found.append(finding(code, event_uid=event.uid, **facts))
    report = _moment(reported_at)
    if report is not None:
        # the report of a case during which the clock was set back is told by the later clock
        change = timedelta(hours=constants("consistency")["clock_change_step"].number if night else 0.0)
        found += _after_report(moments, report + resolution + change)
    return found


def _moment(text: str | None) -> datetime | None:
    if text is None or len(text) < _DATE_AND_MINUTE:
        return None
    try:
        return datetime.fromisoformat(text)
    except ValueError:  # a leap second
        return None


def _after_report(moments: Sequence[Moment], report: datetime) -> list[Finding]:
    has_zone = report.tzinfo is not None
    late = [
        (at - report, event) for at, event in moments if (at.tzinfo is not None) == has_zone and at > report
    ]
    if not late:
        return []
    most, event = max(late, key=lambda one: one[0])
    facts = {"count": len(late), "of": len(moments), "most": _span(most)}
    return [finding(FindingCode.EVENT_AFTER_REPORT, event_uid=event.uid, **facts)]


def _by_plane_and_clock(moments: Sequence[Moment]) -> list[list[Moment]]:
    """Moments that can be compared: of one plane, all with an offset or all without."""
    groups: dict[tuple[str | None, bool], list[Moment]] = {}
    for moment in moments:
        groups.setdefault((moment[1].plane, moment[0].tzinfo is None), []).append(moment)
    return [group for (plane, _), group in groups.items() if plane is not None and plane != "all"]


def _sort_step(
    step: timedelta,
    at: datetime,
    event: IrradiationEvent,
    *,
    back: list[tuple[timedelta, IrradiationEvent]],
    night: list[tuple[timedelta, IrradiationEvent]],
    midnight: list[tuple[timedelta, IrradiationEvent]],
) -> None:
    """Put one step back in time where its likely cause belongs."""
    table = constants("consistency")
    if timedelta(hours=table["midnight_step"].number) < step < timedelta(days=1):
        midnight.append((step, event))
    elif (
        at.tzinfo is None
        and at.hour < table["clock_change_until"].number
        and step <= timedelta(hours=table["clock_change_step"].number)
    ):
        night.append((step, event))
    else:
        back.append((step, event))


def _overlaps(moments: Sequence[Moment], resolution: timedelta) -> list[tuple[timedelta, IrradiationEvent]]:
    """(by how much, event) where an event of the plane is not over when the next one begins."""
    found = []
    end: datetime | None = None
    before: IrradiationEvent | None = None
    for at, event in sorted(moments, key=lambda moment: moment[0]):
        if end is not None and before is not None and end - at > resolution:
            found.append((end - at, before))
        own_end = at + timedelta(seconds=event.duration_s or 0.0)
        if end is None or own_end > end:
            end, before = own_end, event
    return found


def _span(step: timedelta) -> str:
    seconds = step.total_seconds()
    if seconds < 120.0:
        return f"{figures(seconds)} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"
