"""One machine in its own data: meters, conventions, conformance, calibration, clock, findings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from dosetrack.audit.machine_axes import AngleRange, AxisSpread, angle_ranges, axis_spreads
from dosetrack.audit.machine_conformance import Conformance
from dosetrack.audit.machine_drift import Drift, drift_of
from dosetrack.audit.machine_facts import CaseOfMachine, MachineKey
from dosetrack.tables import constants

CalibrationState = Literal["no factor set", "due", "not due yet"]
_SECOND_PLANE = "b"


@dataclass(frozen=True, slots=True)
class CalibrationFactor:
    """One factor of a room as it was set: true over displayed. valid_from : YYYY-MM-DD."""

    room: str
    plane: str
    factor: float
    valid_from: str
    source: str | None
    by: str


@dataclass(frozen=True, slots=True)
class Calibration:
    """The factors of a machine, oldest first, and the day the next check is due (YYYY-MM-DD)."""

    state: CalibrationState
    factors: tuple[CalibrationFactor, ...] = ()
    next_due: str | None = None
    interval_months: int | None = None


@dataclass(frozen=True, slots=True)
class ClockBound:
    """What times of receipt say of a machine's clock.

    reports : received soon after the time they carry
    at_least_ahead_s : the clock is ahead of the receiver's by at least this; negative: behind it by at
        most that much; None where no report came soon enough to tell
    """

    reports: int
    at_least_ahead_s: float | None = None


@dataclass(frozen=True, slots=True)
class MachineFacts:
    """What stands about a machine beside its events. Days are YYYY-MM-DD; `rooms`: most used first."""

    key: MachineKey
    manufacturers: tuple[str, ...]
    models: tuple[str, ...]
    rooms: tuple[str, ...]
    reports: int
    sources: tuple[tuple[str, int], ...]
    first_day: str
    last_day: str
    findings: tuple[tuple[str, int], ...]
    clock: ClockBound


@dataclass(frozen=True, slots=True)
class Machine:
    """One machine over the window.

    cases, events : counted
    reference_points : definition told -> events; None where no definition is told
    axes_verified : the setting of its room; None where the room is not known
    """

    facts: MachineFacts
    cases: int
    events: int
    drifts: tuple[Drift, ...]
    reference_points: tuple[tuple[str | None, int], ...]
    axes: tuple[AxisSpread, ...]
    axes_verified: bool | None
    angles: tuple[AngleRange, ...]
    calibration: Calibration
    conformance: Conformance | None = None

    @property
    def name(self) -> str:
        """Room, else station, else serial number."""
        key = self.facts.key
        return (self.facts.rooms or (key.station or key.serial or "machine not named",))[0]


@dataclass(frozen=True, slots=True)
class Machines:
    """Every machine that sent something in the window, by room and name. Days are YYYY-MM-DD."""

    first_day: str
    last_day: str
    machines: tuple[Machine, ...]


def machine_of(
    facts: MachineFacts,
    cases: Sequence[CaseOfMachine],
    *,
    directions: Mapping[str, str],
    axes_verified: bool | None,
    calibration: Calibration,
) -> Machine:
    """One machine from its facts and its cases.

    directions : table reading -> room axis by the settings of its room
    """
    planes: dict[str | None, list[CaseOfMachine]] = {}
    for case in cases:
        planes.setdefault(case.plane, []).append(case)
    points: Counter[str | None] = Counter()
    for case in cases:
        points.update(dict(case.reference_points))
    return Machine(
        facts=facts,
        cases=len({case.case_id for case in cases}),
        events=sum(case.events for case in cases),
        drifts=tuple(
            drift_of(members, plane=plane, calibrated_on=calibrated_on(calibration, plane))
            for plane, members in sorted(planes.items(), key=lambda one: one[0] or "")
        ),
        reference_points=tuple(points.most_common()),
        axes=axis_spreads(cases, directions),
        axes_verified=axes_verified,
        angles=angle_ranges(cases),
        calibration=calibration,
    )


def calibrated_on(calibration: Calibration, plane: str | None) -> str | None:
    """Day of the newest factor that counts for `plane`."""
    wanted = "b" if plane == _SECOND_PLANE else "a"
    return max((f.valid_from for f in calibration.factors if f.plane == wanted), default=None)


def calibration_of(
    factors: Sequence[CalibrationFactor], *, interval_months: int, today: str, planes: Iterable[str | None]
) -> Calibration:
    """Which factors stand, and whether the next check is due.

    planes : those the machine uses; the check is due by the oldest of their newest factors

    Examples
    --------
    >>> one = CalibrationFactor("Room 1", "a", 1.04, "2025-10-31", None, "Invented Physicist")
    >>> calibration_of([one], interval_months=12, today="2026-10-31", planes=["single"]).state
    'due'
    >>> calibration_of([one], interval_months=12, today="2026-10-30", planes=["single"]).next_due
    '2026-10-31'
    """
    ordered = tuple(sorted(factors, key=lambda one: one.valid_from))
    found = Calibration("not due yet", ordered, interval_months=interval_months)
    newest = [calibrated_on(found, plane) for plane in planes] or [None]
    if not ordered or any(day is None for day in newest):
        return Calibration("no factor set", ordered, interval_months=interval_months)
    due = months_after(min(day for day in newest if day), interval_months)
    return Calibration("due" if due <= today else "not due yet", ordered, due, interval_months)


def clock_bound(lags_s: Iterable[float]) -> ClockBound:
    """What the seconds from a report's own time to its receipt say of the machine's clock.

    A report cannot come before it was made: a lag below zero is the machine's clock.

    Examples
    --------
    >>> clock_bound([40.0, -170.0, -180.0, 90_000.0])
    ClockBound(reports=3, at_least_ahead_s=180.0)
    """
    most = constants("machines")["receipt_within"].number * 3600
    soon = [lag for lag in lags_s if abs(lag) <= most]
    return ClockBound(len(soon), -min(soon) if soon else None)


def months_after(day: str, months: int) -> str:
    """The same day `months` later, or the last of a shorter month (YYYY-MM-DD).

    Examples
    --------
    >>> months_after("2026-08-31", 6)
    '2027-02-28'
    """
    start = date.fromisoformat(day)
    number = start.year * 12 + start.month - 1 + months
    for last in (start.day, 30, 29, 28):
        try:
            return date(number // 12, number % 12 + 1, min(last, start.day)).isoformat()
        except ValueError:
            continue
    raise AssertionError(day)
