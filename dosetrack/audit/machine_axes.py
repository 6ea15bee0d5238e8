"""What the data say of a machine's conventions: which way the table readings run, which signs angles have."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dosetrack.audit.machine_facts import ANGLES, TABLE_READINGS, CaseOfMachine
from dosetrack.audit.typical import quantile
from dosetrack.tables import constants

WHERE = {"x": "across the table", "y": "up and down", "z": "along the table"}
_ALONG = "z"
_MIDDLE, _UPPER = 0.5, 0.95
_ENDS = {"primary": ("LAO", "RAO"), "secondary": ("cranial", "caudal")}


@dataclass(frozen=True, slots=True)
class AxisSpread:
    """How far one table reading moves within a case.

    direction : room axis it is set to grow along, '+x', '-z' ...
    cases : that tell it; the way is the highest less the lowest reading of a case [mm]
    beyond : cases whose way is longer than a table moves across or up and down
    doubt : why the setting looks wrong; None where nothing speaks against it
    """

    reading: str
    direction: str
    cases: int
    median_mm: float | None = None
    upper_mm: float | None = None
    most_mm: float | None = None
    beyond: int = 0
    doubt: str | None = None


@dataclass(frozen=True, slots=True)
class AngleRange:
    """Angles seen, over all cases [deg]. doubt : what looks odd about the sign; None where nothing does."""

    angle: str
    low_deg: float | None
    high_deg: float | None
    doubt: str | None = None


def axis_spreads(cases: Sequence[CaseOfMachine], directions: Mapping[str, str]) -> tuple[AxisSpread, ...]:
    """The three table readings.

    directions : reading -> room axis by the settings: x left, y down, z head
    """
    ways = {
        name: sorted(
            span[1] - span[0] for case in _whole(cases) if (span := case.table_mm[index]) is not None
        )
        for index, name in enumerate(TABLE_READINGS)
    }
    spreads = [_spread(name, directions[name], ways[name]) for name in TABLE_READINGS]
    return tuple(_doubted(one, spreads) for one in spreads)


def angle_ranges(cases: Sequence[CaseOfMachine]) -> tuple[AngleRange, ...]:
    """Range and signs of the primary and secondary angle.

    References
    ----------
    PS3.16 TID 10003C: left anterior oblique and cranial are positive.
    """
    events = sum(case.events for case in cases)
    found = []
    for index, name in enumerate(ANGLES):
        spans = [span for case in cases if (span := case.angles_deg[index]) is not None]
        low = min((span[0] for span in spans), default=None)
        high = max((span[1] for span in spans), default=None)
        found.append(AngleRange(name, low, high, _sign_doubt(name, low, high, events)))
    return tuple(found)


def _whole(cases: Sequence[CaseOfMachine]) -> list[CaseOfMachine]:
    """One row per case: the table is the same for both planes, so the first that tells it counts."""
    first: dict[str, CaseOfMachine] = {}
    for case in cases:
        if any(case.table_mm):
            first.setdefault(case.case_id, case)
    return list(first.values())


def _spread(name: str, direction: str, ways: Sequence[float]) -> AxisSpread:
    if not ways:
        return AxisSpread(name, direction, 0)
    most = constants("skin_placing")["across_table_most"].number
    return AxisSpread(
        reading=name,
        direction=direction,
        cases=len(ways),
        median_mm=quantile(ways, _MIDDLE),
        upper_mm=quantile(ways, _UPPER),
        most_mm=ways[-1],
        beyond=sum(way > most for way in ways),
    )


def _doubted(one: AxisSpread, spreads: Sequence[AxisSpread]) -> AxisSpread:
    """`one` with what speaks against its setting."""
    axis = one.direction[1]
    doubt = None
    most = constants("skin_placing")["across_table_most"].number
    if axis != _ALONG and one.beyond:
        doubt = (
            f"moves more than {most:g} mm in {one.beyond} of {one.cases} cases, further than a table does "
            f"{WHERE[axis]}: it may run along the table"
        )
    elif axis == _ALONG and one.upper_mm is not None:
        further = max(spreads, key=lambda other: other.upper_mm or 0.0)
        times = constants("machines")["longest_axis"].number
        if (further.upper_mm or 0.0) > times * one.upper_mm:
            doubt = f"moves less than the {further.reading} reading: that one may run along the table"
    return AxisSpread(
        one.reading, one.direction, one.cases, one.median_mm, one.upper_mm, one.most_mm, one.beyond, doubt
    )


def _sign_doubt(name: str, low: float | None, high: float | None, events: int) -> str | None:
    if low is None or high is None or events < constants("machines")["one_sign_events"].number:
        return None
    positive, negative = _ENDS[name]
    if low >= 0 < high:
        return f"no {negative} (negative) angle in {events} events: the sign may be lost"
    if high <= 0 > low:
        return f"no {positive} (positive) angle in {events} events: the sign may be turned or lost"
    return None if low < high else f"always {low:g} degrees in {events} events: it may not be measured"
