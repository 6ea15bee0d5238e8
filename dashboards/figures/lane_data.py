"""What the two lanes are drawn from: the clock, the tops, the crossings, and the numbers as a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from operator import attrgetter
from typing import TYPE_CHECKING, Any, TypeVar
from zoneinfo import ZoneInfo

from dashboards import view_models as vm
from dosetrack.cases import CaseState

if TYPE_CHECKING:
    from dosetrack.radiation import BeamOn, Forecast, PlaneCurve
    from dosetrack.records.levels import LevelLine
    from dosetrack.workflow.results import CaseView, Stair

KERMA = "reference_air_kerma_mgy"
DAP = "dose_area_product_gycm2"
TIME = "fluoroscopy_time_s"
PLANES = ("single", "a", "b", "all")
RADIATION_AXIS = {KERMA: "Ka,r", DAP: "DAP", TIME: "fluoroscopy time"}
RADIATION_UNIT = {KERMA: "Gy", DAP: "Gy·cm²", TIME: "min"}
DIVISOR = {KERMA: 1000.0, DAP: 1.0, TIME: 60.0}
RADIATION_DOMAIN = (0.545, 1.0)
STRIP_DOMAIN = (0.455, 0.545)
CONTRAST_DOMAIN = (0.0, 0.455)
TOP_SPACE = 1.13
"""A lane ends this much above its top level, so that the level's name fits."""
UNKNOWN_SPACE = 1.45
"""A lane whose limit is not known ends this much above its data: its words stand over every stair."""
LEAST_CONTRAST_TOP_ML = 50.0
SHORTEST_CLOCK = timedelta(minutes=20)
SHARE_AHEAD = 0.30
"""Part of the clock's length kept free on the right: the range ahead, and the names of the levels."""
TIE_TOLERANCE = timedelta(seconds=20)
"""An injection is tied to a run that is on within this time of it."""
MOST_POINTS = 500
"""Points drawn of one line: more would stand closer than a screen tells apart."""
MOST_MARKS = 90
"""Marks of single readings: more would touch each other."""
MOST_ROWS = 150
"""Rows of the table of numbers that one curve takes."""


Point = TypeVar("Point", bound=tuple[Any, ...])


@dataclass(frozen=True, slots=True)
class Clock:
    """The time axis: from the first thing that happened to now (or the end), with room ahead."""

    start: datetime
    now: datetime
    end: datetime
    is_live: bool


@dataclass(frozen=True)  # without slots: what is asked for again is held
class Lanes:
    """Both lanes of one case as numbers on their axes; values in the unit of the axis."""

    view: CaseView
    zone: ZoneInfo
    clock: Clock
    quantity: str

    def radiation_points(self, curve: PlaneCurve) -> list[tuple[datetime, float]]:
        """Instants and values of one plane."""
        return self._points[curve.plane]

    @cached_property
    def _points(self) -> dict[str, list[tuple[datetime, float]]]:
        divisor, quantity = DIVISOR[self.quantity], attrgetter(self.quantity)
        return {
            curve.plane: [(p.instant, v / divisor) for p in curve.points if (v := quantity(p)) is not None]
            for curve in self.view.curves
        }

    @cached_property
    def radiation_lines(self) -> list[LevelLine]:
        """The levels of the quantity that is drawn."""
        return [line for line in self.view.radiation_lines if line.quantity == self.quantity]

    @cached_property
    def radiation_value(self) -> float:
        """The highest plane's value."""
        points = [p for c in self.view.curves for p in self.radiation_points(c)]
        return max((value for _, value in points), default=0.0)

    @cached_property
    def radiation_top(self) -> float:
        """The level the radiation lane rises toward."""
        divisor = DIVISOR[self.quantity]
        top = lane_top(self.radiation_value * divisor, self.radiation_lines, leading=("substantial",))
        return max((top or 0.0) / divisor, self.radiation_value, 0.1)

    @cached_property
    def contrast_value(self) -> float:
        """Undiluted contrast given, the earlier part included [mL]."""
        return max((stair_ml(self.view, s) for s in self.view.stairs), default=earlier_ml(self.view))

    @cached_property
    def contrast_top(self) -> float:
        """The level the contrast lane rises toward [mL]."""
        lines = self.view.contrast_lines
        top = lane_top(self.contrast_value, lines, leading=("leading-limit", "limit"))
        return max(top or LEAST_CONTRAST_TOP_ML, self.contrast_value)

    @cached_property
    def radiation_end(self) -> float:
        """Upper end of the radiation axis."""
        return self.radiation_top * TOP_SPACE

    @cached_property
    def contrast_end(self) -> float:
        """Upper end of the contrast axis [mL]."""
        return self.contrast_top * (TOP_SPACE if self.view.contrast_lines else UNKNOWN_SPACE)

    def share_of(self, at: datetime) -> float:
        """Where a moment stands on the clock, 0 (left) to 1 (right)."""
        return (at - self.clock.start) / (self.clock.end - self.clock.start)

    def value_of(self, forecast: Forecast) -> float:
        """Where the total stands that a forecast speaks of, on its axis."""
        is_radiation = forecast.level.quantity == self.quantity
        return self.radiation_value if is_radiation else self.contrast_value

    def levels_of(self, lane: str) -> list[tuple[datetime | None, float, LevelLine]]:
        """(when reached, value on the axis, line) of every level inside the lane."""
        if lane == "radiation":
            divisor, lines, top = DIVISOR[self.quantity], self.radiation_lines, self.radiation_top
            points = [self.radiation_points(c) for c in self.view.curves]
        else:
            divisor, lines, top = 1.0, list(self.view.contrast_lines), self.contrast_top
            points = [[(s.at, stair_ml(self.view, s)) for s in self.view.stairs]]
        found = []
        for line in lines:
            value = line.value / divisor
            if value <= top:
                times = [at for p in points if (at := crossed_at(p, value)) is not None]
                found.append((min(times, default=None), value, line))
        return found


def lanes_of(view: CaseView, *, zone: ZoneInfo) -> Lanes:
    """What the figure of `view` draws, times in `zone`."""
    return Lanes(view=view, zone=zone, clock=clock_of(view), quantity=drawn_quantity(view))


def two_accounts_rows(view: CaseView, *, zone: ZoneInfo) -> list[tuple[str, ...]]:
    """The figure's numbers: time, what, Ka,r, DAP, contrast, iodine; oldest first.

    Of readings that follow each other faster than the table can tell, the last of each short while.
    """
    rows: list[tuple[datetime, tuple[str, ...]]] = []
    clock = clock_of(view)
    for curve in view.curves:
        timed = [(point.instant, point) for point in curve.points]
        for _, point in thinned(timed, clock, most=MOST_ROWS):
            kerma = vm.kerma_words(point.reference_air_kerma_mgy)
            area = " ".join(vm.dose_area_product(point.dose_area_product_gycm2))
            what = vm.joined("radiation", vm.plane_words(curve.plane), vm.basis_words(point.basis), by=", ")
            rows.append((point.instant, (what, kerma, area, "", "")))
    for stair in view.stairs:
        what = f"{vm.up(stair.injection.volume_ml, 1).removesuffix('.0')} mL given"
        iodine = f"{vm.iodine_g(stair.iodine_g)} g I" if stair.iodine_g is not None else vm.NOT_KNOWN
        rows.append((stair.at, (what, "", "", f"{vm.used_ml(stair.contrast_ml)} mL", iodine)))
    return [(vm.clock_time(at, zone), *cells) for at, cells in sorted(rows, key=lambda r: r[0])]


def thinned(points: Sequence[Point], clock: Clock, *, most: int = MOST_POINTS) -> list[Point]:
    """Of points that begin with their instant, the first and the last of each while; few stay as they are.

    The line rises only, so that what is left out lies between what is drawn.
    """
    if len(points) <= most:
        return list(points)
    step = (clock.end - clock.start) / most
    whiles = [(point[0] - clock.start) // step for point in points]
    ends = [whiles[i] != whiles[i + 1] for i in range(len(points) - 1)]
    return [points[0], *(p for p, is_end in zip(points[1:-1], ends[1:], strict=True) if is_end), points[-1]]


def clock_of(view: CaseView) -> Clock:
    """The clock of `view`: live while the case runs, else up to the last thing that happened."""
    moments = [p.instant for c in view.curves for p in c.points]
    moments += [s.at for s in view.stairs] + [b.start for b in view.beam_on]
    begun = view.case.started_instant or view.case.opened_at
    start = min([*moments, *([begun] if begun else [])], default=view.as_of)
    is_live = view.case.state is CaseState.RUNNING
    last = max([*moments, start])
    now = max(view.as_of, last) if is_live else max(last, view.case.ended_at or last)
    length = max(now - start, SHORTEST_CLOCK)
    return Clock(
        start=start - length * 0.01, now=now, end=start + length * (1 + SHARE_AHEAD), is_live=is_live
    )


def drawn_quantity(view: CaseView) -> str:
    """Ka,r where any plane has it, else DAP, else fluoroscopy time."""
    for quantity in (KERMA, DAP, TIME):
        if any(getattr(p, quantity) is not None for c in view.curves for p in c.points):
            return quantity
    return KERMA


def lane_top(value: float, lines: Sequence[LevelLine], *, leading: tuple[str, ...]) -> float | None:
    """The level a lane rises toward: the first `leading` one still ahead, else the next of any kind.

    None when no level is ahead.
    """
    ahead = sorted((line for line in lines if line.value > value), key=lambda line: line.value)
    first = next((line.value for line in ahead if line.tier in leading), None)
    if first is not None:
        return first
    return ahead[0].value if ahead else None


def crossed_at(points: Sequence[tuple[datetime, float]], level: float) -> datetime | None:
    """When a rising line was first at or past `level`."""
    return next((at for at, value in points if value >= level), None)


def tied_run(at: datetime, runs: Sequence[BeamOn]) -> BeamOn | None:
    """The run an injection fed: on at that moment or within the tolerance, acquisitions first."""
    near = [r for r in runs if r.start - TIE_TOLERANCE <= at <= (r.end or r.start) + TIE_TOLERANCE]
    return min(near, key=lambda r: (r.kind != "acquisition", abs(r.start - at)), default=None)


def earlier_ml(view: CaseView) -> float:
    """Undiluted contrast of the look-back window, where its amount is known [mL]."""
    return view.kidney.given.earlier.neat_ml or 0.0


def stair_ml(view: CaseView, stair: Stair) -> float:
    """The height of a stair: what counts against the limits, the earlier part included [mL]."""
    return earlier_ml(view) + stair.neat_ml


def local_time(moment: datetime, zone: ZoneInfo) -> datetime:
    """Plotly draws naive times as they stand: the clock on the wall of the room."""
    return moment.astimezone(zone).replace(tzinfo=None)
