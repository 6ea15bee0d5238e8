"""The timeline of a case, grouped: key entries one by one, runs of console readings in one line."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from dashboards import view_models as vm
from dashboards.case_words import DAP, KERMA, TIME, levels_of
from dosetrack.records.entries import ConsoleReading, OperatorsChanged

if TYPE_CHECKING:
    from dosetrack.workflow.results import CaseView, TimelineRow

FEWEST_IN_RUN = 3
"""Fewer readings than this in a row stand by themselves."""


@dataclass(frozen=True, slots=True)
class ReadingRun:
    """Consecutive plain console readings, oldest first."""

    rows: tuple[TimelineRow, ...]


def grouped(view: CaseView) -> list[TimelineRow | ReadingRun]:
    """The timeline of `view` in its order, with runs of plain readings folded."""
    readings = _readings(view)
    found: list[TimelineRow | ReadingRun] = []
    for is_plain, members in groupby(view.timeline, key=lambda row: _is_plain(row, readings)):
        rows = tuple(members)
        if is_plain and len(rows) >= FEWEST_IN_RUN:
            found.append(ReadingRun(rows))
        else:
            found.extend(rows)
    return found


def _readings(view: CaseView) -> dict[str, ConsoleReading]:
    return {e.id: e.payload for e in view.case.entries if isinstance(e.payload, ConsoleReading)}


def _is_plain(row: TimelineRow, readings: dict[str, ConsoleReading]) -> bool:
    """A reading that nobody corrected or explained, and that says nothing of the console itself."""
    reading = readings.get(row.entry_id)
    if reading is None or row.replaces or row.replaced_by or row.reason:
        return False
    offsets = (
        reading.offset_reference_air_kerma_mgy,
        reading.offset_dose_area_product_gycm2,
        reading.offset_fluoroscopy_time_s,
    )
    return not reading.is_reset and not any(offsets)


def run_words(run: ReadingRun, view: CaseView, *, zone: ZoneInfo) -> str:
    """'37 console readings, 09:10 to 09:52, plane A 0.40 to 1.30 Gy'."""
    times = [row.at for row in run.rows]
    first, last = vm.clock_time(min(times), zone), vm.clock_time(max(times), zone)
    when = first if first == last else f"{first} to {last}"
    found = _readings(view)
    return vm.joined(
        f"{len(run.rows)} console readings",
        when,
        *_plane_spans([found[row.entry_id] for row in run.rows], view),
        by=", ",
    )


def _plane_spans(readings: Sequence[ConsoleReading], view: CaseView) -> Iterable[str]:
    for plane in sorted({r.plane for r in readings}):
        here = [r for r in readings if r.plane == plane]
        for quantity in (KERMA, DAP, TIME):
            values = [v for r in here if (v := getattr(r, quantity)) is not None]
            if values:
                name = vm.plane_words(plane) or {KERMA: "Ka,r", DAP: "DAP", TIME: "time"}[quantity]
                yield f"{name} {_span(values[0], values[-1], quantity, view)}"
                break


def _span(first: float, last: float, quantity: str, view: CaseView) -> str:
    """Two values of one quantity, the unit said once where it is the same."""
    shown = [_shown(value, quantity, levels_of(view, quantity, value)) for value in (first, last)]
    (start, start_unit), (end, end_unit) = shown
    if (start, start_unit) == (end, end_unit):
        return f"{end} {end_unit}"
    return (
        f"{start} to {end} {end_unit}"
        if start_unit == end_unit
        else f"{start} {start_unit} to {end} {end_unit}"
    )


def _shown(value: float, quantity: str, levels: Sequence[float]) -> tuple[str, str]:
    if quantity == TIME:
        return vm.minutes(value, levels_s=levels)
    if quantity == DAP:
        return vm.dose_area_product(value, levels=levels)
    return vm.kerma(value, levels=levels)


def row_words(row: TimelineRow, view: CaseView) -> str:
    """What an entry says, names as people read them."""
    payload = next((e.payload for e in view.case.entries if e.id == row.entry_id), None)
    if isinstance(payload, OperatorsChanged):
        return "Operators: " + ", ".join(map(vm.person_name, payload.operators))
    return row.text
