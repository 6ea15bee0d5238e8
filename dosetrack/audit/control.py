"""Control charts of single cases and of monthly medians: x-mR charts on logarithms.

Dose is skewed, so the chart works on log10 of the value and gives its lines back in the value's own
unit. Two rules speak, and no others: a point beyond the limits; so many points in a row strictly on
one side of the centre. On the moving range one more: a range above its limit. The limits come from
all points of a stretch; nothing is trimmed. A change of equipment, protocol or setting begins a new
stretch with lines of its own. The rules are for talking about a process: no point says anything
about one patient.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from itertools import pairwise
from math import log10

from dosetrack.audit.cases import AuditCase
from dosetrack.audit.changes import Change, changes_touching
from dosetrack.audit.months import month_of
from dosetrack.audit.typical import quantile
from dosetrack.tables import constants

_SAME = 1e-9  # logarithms nearer than this are one value


class Signal(StrEnum):
    """What a rule says of a point."""

    BEYOND = "beyond the limits"
    RUN = "in a run on one side of the centre"
    RANGE = "moving range above its limit"


class Lines(StrEnum):
    """Whether a stretch has limits."""

    GIVEN = "limits from all points of the stretch"
    TOO_FEW = "too few points for limits"
    NO_SPREAD = "every value is equal: no limits"


@dataclass(frozen=True, slots=True)
class Limits:
    """Lines of an x-mR chart in the scale of the values given; limits are None unless `GIVEN`.

    n : points; the moving ranges are one fewer
    mean_range, range_high : centre and upper limit of the moving range; the lower one is zero
    """

    lines: Lines
    n: int
    centre: float
    low: float | None = None
    high: float | None = None
    mean_range: float | None = None
    range_high: float | None = None


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """One point. label : case id, or month with the days it stands for.

    value : in the quantity's unit; the median of `n` cases in a monthly chart
    range_ratio : 10 to the moving range: how many times the one before, or its inverse; None for
        the first point of a stretch
    """

    label: str
    day: date
    value: float
    n: int
    range_ratio: float | None
    signals: tuple[Signal, ...]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Points between two changes, with their lines in the quantity's unit.

    began_with : changes at its beginning; empty for the first stretch
    range_ratio_high : upper limit of `range_ratio`
    """

    began_with: tuple[Change, ...]
    lines: Lines
    points: tuple[ChartPoint, ...]
    centre: float
    low: float | None
    high: float | None
    range_ratio_high: float | None


@dataclass(frozen=True, slots=True)
class ControlChart:
    """stretches : in order of time, none where no case has the quantity

    missing : cases that lack the quantity
    not_positive : ids of cases whose value is zero or below, which has no logarithm
    empty_months : months between the first and the last point that no point stands for
    """

    quantity: str
    stretches: tuple[Stretch, ...]
    missing: int
    not_positive: tuple[str, ...]
    empty_months: tuple[str, ...] = ()


def limits_of(values: Sequence[float]) -> Limits:
    """The lines of an x-mR chart of `values` in their order, on their own scale.

    Parameters
    ----------
    values : at least one

    References
    ----------
    Montgomery and Runger, Applied Statistics and Probability for Engineers, 3rd edition 2003,
    equations 16-18 and 16-19: centre plus and minus 3/d2 mean moving ranges, D4 for the range.
    """
    n = len(values)
    if not n:
        raise ValueError("lines of a chart without a point: wants one value at least")
    centre = sum(values) / n
    ranges = [abs(b - a) for a, b in pairwise(values)]
    mean_range = sum(ranges) / len(ranges) if ranges else None
    if n < _own("fewest_for_limits") or mean_range is None:
        return Limits(Lines.TOO_FEW, n, centre, mean_range=mean_range)
    if max(values) - min(values) <= _SAME * max(1.0, abs(centre)):
        return Limits(Lines.NO_SPREAD, n, centre, mean_range=0.0)
    reach = _own("x_limit_factor") * mean_range
    high = _own("mr_limit_factor") * mean_range
    return Limits(Lines.GIVEN, n, centre, centre - reach, centre + reach, mean_range, high)


def signals_of(values: Sequence[float], limits: Limits) -> list[tuple[Signal, ...]]:
    """What the rules say of each of `values`, in their order."""
    runs = _in_run(values, limits)
    found = []
    for i, value in enumerate(values):
        said = []
        if limits.low is not None and limits.high is not None and not limits.low <= value <= limits.high:
            said.append(Signal.BEYOND)
        if runs[i]:
            said.append(Signal.RUN)
        if i and limits.range_high is not None and abs(value - values[i - 1]) > limits.range_high:
            said.append(Signal.RANGE)
        found.append(tuple(said))
    return found


def _in_run(values: Sequence[float], limits: Limits) -> list[bool]:
    """Whether each value is at least the last needed of a run; a value on the centre ends a run."""
    if limits.lines is not Lines.GIVEN:
        return [False] * len(values)
    found, side, length = [], 0, 0
    for value in values:
        distance = value - limits.centre
        now = 0 if abs(distance) <= _SAME else (1 if distance > 0 else -1)
        length = length + 1 if now and now == side else abs(now)
        side = now
        found.append(length >= _own("run_length"))
    return found


def case_chart(cases: Iterable[AuditCase], quantity: str, *, changes: Sequence[Change] = ()) -> ControlChart:
    """The chart of single cases in order of day, cases of a day by id.

    Parameters
    ----------
    cases : of one procedure and age group
    """
    known = _Known(cases, quantity)
    telling = changes_touching(known.cases, changes)
    stretches = []
    for began_with, rows in _split(known.cases, telling):
        drawn = [(case.id, case.day, known.values[case.id], 1) for case in rows]
        stretches.append(_stretch(began_with, drawn))
    return ControlChart(quantity, tuple(stretches), known.missing, known.not_positive)


def month_chart(cases: Iterable[AuditCase], quantity: str, *, changes: Sequence[Change] = ()) -> ControlChart:
    """The chart of monthly medians. A month with a change in it gives a point before and one after.

    A month without a case gives no point; the moving range then goes to the last month that has one.

    Parameters
    ----------
    cases : of one procedure and age group
    """
    known = _Known(cases, quantity)
    telling = changes_touching(known.cases, changes)
    stretches, months = [], set()
    for began_with, rows in _split(known.cases, telling):
        by_month: dict[str, list[AuditCase]] = {}
        for case in rows:
            by_month.setdefault(month_of(case.day), []).append(case)
        drawn = []
        for month, members in by_month.items():
            median = quantile(sorted(known.values[c.id] for c in members), 0.5)
            drawn.append((month, members[0].day, median, len(members)))
        months |= set(by_month)
        stretches.append(_stretch(began_with, drawn))
    return ControlChart(quantity, tuple(stretches), known.missing, known.not_positive, _gaps(months))


class _Known:
    """The cases that can be drawn, in order of day and id, and what cannot."""

    def __init__(self, cases: Iterable[AuditCase], quantity: str) -> None:
        given = sorted(cases, key=lambda c: (c.day, c.id))
        values = {c.id: value for c in given if (value := c.value(quantity)) is not None}
        self.missing = len(given) - len(values)
        self.not_positive = tuple(key for key, value in values.items() if value <= 0)
        self.values = {key: value for key, value in values.items() if value > 0}
        self.cases = [c for c in given if c.id in self.values]


def _split(
    cases: Sequence[AuditCase], changes: Sequence[Change]
) -> list[tuple[tuple[Change, ...], list[AuditCase]]]:
    """Cases between changes. Changes without a case between them begin one stretch together."""
    found: list[tuple[tuple[Change, ...], list[AuditCase]]] = []
    waiting, place = [], 0
    for case in cases:
        begun = bool(found)
        while place < len(changes) and changes[place].day <= case.day:
            waiting.append(changes[place])
            place += 1
        if waiting or not found:
            found.append((tuple(waiting) if begun else (), []))
            waiting = []
        found[-1][1].append(case)
    return found


def _stretch(began_with: tuple[Change, ...], drawn: Sequence[tuple[str, date, float, int]]) -> Stretch:
    logs = [log10(value) for _, _, value, _ in drawn]
    limits = limits_of(logs)
    said = signals_of(logs, limits)
    points = tuple(
        ChartPoint(label, day, value, n, 10 ** abs(logs[i] - logs[i - 1]) if i else None, said[i])
        for i, (label, day, value, n) in enumerate(drawn)
    )
    return Stretch(
        began_with=began_with,
        lines=limits.lines,
        points=points,
        centre=10**limits.centre,
        low=_back(limits.low),
        high=_back(limits.high),
        range_ratio_high=_back(limits.range_high),
    )


def _back(logarithm: float | None) -> float | None:
    return None if logarithm is None else float(10**logarithm)


def _gaps(months: set[str]) -> tuple[str, ...]:
    if not months:
        return ()
    first, last = (int(m[:4]) * 12 + int(m[5:]) - 1 for m in (min(months), max(months)))
    every = (f"{m // 12:04d}-{m % 12 + 1:02d}" for m in range(first, last + 1))
    return tuple(month for month in every if month not in months)


def rules() -> tuple[tuple[str, str], ...]:
    """(signal, rule) of every rule of the charts, with its numbers, for the page and the papers."""
    x, mr = (constants("audit_statistics")[key].value for key in ("x_limit_factor", "mr_limit_factor"))
    run = constants("audit_statistics")["run_length"].value
    return (
        (Signal.BEYOND.value, f"outside the centre ± {x} × the mean moving range, of log10 of the values"),
        (Signal.RUN.value, f"at least the {run}th in a row strictly on one side of the centre"),
        (Signal.RANGE.value, f"step to the point before above {mr} × the mean moving range, of log10"),
    )


def _own(key: str) -> float:
    return constants("audit_statistics")[key].number
