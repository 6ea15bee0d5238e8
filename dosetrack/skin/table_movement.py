"""Where the table stood in each event of a case, from its readings to room axes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from math import ceil, dist

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.records.report import IrradiationEvent
from dosetrack.skin.beam import Point
from dosetrack.skin.placing_notes import PlacingNotes
from dosetrack.skin.setup import RoomAxis, TableAxes
from dosetrack.tables import constants

_Reading = Callable[[IrradiationEvent], float | None]
_ROOM = {"x": 0, "y": 1, "z": 2}
_WHERE = {"x": "across the table", "y": "up and down"}
_HEIGHT = {True: 1, False: 2}  # which of the three readings is the height
_STANDARD_AXES: tuple[RoomAxis, RoomAxis, RoomAxis] = ("+x", "+y", "+z")


@dataclass(frozen=True, slots=True)
class _Axis:
    """One reading of the table and the way it grows in the room."""

    name: str
    start: _Reading
    end: _Reading
    room: RoomAxis


@dataclass(frozen=True, slots=True)
class TableTrack:
    """Table readings of a case in room axes, x left, y down, z head; the zero is the machine's [mm].

    start_mm, end_mm : one point for each event
    is_known : whether all three directions are told by some event
    is_height_known : whether the height is
    is_from_isocentre : the zero of y is the isocentre and the reading that of the table top
    """

    start_mm: tuple[Point, ...]
    end_mm: tuple[Point, ...]
    is_known: bool
    is_height_known: bool
    is_from_isocentre: bool
    findings: tuple[Finding, ...] = ()


def table_track(events: Sequence[IrradiationEvent], axes: TableAxes, notes: PlacingNotes) -> TableTrack:
    """The table in each of `events`, which are in time order.

    Positions relative to the isocentre are used where all events that tell the table tell them;
    else the readings by the axes of the system. A reading that is missing stays as it was before;
    one that no event tells does not move. All zero counts as told by none.

    References
    ----------
    DICOM PS3.17 FFF.1.2.2.2: table axes x left, y down, z head of a head-first supine patient;
    their origin lies on the table top, else it is arbitrary.
    """
    has_isocentre = _tells_isocentre(events)
    used = _isocentre_axes() if has_isocentre else _reading_axes(axes)
    if not has_isocentre and not axes.is_verified:
        notes.case("table-axes", "directions of the table readings not verified on this system")
    columns = _columns(events, used, notes)
    unknown = [axis.name for axis, (starts, _) in zip(used, columns, strict=True) if starts is None]
    if len(unknown) == len(used):
        notes.case("table-movement", "no table positions told; the table is taken not to have moved")
    elif unknown:
        notes.case("table-movement", f"table {' and '.join(unknown)} not told and taken not to have moved")
    count = len(events)
    starts, ends = [[0.0] * 3 for _ in range(count)], [[0.0] * 3 for _ in range(count)]
    for axis, (first, last) in zip(used, columns, strict=True):
        if first is None or last is None:
            continue
        sign, room = (1.0 if axis.room[0] == "+" else -1.0), _ROOM[axis.room[1]]
        for row in range(count):
            starts[row][room] = sign * first[row]
            ends[row][room] = sign * last[row]
    return TableTrack(
        start_mm=tuple((x, y, z) for x, y, z in starts),
        end_mm=tuple((x, y, z) for x, y, z in ends),
        is_known=not unknown,
        is_height_known=columns[_HEIGHT[has_isocentre]][0] is not None,
        is_from_isocentre=has_isocentre,
        findings=() if has_isocentre else tuple(_doubtful(used, columns)),
    )


def shares_of_way(start: Point, end: Point) -> tuple[float, ...]:
    """Ends of the equal parts an event with a moving table is cut into, from 0 to 1.

    No part is longer than the step of the table; (0, 1) while it stands.

    Examples
    --------
    >>> shares_of_way((0.0, 0.0, 0.0), (0.0, 0.0, -20.0))
    (0.0, 0.5, 1.0)
    """
    if start == end:
        return (0.0, 1.0)
    step = constants("skin_placing")["table_step"].number
    parts = max(1, ceil(dist(start, end) / step - 1e-9))
    return tuple(part / parts for part in range(parts + 1))


def along(start: Point, end: Point, share: float) -> Point:
    """The point at `share`, 0 to 1, of the way from `start` to `end` [mm]."""
    x, y, z = (a + (b - a) * share for a, b in zip(start, end, strict=True))
    return x, y, z


def _reading_axes(axes: TableAxes) -> tuple[_Axis, ...]:
    return (
        _Axis(
            "longitudinal position",
            lambda e: e.table_longitudinal_mm,
            lambda e: e.table_longitudinal_end_mm,
            axes.longitudinal,
        ),
        _Axis(
            "lateral position", lambda e: e.table_lateral_mm, lambda e: e.table_lateral_end_mm, axes.lateral
        ),
        _Axis("height", lambda e: e.table_height_mm, lambda e: e.table_height_end_mm, axes.height),
    )


def _isocentre_axes() -> tuple[_Axis, ...]:
    readings: tuple[_Reading, ...] = (
        lambda e: e.table_x_to_isocenter_mm,
        lambda e: e.table_y_to_isocenter_mm,
        lambda e: e.table_z_to_isocenter_mm,
    )
    return tuple(
        _Axis(f"{room[1]} position to isocentre", reading, lambda e: None, room)
        for reading, room in zip(readings, _STANDARD_AXES, strict=True)
    )


def _tells_isocentre(events: Sequence[IrradiationEvent]) -> bool:
    """Whether the isocentre positions tell at least as much of the case as the readings do."""
    told = 0
    for event in events:
        to_isocentre = (
            event.table_x_to_isocenter_mm, event.table_y_to_isocenter_mm, event.table_z_to_isocenter_mm,
        )  # fmt: skip
        if None in to_isocentre:
            readings = (event.table_longitudinal_mm, event.table_lateral_mm, event.table_height_mm)
            if any(readings):
                return False
        elif any(to_isocentre):
            told += 1
    return told > 0


_Column = tuple[list[float] | None, list[float] | None]


def _columns(events: Sequence[IrradiationEvent], axes: Sequence[_Axis], notes: PlacingNotes) -> list[_Column]:
    starts = [[_usable(axis.start(event)) for event in events] for axis in axes]
    # zero in every direction of several events is no reading; one direction may well stay at zero
    if not any(map(any, starts)) and len(events) >= constants("consistency")["table_zero_from_events"].number:
        return [(None, None)] * len(axes)
    return [_column(events, axis, told, notes) for axis, told in zip(axes, starts, strict=True)]


def _column(
    events: Sequence[IrradiationEvent], axis: _Axis, starts: list[float | None], notes: PlacingNotes
) -> _Column:
    """One reading over the case, gaps filled: (starts, ends); None: no event tells it."""
    if all(start is None for start in starts):
        return None, None
    first = next(one for one in starts if one is not None)
    ends = [_usable(axis.end(event)) for event in events]
    if not any(ends) and any(starts):
        ends = [None] * len(ends)  # an end that is always 0 is no end
    filled_starts, filled_ends, last = [], [], first
    for start, end in zip(starts, ends, strict=True):
        if start is None:
            notes.event("table-position", f"table {axis.name} not told, taken as before,")
            start = last
        filled_starts.append(start)
        last = start if end is None else end
        filled_ends.append(last)
    return filled_starts, filled_ends


def _usable(reading: float | None) -> float | None:
    return reading if reading is not None and abs(reading) <= _most_mm() else None


@cache
def _most_mm() -> float:
    return float(constants("implausible")["table_longitudinal_position"].high)


def _doubtful(axes: Sequence[_Axis], columns: Sequence[_Column]) -> list[Finding]:
    """Readings that move further than a table does in the direction they are set to."""
    most = constants("skin_placing")["across_table_most"].number
    found = []
    for axis, (starts, ends) in zip(axes, columns, strict=True):
        where = _WHERE.get(axis.room[1])
        if where is None or starts is None or ends is None:
            continue
        way = max(*starts, *ends) - min(*starts, *ends)
        if way > most:
            found.append(
                finding(
                    FindingCode.TABLE_AXES_DOUBTFUL,
                    reading=axis.name,
                    way=f"{way:.0f}",
                    where=where,
                    most=f"{most:g}",
                )
            )
    return found
