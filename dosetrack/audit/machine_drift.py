"""Whether the meters of a machine moved: DAP over Ka,r against the stated field, month by month.

In every case the ratio of DAP to Ka,r times the stated field should stay what it was, whatever the
patients and procedures. When it moves, one of the meters moved, or the collimator, or what the
machine states. It cannot tell which, and says nothing where both meters move alike.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import log10
from typing import Literal

from dosetrack.audit.intervals import percentile_interval
from dosetrack.audit.machine_facts import CaseOfMachine
from dosetrack.tables import constants

Verdict = Literal["moved", "may have moved", "as before", "not enough cases", "not told"]
_MIDDLE = 0.5
_ROUNDING = 1e-9  # a change at the tolerance is not beyond it


@dataclass(frozen=True, slots=True)
class MedianInterval:
    """Median of `n` values with its order-statistic interval; low and high None for too few values."""

    n: int
    median: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class DriftMonth:
    """One month of one plane: ratio of DAP to what Ka,r and the stated field expect.

    change, change_low, change_high : against the first months, 0.1 is 10 % more; None without them
    """

    month: str
    ratio: MedianInterval | None
    kerma_per_pulse_mgy: MedianInterval | None
    kerma_per_frame_mgy: MedianInterval | None
    change: float | None = None
    change_low: float | None = None
    change_high: float | None = None


@dataclass(frozen=True, slots=True)
class Baseline:
    """The cases of some months together: the first ones, or the newest."""

    first_month: str
    last_month: str
    ratio: MedianInterval


@dataclass(frozen=True, slots=True)
class Drift:
    """The meters of one plane over the window.

    verdict : 'moved' where the whole interval of the change lies beyond the tolerance, 'may have moved'
        where the change does and its interval does not
    recent : the newest month where it stands out by itself, else the newest months together
    change : of `recent` against `baseline`; moved_since : first month of the unbroken run beyond it
    since_calibration, change_since_calibration : the same from the newest calibration on
    scale_slip : '100' or '1/100' where the ratio of `recent`, else of all, is near such a power of ten
    """

    plane: str | None
    months: tuple[DriftMonth, ...]
    overall: MedianInterval | None
    verdict: Verdict
    baseline: Baseline | None = None
    recent: Baseline | None = None
    change: float | None = None
    moved_since: str | None = None
    since_calibration: Baseline | None = None
    change_since_calibration: float | None = None
    scale_slip: str | None = None


def median_interval(values: Iterable[float]) -> MedianInterval | None:
    """The median with its order-statistic interval; None of no value.

    Examples
    --------
    >>> median_interval([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    MedianInterval(n=6, median=3.5, low=1.0, high=6.0)
    """
    ordered = sorted(values)
    if not ordered:
        return None
    found = percentile_interval(ordered, _MIDDLE)
    return MedianInterval(n=len(ordered), median=found.value, low=found.low, high=found.high)


def drift_of(cases: Sequence[CaseOfMachine], *, plane: str | None, calibrated_on: str | None = None) -> Drift:
    """The drift of one plane from its cases, in order of days.

    calibrated_on : day of the newest calibration, YYYY-MM-DD
    """
    months = _months(cases)
    values = [case.field_ratio for case in cases if case.field_ratio is not None]
    overall = median_interval(values)
    if overall is None:
        return Drift(plane=plane, months=months, overall=None, verdict="not told")
    baseline = _first_months(cases, from_day="")
    compared = tuple(_compared(month, baseline) for month in months)
    recent = _recent(cases, after=baseline) if baseline else None
    since = _first_months(cases, from_day=calibrated_on) if calibrated_on else None
    latest = _recent(cases, after=since) if since else None
    return Drift(
        plane=plane,
        months=compared,
        overall=overall,
        verdict=_verdict(baseline, recent),
        baseline=baseline,
        recent=recent,
        change=_change(baseline, recent),
        moved_since=_moved_since(compared, baseline),
        since_calibration=since,
        change_since_calibration=_change(since, latest),
        scale_slip=power_of_ten(recent.ratio.median if recent else overall.median),
    )


def _verdict(baseline: Baseline | None, recent: Baseline | None) -> Verdict:
    change = _change(baseline, recent)
    if baseline is None or recent is None or change is None:
        return "not enough cases"
    start, low, high = baseline.ratio.median, recent.ratio.low, recent.ratio.high
    if low is not None and high is not None and _is_beyond(low / start - 1, high / start - 1):
        return "moved"
    return "may have moved" if _is_beyond(change, change) else "as before"


def _change(start: Baseline | None, end: Baseline | None) -> float | None:
    return end.ratio.median / start.ratio.median - 1 if start and end else None


def _is_beyond(low: float, high: float) -> bool:
    """Whether a change from `low` to `high` lies wholly beyond the tolerance, on one side."""
    most = constants("machines")["drift_tolerance"].number
    return low > most + _ROUNDING or high < 1 / (1 + most) - 1 - _ROUNDING


def has_moved(month: DriftMonth) -> bool:
    """Whether the whole interval of the month's change lies beyond the tolerance, on one side."""
    if month.change_low is None or month.change_high is None:
        return False
    return _is_beyond(month.change_low, month.change_high)


def power_of_ten(ratio: float) -> str | None:
    """'100' or '1/100' where `ratio` is near such a power of ten, from 10 upwards; None where not.

    Examples
    --------
    >>> power_of_ten(0.011), power_of_ten(96.0), power_of_ten(1.4)
    ('1/100', '100', None)
    """
    table = constants("consistency")
    if ratio <= 0 or max(ratio, 1 / ratio) < constants("machines")["scale_slip_least"].number:
        return None
    exponent = log10(ratio)
    nearest = round(exponent)
    if nearest == 0 or abs(exponent - nearest) > table["scale_slip_width"].number:
        return None
    return f"{10**nearest}" if nearest > 0 else f"1/{10**-nearest}"


def _fewest() -> int:
    return int(constants("machines")["fewest_cases"].number)


def _months(cases: Sequence[CaseOfMachine]) -> tuple[DriftMonth, ...]:
    by_month: dict[str, list[CaseOfMachine]] = {}
    for case in cases:
        by_month.setdefault(case.day[:7], []).append(case)
    return tuple(
        DriftMonth(
            month=month,
            ratio=_interval(members, lambda case: case.field_ratio),
            kerma_per_pulse_mgy=_interval(members, lambda case: case.kerma_per_pulse_mgy),
            kerma_per_frame_mgy=_interval(members, lambda case: case.kerma_per_frame_mgy),
        )
        for month, members in sorted(by_month.items())
    )


def _interval(
    cases: Sequence[CaseOfMachine], value_of: Callable[[CaseOfMachine], float | None]
) -> MedianInterval | None:
    known = [value for case in cases if (value := value_of(case)) is not None]
    return median_interval(known)


def _by_month(cases: Sequence[CaseOfMachine]) -> dict[str, list[float]]:
    """The ratios of each month, oldest first."""
    found: dict[str, list[float]] = {}
    for case in cases:
        if case.field_ratio is not None:
            found.setdefault(case.day[:7], []).append(case.field_ratio)
    return dict(sorted(found.items()))


def _first_months(cases: Sequence[CaseOfMachine], *, from_day: str) -> Baseline | None:
    """Of the first months, from a day on, that have enough cases; None where there is none."""
    by_month = _by_month([case for case in cases if case.day >= from_day])
    enough = [month for month, values in by_month.items() if len(values) >= _fewest()]
    return _together(by_month, enough[: _compared_months()])


def _recent(cases: Sequence[CaseOfMachine], *, after: Baseline) -> Baseline | None:
    """Of the newest month where it stands out by itself, else of the newest months together.

    None where they hold too few cases. `after` : the first ones, which do not count.
    """
    by_month = {month: v for month, v in _by_month(cases).items() if month > after.last_month}
    newest = _together(by_month, list(by_month)[-1:])
    if newest and newest.ratio.n >= _fewest() and _verdict(after, newest) == "moved":
        return newest
    found = _together(by_month, list(by_month)[-_compared_months() :])
    return found if found and found.ratio.n >= _fewest() else None


def _together(by_month: dict[str, list[float]], months: Sequence[str]) -> Baseline | None:
    ratio = median_interval(value for month in months for value in by_month[month])
    return Baseline(first_month=months[0], last_month=months[-1], ratio=ratio) if ratio else None


def _compared_months() -> int:
    return int(constants("machines")["baseline_months"].number)


def _compared(month: DriftMonth, baseline: Baseline | None) -> DriftMonth:
    """The month with its change against the first months."""
    if month.ratio is None or baseline is None:
        return month
    start = baseline.ratio.median
    low, high = month.ratio.low, month.ratio.high
    return DriftMonth(
        month=month.month,
        ratio=month.ratio,
        kerma_per_pulse_mgy=month.kerma_per_pulse_mgy,
        kerma_per_frame_mgy=month.kerma_per_frame_mgy,
        change=month.ratio.median / start - 1,
        change_low=None if low is None else low / start - 1,
        change_high=None if high is None else high / start - 1,
    )


def _moved_since(months: Sequence[DriftMonth], baseline: Baseline | None) -> str | None:
    """First month of the unbroken run, up to the newest, whose median lies beyond the tolerance."""
    since = None
    for month in reversed(months):
        if month.change is None:
            continue
        if (
            baseline is None
            or month.month <= baseline.last_month
            or not _is_beyond(month.change, month.change)
        ):
            break
        since = month.month
    return since
