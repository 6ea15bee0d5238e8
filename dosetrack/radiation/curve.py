"""Cumulative dose of each plane over the clock, and when the beam was on.

The caller gives every event and reading its instant (UTC or any fixed offset). Inside an event
dose rises evenly; between readings nothing is assumed, so a reading is a step.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from dosetrack.radiation.account import plane_of
from dosetrack.radiation.console import ConsoleTotal, console_totals
from dosetrack.records.entries import ConsoleReading
from dosetrack.records.report import IrradiationEvent, PlaneName

Kind = Literal["fluoroscopy", "acquisition"]
PointBasis = Literal["summed", "typed"]


@dataclass(frozen=True, slots=True)
class TimedEvent:
    """An event and when it started."""

    instant: datetime
    event: IrradiationEvent


@dataclass(frozen=True, slots=True)
class TimedReading:
    """A console reading and when it was taken."""

    instant: datetime
    reading: ConsoleReading


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """What a plane had received by `instant`; None where nothing is known yet.

    basis : 'summed' from events or 'typed' from the console: whichever moved the curve here
    """

    instant: datetime
    reference_air_kerma_mgy: float | None
    dose_area_product_gycm2: float | None
    fluoroscopy_time_s: float | None
    basis: PointBasis


@dataclass(frozen=True, slots=True)
class PlaneCurve:
    """The points of one plane in order of time; no quantity ever falls."""

    plane: PlaneName
    points: tuple[CurvePoint, ...]


@dataclass(frozen=True, slots=True)
class BeamOn:
    """The beam of one plane was on. `end` is None where the event tells no duration."""

    start: datetime
    end: datetime | None
    kind: Kind
    plane: PlaneName


_Numbers = tuple[float | None, float | None, float | None]


def exposure_kind(event: IrradiationEvent) -> Kind:
    """'fluoroscopy', or 'acquisition' for every other type of event."""
    return "fluoroscopy" if event.type == "fluoroscopy" else "acquisition"


def beam_on(events: Iterable[TimedEvent]) -> tuple[BeamOn, ...]:
    """When the beam was on, in order of time."""
    strips = [
        BeamOn(start=t.instant, end=_end(t), kind=exposure_kind(t.event), plane=plane_of(t.event))
        for t in events
    ]
    return tuple(sorted(strips, key=lambda s: (s.start, s.plane)))


def plane_curves(events: Sequence[TimedEvent], readings: Sequence[TimedReading]) -> tuple[PlaneCurve, ...]:
    """The cumulative curve of every plane that has an event or a reading.

    Events and readings tell of the same dose: at each instant the higher of the two counts.
    A console read as 'single' beside events of exactly one plane is that plane.
    """
    event_planes = {plane_of(t.event) for t in events}
    reading_planes = {t.reading.plane for t in readings}
    named = (event_planes | reading_planes) & {"a", "b"}
    alias: dict[str, PlaneName] = {"single": next(iter(named))} if len(named) == 1 else {}
    ordered = sorted(readings, key=lambda t: t.instant)
    totals = console_totals([t.reading for t in ordered])
    curves = []
    for plane in ("single", "a", "b", "all"):
        mine = [t for t in events if alias.get(plane_of(t.event), plane_of(t.event)) == plane]
        typed = [
            (t.instant, total)
            for t, total in zip(ordered, totals, strict=True)
            if alias.get(total.plane, total.plane) == plane
        ]
        points = _merged([*_event_points(mine), *_typed_points(typed)])
        if points:
            curves.append(PlaneCurve(plane=plane, points=points))
    return tuple(curves)


def _end(timed: TimedEvent) -> datetime | None:
    seconds = timed.event.duration_s
    return None if seconds is None else timed.instant + timedelta(seconds=seconds)


def _typed_points(totals: Iterable[tuple[datetime, ConsoleTotal]]) -> list[CurvePoint]:
    return [
        CurvePoint(
            instant=instant,
            reference_air_kerma_mgy=total.reference_air_kerma_mgy,
            dose_area_product_gycm2=total.dose_area_product_gycm2,
            fluoroscopy_time_s=total.fluoroscopy_time_s,
            basis="typed",
        )
        for instant, total in totals
    ]


def _event_points(events: Sequence[TimedEvent]) -> list[CurvePoint]:
    """One point at each start and each end; dose of an overlapping event counts by its share."""
    ends = [_end(t) or t.instant for t in events]
    order = sorted(range(len(events)), key=lambda i: (ends[i], events[i].instant))
    ended = [ends[i] for i in order]
    sums = [_running_sums([_numbers(events[i].event)[q] for i in order]) for q in range(3)]
    instants = sorted({*ended, *(t.instant for t in events)})
    points = []
    done, first_open = 0, 0
    by_start = sorted(range(len(events)), key=lambda i: events[i].instant)
    running: list[int] = []
    for now in instants:
        while done < len(ended) and ended[done] <= now:
            done += 1
        while first_open < len(by_start) and events[by_start[first_open]].instant < now:
            running.append(by_start[first_open])
            first_open += 1
        running = [i for i in running if ends[i] > now]
        values = [sums[q][done] for q in range(3)]
        for i in running:
            share = (now - events[i].instant) / (ends[i] - events[i].instant)
            values = [
                _plus(v, _part(n, share)) for v, n in zip(values, _numbers(events[i].event), strict=True)
            ]
        points.append(CurvePoint(now, values[0], values[1], values[2], "summed"))
    return points


def _numbers(event: IrradiationEvent) -> _Numbers:
    seconds = event.duration_s if exposure_kind(event) == "fluoroscopy" else None
    return (event.reference_air_kerma_mgy, event.dose_area_product_gycm2, seconds)


def _running_sums(numbers: Iterable[float | None]) -> list[float | None]:
    """The sum of the first 0, 1, 2 ... numbers; None until the first known one."""
    sums: list[float | None] = [None]
    for number in numbers:
        sums.append(_plus(sums[-1], number))
    return sums


def _plus(total: float | None, part: float | None) -> float | None:
    if part is None:
        return total
    return part if total is None else total + part


def _part(number: float | None, share: float) -> float | None:
    return None if number is None else number * share


def _merged(points: Iterable[CurvePoint]) -> tuple[CurvePoint, ...]:
    """The running maximum of both sources; a reading below the events so far moves nothing."""
    merged: list[CurvePoint] = []
    high: _Numbers = (None, None, None)
    basis: PointBasis | None = None
    for point in sorted(points, key=lambda p: p.instant):
        found = (point.reference_air_kerma_mgy, point.dose_area_product_gycm2, point.fluoroscopy_time_s)
        new = tuple(_most(h, f) for h, f in zip(high, found, strict=True))
        if new != high or basis is None:
            basis = point.basis
        high = (new[0], new[1], new[2])
        if merged and merged[-1].instant == point.instant:
            merged.pop()
        merged.append(CurvePoint(point.instant, *high, basis=basis))
    return tuple(merged)


def _most(one: float | None, other: float | None) -> float | None:
    if one is None or other is None:
        return one if other is None else other
    return max(one, other)
