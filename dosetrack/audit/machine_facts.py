"""What each case tells of the machine it was done on: one small record per case, machine and plane.

The events of one case resemble each other, so a machine is judged by its cases, not its events.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dosetrack.tables import constants

Floats = NDArray[np.float64]

EVENT_FIELDS = (
    "plane", "type", "reference_point", "dose_area_product_gycm2", "reference_air_kerma_mgy",
    "field_height_mm", "field_width_mm", "field_area_cm2", "source_to_detector_mm",
    "source_to_isocenter_mm", "source_to_reference_point_mm", "kvp", "pulses", "frames",
    "table_longitudinal_mm", "table_lateral_mm", "table_height_mm", "primary_angle_deg",
    "secondary_angle_deg",
)  # fmt: skip
"""Fields of an event that `facts_of` reads, in the order it expects them."""

TABLE_READINGS = ("longitudinal", "lateral", "height")
ANGLES = ("primary", "secondary")
_WORDS = 3  # the first fields are words
_MGY_PER_GY = 1000.0
_MM2_PER_CM2 = 100.0
FLUOROSCOPY = "fluoroscopy"

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class MachineKey:
    """Which machine: its serial number and its station name, as sent."""

    serial: str | None
    station: str | None


@dataclass(frozen=True, slots=True)
class ReportOfMachine:
    """What a case's report says of the machine. Days are YYYY-MM-DD."""

    case_id: str
    day: str
    room: str | None
    machine: MachineKey


@dataclass(frozen=True, slots=True)
class CaseOfMachine:
    """One plane of one machine in one case; None where its events do not tell.

    field_ratio : sum of DAP over the sum of Ka,r times the stated field carried to the reference point
    field_events : events it was made of
    kerma_per_pulse_mgy, kerma_per_frame_mgy : of fluoroscopy and of acquisitions at standard conditions
    table_mm : lowest and highest of the longitudinal, lateral and height readings
    angles_deg : lowest and highest primary and secondary angle
    """

    case_id: str
    day: str
    room: str | None
    machine: MachineKey
    plane: str | None
    events: int
    field_ratio: float | None
    field_events: int
    kerma_per_pulse_mgy: float | None
    kerma_per_frame_mgy: float | None
    reference_points: tuple[tuple[str | None, int], ...]
    table_mm: tuple[Span | None, ...]
    angles_deg: tuple[Span | None, ...]


class _Plane:
    """Sums of one case, machine and plane on the way."""

    def __init__(self) -> None:
        self.events = self.field_events = 0
        self.dap = self.expected = 0.0
        self.standard = {"pulses": [0.0, 0.0], "frames": [0.0, 0.0]}  # [kerma, number]
        self.points: Counter[str | None] = Counter()
        self.spans: list[Span | None] = [None] * (len(TABLE_READINGS) + len(ANGLES))


def facts_of(
    parts: Iterable[Sequence[Sequence[Any]]], reports: Mapping[int, ReportOfMachine]
) -> tuple[CaseOfMachine, ...]:
    """The facts of every case, machine and plane, ordered by day, then case.

    Parameters
    ----------
    parts : some rows at a time: the number of the report, then `EVENT_FIELDS`
    reports : number of the report -> what it belongs to; rows of others are left out
    """
    found: dict[tuple[ReportOfMachine, str | None], _Plane] = {}
    for rows in parts:
        known = [row for row in rows if row[0] in reports]
        if known:
            _add(found, known, reports)
    made = [_finished(report, plane, sums) for (report, plane), sums in found.items()]
    return tuple(sorted(made, key=lambda one: (one.day, one.case_id, one.plane or "")))


def field_terms(columns: Mapping[str, Floats], points: Sequence[str | None]) -> tuple[Floats, Floats]:
    """(DAP [Gy cm2], DAP expected of Ka,r and the stated field [Gy cm2]) per event; NaN where not told.

    The stated field is at the detector and shrinks with the square of the distance from the source.
    Faint events are left out: their last digit decides.

    References
    ----------
    PS3.16 TID 10003B (field at the detector plane), CID 10025 (reference points).
    """
    kerma, detector = columns["reference_air_kerma_mgy"], columns["source_to_detector_mm"]
    least = constants("consistency")["field_area_from_kerma"].number
    dap = columns["dose_area_product_gycm2"]
    area = _stated_field_cm2(columns)
    reference = _reference_distance_mm(columns, points)
    with np.errstate(divide="ignore", invalid="ignore"):
        expected = kerma / _MGY_PER_GY * area * (reference / detector) ** 2
        usable = (kerma >= least) & (dap > 0) & (expected > 0) & (detector > 0) & (reference > 0)
    return np.where(usable, dap, np.nan), np.where(usable, expected, np.nan)


def _stated_field_cm2(columns: Mapping[str, Floats]) -> Floats:
    sides = columns["field_height_mm"] * columns["field_width_mm"] / _MM2_PER_CM2
    return np.where(np.isnan(sides), columns["field_area_cm2"], sides)


def _reference_distance_mm(columns: Mapping[str, Floats], points: Sequence[str | None]) -> Floats:
    """Source to reference point: as sent where plausible, else by its definition; NaN where not known."""
    table, screening = constants("consistency"), constants("skin_screening")
    sent = columns["source_to_reference_point_mm"]
    isocentre, detector = columns["source_to_isocenter_mm"], columns["source_to_detector_mm"]
    by_point = {
        "15cm-from-isocenter": isocentre - table["reference_point_from_isocenter"].number,
        "30cm-from-detector": detector - table["reference_point_from_detector"].number,
        "in-detector-plane": detector,
        "100cm-from-source": np.full_like(sent, table["reference_point_from_source"].number),
        None: isocentre - table["reference_point_from_isocenter"].number,
    }
    words = np.array([point or "" for point in points])
    defined = np.full_like(sent, np.nan)
    for word, distance in by_point.items():
        defined = np.where(words == (word or ""), distance, defined)
    least, most = (screening[name].number for name in ("reference_distance_least", "reference_distance_most"))
    with np.errstate(invalid="ignore"):
        return np.where((sent >= least) & (sent <= most), sent, defined)


def _add(
    found: dict[tuple[ReportOfMachine, str | None], _Plane],
    rows: Sequence[Sequence[Any]],
    reports: Mapping[int, ReportOfMachine],
) -> None:
    """Add some rows to the sums they belong to."""
    by_field = list(zip(*rows, strict=True))
    seqs, planes, types, points = by_field[0], by_field[1], by_field[2], by_field[3]
    columns = {
        name: np.array(values, dtype=np.float64)  # None becomes NaN
        for name, values in zip(EVENT_FIELDS[_WORDS:], by_field[_WORDS + 1 :], strict=True)
    }
    dap, expected = field_terms(columns, points)
    standard = _is_standard(columns)
    kerma = columns["reference_air_kerma_mgy"]
    is_fluoroscopy = np.array([word == FLUOROSCOPY for word in types])
    moving = [columns[f"table_{name}_mm"] for name in TABLE_READINGS]
    moving += [columns[f"{name}_angle_deg"] for name in ANGLES]
    numbers = {"pulses": (is_fluoroscopy, columns["pulses"]), "frames": (~is_fluoroscopy, _frames(columns))}
    groups: dict[tuple[int, str | None], list[int]] = {}
    for index, key in enumerate(zip(seqs, planes, strict=True)):
        groups.setdefault(key, []).append(index)
    for (seq, plane), members in groups.items():
        sums, at = found.setdefault((reports[seq], plane), _Plane()), np.array(members)
        sums.events += len(members)
        sums.points.update(points[i] for i in members)
        sums.field_events += int(np.count_nonzero(~np.isnan(dap[at])))
        sums.dap += float(np.nansum(dap[at]))
        sums.expected += float(np.nansum(expected[at]))
        for name, (wanted, number) in numbers.items():
            used = at[wanted[at] & standard[at] & (number[at] > 0) & (kerma[at] > 0)]
            sums.standard[name][0] += float(kerma[used].sum())
            sums.standard[name][1] += float(number[used].sum())
        sums.spans = [_wider(span, values[at]) for span, values in zip(sums.spans, moving, strict=True)]


def _frames(columns: Mapping[str, Floats]) -> Floats:
    """Frames of an event, else its pulses."""
    return np.where(np.isnan(columns["frames"]), columns["pulses"], columns["frames"])


def _is_standard(columns: Mapping[str, Floats]) -> NDArray[np.bool_]:
    told = {
        "standard_kvp": columns["kvp"],
        "standard_source_to_detector": columns["source_to_detector_mm"],
        "standard_field": _stated_field_cm2(columns),
    }
    inside = np.ones(len(columns["kvp"]), dtype=np.bool_)
    for row, values in told.items():
        band = constants("machines")[row]
        inside &= (values >= float(band.low)) & (values <= float(band.high))
    return inside


def _wider(span: Span | None, values: Floats) -> Span | None:
    """The span widened by the known `values`."""
    known = values[~np.isnan(values)]
    if not known.size:
        return span
    low, high = float(known.min()), float(known.max())
    return (low, high) if span is None else (min(low, span[0]), max(high, span[1]))


def _finished(report: ReportOfMachine, plane: str | None, sums: _Plane) -> CaseOfMachine:
    spans = tuple(sums.spans)
    readings = spans[: len(TABLE_READINGS)]
    if all(span == (0.0, 0.0) for span in readings if span is not None):
        readings = (None,) * len(TABLE_READINGS)  # all zero is no reading
    return CaseOfMachine(
        case_id=report.case_id,
        day=report.day,
        room=report.room,
        machine=report.machine,
        plane=plane,
        events=sums.events,
        field_ratio=sums.dap / sums.expected if sums.expected > 0 else None,
        field_events=sums.field_events,
        kerma_per_pulse_mgy=_over(*sums.standard["pulses"]),
        kerma_per_frame_mgy=_over(*sums.standard["frames"]),
        reference_points=tuple(sorted(sums.points.items(), key=lambda one: (-one[1], one[0] or ""))),
        table_mm=readings,
        angles_deg=spans[len(TABLE_READINGS) :],
    )


def _over(kerma: float, number: float) -> float | None:
    return kerma / number if number > 0 else None
