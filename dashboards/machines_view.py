"""What the page Machines shows of each machine: marks, facts and tables."""

from __future__ import annotations

from dataclasses import dataclass

from dashboards.components.number_table import NumberTable
from dashboards.router import search_of
from dosetrack.audit.machine_axes import WHERE
from dosetrack.audit.machine_conformance import Conformance
from dosetrack.audit.machine_drift import DriftMonth, MedianInterval
from dosetrack.audit.machine_wording import (
    PLANES,
    axes_words,
    calibration_words,
    clock_words,
    drift_words,
    field_words,
    percent,
)
from dosetrack.audit.machines import Machine

NOT_KNOWN = "not known"
ATTENTION, UNKNOWN, PLAIN = "▲", "◇", "●"
"""Marks: to be looked at, not known or not verified, as before."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A word with its shape at the head of a card. `href`: where to act, None where there is nothing."""

    shape: str
    words: str
    href: str | None = None

    @property
    def is_attention(self) -> bool:
        """Whether it is to be looked at."""
        return self.shape == ATTENTION


def marks(machine: Machine) -> tuple[Mark, ...]:
    """Meters, axes and calibration at a glance."""
    return (*_meter_marks(machine), _axes_mark(machine), _calibration_mark(machine), *_other_marks(machine))


def _meter_marks(machine: Machine) -> list[Mark]:
    found = []
    told = [drift for drift in machine.drifts if drift.verdict != "not told"]
    for drift in told:
        plane = f" {PLANES.get(drift.plane, drift.plane)}" if len(told) > 1 else ""
        if drift.scale_slip:
            found.append(Mark(ATTENTION, f"unit suspect{plane}: × {drift.scale_slip}"))
        elif drift.verdict in ("moved", "may have moved") and drift.change is not None:
            found.append(Mark(ATTENTION, f"meters {drift.verdict}{plane}: {percent(drift.change)}"))
    if found:
        return found
    if not told:
        return [Mark(UNKNOWN, "meters: not known")]
    if all(drift.verdict == "not enough cases" for drift in told):
        return [Mark(UNKNOWN, "meters: cannot tell yet")]
    return [Mark(PLAIN, "meters as before")]


def _axes_mark(machine: Machine) -> Mark:
    href = settings_link(machine, "skin.table_axes_verified")
    if any(axis.doubt for axis in machine.axes):
        return Mark(ATTENTION, "table axes doubtful", href)
    if not any(axis.cases for axis in machine.axes):
        return Mark(UNKNOWN, "table not told")
    if machine.axes_verified:
        return Mark(PLAIN, "table axes verified", href)
    return Mark(UNKNOWN, "table axes not verified", href)


def _calibration_mark(machine: Machine) -> Mark:
    href = settings_link(machine, "radiation.calibration_factor")
    state = machine.calibration.state
    if state == "due":
        return Mark(ATTENTION, f"calibration due since {machine.calibration.next_due}", href)
    if state == "no factor set":
        return Mark(UNKNOWN, "no calibration factor for every plane", href)
    return Mark(PLAIN, f"next calibration {machine.calibration.next_due}", href)


def _other_marks(machine: Machine) -> list[Mark]:
    found = [
        Mark(ATTENTION, f"{angle.angle} angle: look at its sign") for angle in machine.angles if angle.doubt
    ]
    if len([word for word, _ in machine.reference_points if word]) > 1:
        found.append(Mark(ATTENTION, "more than one reference point"))
    if not clock_words(machine.facts.clock).startswith("Clock:"):
        found.append(Mark(ATTENTION, "clock ahead"))
    return found


def settings_link(machine: Machine, key: str) -> str | None:
    """Where the setting of the machine's room stands."""
    rooms = machine.facts.rooms
    return "/settings" + search_of({"scope": f"room:{rooms[0]}", "key": key}) if rooms else None


def facts(machine: Machine) -> list[tuple[str, str]]:
    """Name and words of each line of the card."""
    found, key = machine.facts, machine.facts.key
    made = " ".join((*found.manufacturers[:1], *found.models[:1])) or NOT_KNOWN
    told = [d for d in machine.drifts if d.overall is not None] or list(machine.drifts[:1])
    several = len(told) > 1
    lines = [
        ("System", f"{made}; serial {key.serial or NOT_KNOWN}, station {key.station or NOT_KNOWN}"),
        ("Reports", f"{found.reports} with {machine.cases} cases and {machine.events} events, "
                    f"{found.first_day} to {found.last_day}"),
        *((f"Meters{_of(d.plane) if several else ''}", drift_words(d)) for d in told),
        *((f"DAP ÷ (Ka,r × field){_of(d.plane) if several else ''}", field_words(d)) for d in told),
        ("Since calibration", _since_words(machine)),
        ("Reference point", _points_words(machine)),
        ("Table", axes_words(machine)),
        *((f"Table, {axis.reading}", f"Set to {axis.direction}: {axis.doubt}.") for axis in machine.axes
          if axis.doubt),
        ("Angles", _angle_words(machine)),
        ("Calibration", calibration_words(machine.calibration)),
        ("Clock", clock_words(found.clock)),
    ]  # fmt: skip
    return [(name, words) for name, words in lines if words]


def _of(plane: str | None) -> str:
    return f", {PLANES.get(plane, plane)}"


def _since_words(machine: Machine) -> str:
    parts = [
        f"{PLANES.get(d.plane, d.plane) or 'DAP over Ka,r'} {percent(d.change_since_calibration)}"
        for d in machine.drifts
        if d.change_since_calibration is not None
    ]
    return ", ".join(parts)


def _points_words(machine: Machine) -> str:
    return (
        "; ".join(f"{word or 'definition not told'} ({n} events)" for word, n in machine.reference_points)
        or NOT_KNOWN
    )


def _angle_words(machine: Machine) -> str:
    parts = []
    for one in machine.angles:
        if one.low_deg is None or one.high_deg is None:
            parts.append(f"{one.angle} not told")
        else:
            ends = f"{one.low_deg:+.0f}° to {one.high_deg:+.0f}°".replace("-", "−")
            parts.append(f"{one.angle} {ends}" + (f" ({one.doubt})" if one.doubt else ""))
    return "; ".join(parts)


def drift_numbers(machine: Machine, slug: str) -> NumberTable:
    """Every month of every plane."""
    rows = [(drift, month) for drift in machine.drifts for month in drift.months]
    shown = [
        (month.month, PLANES.get(drift.plane, drift.plane) or "–", _n(month.ratio), _median(month.ratio),
         _span(month.ratio), NOT_KNOWN if month.change is None else percent(month.change),
         _median(month.kerma_per_pulse_mgy), _median(month.kerma_per_frame_mgy))
        for drift, month in rows
    ]  # fmt: skip
    exact = [(month.month, drift.plane, *_exact(month)) for drift, month in rows]
    return NumberTable(
        caption="Meters by month; kerma per pulse and frame at the standard conditions named below",
        head=("Month", "Plane", "Cases", "Median", "95 % interval", "Change",
              "mGy per pulse, fluoroscopy", "mGy per frame, acquisition"),
        rows=tuple(shown),
        keys=("month", "plane", "ratio_n", "ratio", "ratio_low", "ratio_high", "change",
              "kerma_per_pulse_mgy", "kerma_per_pulse_n", "kerma_per_frame_mgy", "kerma_per_frame_n"),
        values=tuple(exact),
        name=f"meters-{slug}",
        numeric=frozenset(range(2, 8)),
    )  # fmt: skip


def _exact(month: DriftMonth) -> tuple[float | int | None, ...]:
    ratio, pulse, frame = month.ratio, month.kerma_per_pulse_mgy, month.kerma_per_frame_mgy
    return (
        ratio.n if ratio else 0,
        ratio.median if ratio else None,
        ratio.low if ratio else None,
        ratio.high if ratio else None,
        month.change,
        pulse.median if pulse else None,
        pulse.n if pulse else 0,
        frame.median if frame else None,
        frame.n if frame else 0,
    )


def _n(found: MedianInterval | None) -> str:
    return str(found.n) if found else "0"


def _median(found: MedianInterval | None) -> str:
    return f"{found.median:.3g}" if found else NOT_KNOWN


def _span(found: MedianInterval | None) -> str:
    if found is None or found.low is None or found.high is None:
        return "too few cases"
    return f"{found.low:.3g}–{found.high:.3g}"


def axes_numbers(machine: Machine, slug: str) -> NumberTable:
    """How far each table reading moves within a case."""
    verified = {True: "verified", False: "not verified", None: NOT_KNOWN}[machine.axes_verified]
    return NumberTable(
        caption="Way of each table reading within a case",
        head=("Reading", "Set to", "Cases", "Median mm", "95 % within mm", "Longest mm", "Setting", "Doubt"),
        rows=tuple(
            (axis.reading, f"{axis.direction} {WHERE[axis.direction[1]]}", axis.cases, _mm(axis.median_mm),
             _mm(axis.upper_mm), _mm(axis.most_mm), verified, axis.doubt or "–")
            for axis in machine.axes
        ),
        keys=("reading", "direction", "cases", "median_mm", "upper_mm", "most_mm", "is_verified", "doubt"),
        values=tuple(
            (axis.reading, axis.direction, axis.cases, axis.median_mm, axis.upper_mm, axis.most_mm, verified,
             axis.doubt)
            for axis in machine.axes
        ),
        name=f"table-axes-{slug}",
        numeric=frozenset({2, 3, 4, 5}),
    )  # fmt: skip


def _mm(value: float | None) -> str:
    return NOT_KNOWN if value is None else f"{value:.0f}"


def calibration_numbers(machine: Machine, slug: str) -> NumberTable:
    """The factors set, oldest first."""
    rows = tuple((f.valid_from, f.plane, f.factor, f.source, f.by) for f in machine.calibration.factors)
    return NumberTable(
        caption="Calibration factors of the room, true over displayed",
        head=("Valid from", "Plane", "Factor", "Source", "Recorded by"),
        rows=tuple((day, plane, f"{factor:g}", source or "–", by) for day, plane, factor, source, by in rows),
        keys=("valid_from", "plane", "factor", "source", "by"),
        values=rows,
        name=f"calibration-{slug}",
        numeric=frozenset({2}),
    )


def finding_numbers(machine: Machine, slug: str) -> NumberTable:
    """Findings of its reports by code."""
    return NumberTable(
        caption="Findings made when its reports were read",
        head=("Finding", "Times"),
        rows=machine.facts.findings,
        keys=("code", "n"),
        values=machine.facts.findings,
        name=f"findings-{slug}",
        numeric=frozenset({1}),
    )


def departure_numbers(card: Conformance, slug: str) -> NumberTable:
    """Where its newest reports leave the template."""
    return NumberTable(
        caption="Where its newest reports leave their template",
        head=("", "Item", "Place", "Reports", "In", "Note"),
        rows=tuple(
            (one.kind, f"{one.item or 'without a meaning'} [{one.code}]", one.place.replace("_", " "),
             f"{one.reports} of {card.checked}", f"{one.count} of {one.of}", one.note or "–")
            for one in card.departures
        ),
        keys=("kind", "item", "code", "place", "reports", "of_reports", "count", "of", "note"),
        values=tuple(
            (one.kind, one.item, one.code, one.place, one.reports, card.checked, one.count, one.of, one.note)
            for one in card.departures
        ),
        name=f"departures-{slug}",
        numeric=frozenset({3, 4}),
    )  # fmt: skip


def sent_numbers(card: Conformance, slug: str) -> NumberTable:
    """What its newest reports send."""
    return NumberTable(
        caption="Items its newest reports send",
        head=("Item", "Place", "Reports", "Share of containers", "In the record"),
        rows=tuple(
            (f"{one.item} [{one.code}]", one.place.replace("_", " "), f"{one.reports} of {card.checked}",
             NOT_KNOWN if one.share is None else f"{100 * one.share:.0f} %", "yes" if one.is_read else "no")
            for one in card.sent
        ),
        keys=("item", "code", "place", "reports", "of_reports", "share", "is_read"),
        values=tuple(
            (one.item, one.code, one.place, one.reports, card.checked, one.share, int(one.is_read))
            for one in card.sent
        ),
        name=f"items-sent-{slug}",
        numeric=frozenset({2, 3}),
    )  # fmt: skip
