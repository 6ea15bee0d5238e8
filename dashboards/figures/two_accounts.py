"""Two accounts on one clock: radiation and contrast as two lanes over one time axis.

The same figure live in the room and at rest on the case page. Each lane rises toward its own
named levels. Radiation is a solid line per plane, contrast is stairs; ahead of now stands only a
hatched band. The order of the traces never changes, so that a live figure is patched in place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import plotly.graph_objects as go
from dash import Patch

from dashboards import view_models as vm
from dashboards.figures.style import axis, base_layout
from dashboards.theme import Ground
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
_DIVISOR = {KERMA: 1000.0, DAP: 1.0, TIME: 60.0}

RADIATION_DOMAIN = (0.545, 1.0)
STRIP_DOMAIN = (0.455, 0.545)
CONTRAST_DOMAIN = (0.0, 0.455)
TOP_SPACE = 1.13
"""A lane ends this much above its top level, so that the level's name fits."""
LEAST_CONTRAST_TOP_ML = 50.0
SHORTEST_CLOCK = timedelta(minutes=20)
SHARE_AHEAD = 0.30
"""Part of the clock's length kept free on the right: the range ahead, and the names of the levels."""
TIE_TOLERANCE = timedelta(seconds=20)
"""An injection is tied to a run that is on within this time of it."""


@dataclass(frozen=True, slots=True)
class Clock:
    """The time axis: from the first thing that happened to now (or the end), with room ahead."""

    start: datetime
    now: datetime
    end: datetime
    is_live: bool


def two_accounts(
    view: CaseView, *, ground: Ground, zone: ZoneInfo, font_size: int = 14, is_wall: bool = False
) -> go.Figure:
    """The figure of `view` on `ground`, times in `zone`."""
    clock = clock_of(view)
    quantity = drawn_quantity(view)
    lanes = _Lanes(view=view, ground=ground, zone=zone, clock=clock, quantity=quantity, font_size=font_size)
    figure = go.Figure(
        data=lanes.traces(), layout=base_layout(ground, uirevision=view.case.id, font_size=font_size)
    )
    left, right = _local(clock.start, zone), _local(clock.end, zone)
    side = 62 if font_size < 20 else 96
    figure.update_layout(
        shapes=lanes.shapes(),
        annotations=lanes.annotations(),
        margin={"l": side, "r": 6, "t": 6, "b": 28 if font_size < 20 else 44},
        bargap=0,
    )
    ticks = {"tickformat": "%H:%M", "nticks": 6 if is_wall else 9, "hoverformat": "%H:%M:%S"}
    figure.update_xaxes(axis(ground, type="date", range=[left, right], showgrid=False, **ticks, automargin=False))
    figure.update_layout(
        xaxis={"anchor": "y3", "domain": [0, 1]},
        yaxis=axis(
            ground, domain=RADIATION_DOMAIN, range=[0, lanes.radiation_top * TOP_SPACE], nticks=5, fixedrange=True,
            title=_axis_title(f"{RADIATION_AXIS[quantity]} [{RADIATION_UNIT[quantity]}]", font_size), automargin=False,
        ),
        yaxis2=axis(ground, domain=STRIP_DOMAIN, range=[0, 1], visible=False, fixedrange=True),
        yaxis3=axis(
            ground, domain=CONTRAST_DOMAIN, range=[0, lanes.contrast_top * TOP_SPACE], nticks=5, fixedrange=True,
            title=_axis_title("contrast [mL]", font_size), automargin=False,
        ),
    )  # fmt: skip
    return figure


def two_accounts_patch(figure: go.Figure) -> Patch:
    """What changes in a figure already on screen: points, levels, clock; nothing else moves."""
    patch = Patch()
    for number, trace in enumerate(figure.to_plotly_json()["data"]):
        for part in ("x", "y", "text", "customdata"):
            if part in trace:
                patch["data"][number][part] = trace[part]
    layout = figure.to_plotly_json()["layout"]
    for part in ("shapes", "annotations"):
        patch["layout"][part] = layout.get(part, [])
    for name in ("xaxis", "yaxis", "yaxis3"):
        patch["layout"][name]["range"] = layout[name]["range"]
    return patch


def two_accounts_rows(view: CaseView, *, zone: ZoneInfo) -> list[tuple[str, ...]]:
    """The figure's numbers: time, what, Ka,r, DAP, contrast, iodine; oldest first."""
    rows: list[tuple[datetime, tuple[str, ...]]] = []
    for curve in view.curves:
        for point in curve.points:
            kerma = vm.kerma_words(point.reference_air_kerma_mgy)
            area = " ".join(vm.dose_area_product(point.dose_area_product_gycm2))
            what = vm.joined("radiation", vm.plane_words(curve.plane), vm.basis_words(point.basis), by=", ")
            rows.append((point.instant, (what, kerma, area, "", "")))
    for stair in view.stairs:
        what = f"{vm.up(stair.injection.volume_ml, 1).removesuffix('.0')} mL given"
        iodine = f"{vm.iodine_g(stair.iodine_g)} g I" if stair.iodine_g is not None else vm.NOT_KNOWN
        rows.append((stair.at, (what, "", "", f"{vm.used_ml(stair.contrast_ml)} mL", iodine)))
    return [(vm.clock_time(at, zone), *cells) for at, cells in sorted(rows, key=lambda r: r[0])]


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


def _local(moment: datetime, zone: ZoneInfo) -> datetime:
    """Plotly draws naive times as they stand: the clock on the wall."""
    return moment.astimezone(zone).replace(tzinfo=None)


def _axis_title(text: str, font_size: int) -> dict[str, Any]:
    return {"text": text, "standoff": 6, "font": {"size": font_size}}


@dataclass(frozen=True, slots=True)
class _Lanes:
    """Both lanes of one figure: traces, shapes and words."""

    view: CaseView
    ground: Ground
    zone: ZoneInfo
    clock: Clock
    quantity: str
    font_size: int

    # what there is to draw

    def radiation_points(self, curve: PlaneCurve) -> list[tuple[datetime, float]]:
        divisor = _DIVISOR[self.quantity]
        found = [(p.instant, getattr(p, self.quantity)) for p in curve.points]
        return [(at, value / divisor) for at, value in found if value is not None]

    @property
    def radiation_lines(self) -> list[LevelLine]:
        return [line for line in self.view.radiation_lines if line.quantity == self.quantity]

    @property
    def radiation_value(self) -> float:
        points = [p for c in self.view.curves for p in self.radiation_points(c)]
        return max((value for _, value in points), default=0.0)

    @property
    def radiation_top(self) -> float:
        divisor = _DIVISOR[self.quantity]
        top = lane_top(self.radiation_value * divisor, self.radiation_lines, leading=("substantial",))
        return max((top or 0.0) / divisor, self.radiation_value, 0.1)

    @property
    def contrast_value(self) -> float:
        return max((stair_ml(self.view, s) for s in self.view.stairs), default=earlier_ml(self.view))

    @property
    def contrast_top(self) -> float:
        lines = self.view.contrast_lines
        top = lane_top(self.contrast_value, lines, leading=("leading-limit", "limit"))
        return max(top or LEAST_CONTRAST_TOP_ML, self.contrast_value)

    # traces, in a fixed order

    def traces(self) -> list[go.Scatter]:
        return [
            self.band(self.view.radiation_forecast, axis_name="y", divisor=_DIVISOR[self.quantity]),
            self.band(self.view.contrast_forecast, axis_name="y3", divisor=1.0),
            *[self.radiation(plane) for plane in PLANES],
            self.readings(),
            self.beam("fluoroscopy", width=5),
            self.beam("acquisition", width=13),
            self.ties(),
            self.stairs(),
            self.injections(),
            self.reached("radiation", axis_name="y"),
            self.reached("contrast", axis_name="y3"),
        ]

    def scatter(
        self, name: str, x: Sequence[datetime | None], y: Sequence[float | None], **more: Any
    ) -> go.Scatter:
        local = [None if at is None else _local(at, self.zone) for at in x]
        return go.Scatter(name=name, x=local, y=list(y), cliponaxis=False, **more)

    def radiation(self, plane: str) -> go.Scatter:
        curve = next((c for c in self.view.curves if c.plane == plane), None)
        points = self.radiation_points(curve) if curve else []
        if points and points[0][1] > 0:
            points = [(min(self.clock.start, points[0][0]), 0.0), *points]
        label = vm.joined(RADIATION_AXIS[self.quantity], vm.plane_words(plane), by=", ")
        return self.scatter(
            label, [at for at, _ in points], [v for _, v in points], yaxis="y", mode="lines",
            line={"color": self.ground.radiation, "width": 1.75 if plane == "b" else 3.0},
            hovertemplate=f"%{{x|%H:%M:%S}} %{{y:.2f}} {RADIATION_UNIT[self.quantity]}<extra>{label}</extra>",
        )  # fmt: skip

    def readings(self) -> go.Scatter:
        typed = [
            (p.instant, getattr(p, self.quantity))
            for c in self.view.curves
            for p in c.points
            if p.basis == "typed"
        ]
        known = [(at, v / _DIVISOR[self.quantity]) for at, v in typed if v is not None]
        return self.scatter(
            "console reading", [at for at, _ in known], [v for _, v in known], yaxis="y", mode="markers",
            marker={"symbol": "circle-open", "size": 8, "color": self.ground.radiation, "line": {"width": 1.5}},
            hovertemplate="%{x|%H:%M:%S} read off the console<extra></extra>",
        )  # fmt: skip

    def stairs(self) -> go.Scatter:
        begun = [self.clock.start] if self.view.stairs or earlier_ml(self.view) else []
        at = [*begun, *(s.at for s in self.view.stairs)]
        base = earlier_ml(self.view)
        value = [base] * len(begun) + [stair_ml(self.view, s) for s in self.view.stairs]
        if at and self.clock.now > at[-1]:
            at, value = [*at, self.clock.now], [*value, value[-1]]
        return self.scatter(
            "contrast given", at, value, yaxis="y3", mode="lines",
            line={"color": self.ground.contrast, "width": 3.0, "shape": "hv"}, hoverinfo="skip",
        )  # fmt: skip

    def injections(self) -> go.Scatter:
        stairs = self.view.stairs
        return self.scatter(
            "injection", [s.at for s in stairs], [stair_ml(self.view, s) for s in stairs], yaxis="y3", mode="markers",
            marker={"symbol": "square", "size": 6, "color": self.ground.contrast},
            customdata=[_injection_words(s) for s in stairs],
            hovertemplate="%{x|%H:%M:%S} %{customdata}<extra></extra>",
        )  # fmt: skip

    def beam(self, kind: str, *, width: int) -> go.Scatter:
        x: list[datetime | None] = []
        y: list[float | None] = []
        for strip in self.view.beam_on:
            if strip.kind == kind:
                height = 0.32 if strip.plane == "b" else 0.68
                x += [strip.start, strip.end or strip.start + timedelta(seconds=1), None]
                y += [height, height, None]
        return self.scatter(
            f"beam on, {kind}", x, y, yaxis="y2", mode="lines",
            line={"color": self.ground.quiet if kind == "fluoroscopy" else self.ground.radiation, "width": width},
            hovertemplate=f"%{{x|%H:%M:%S}} {kind}<extra></extra>",
        )  # fmt: skip

    def ties(self) -> go.Scatter:
        """Uprights from an injection's stair through the strip; drawn on an axis of paper height."""
        x: list[datetime | None] = []
        y: list[float | None] = []
        for stair in self.view.stairs:
            if tied_run(stair.at, self.view.beam_on) is not None:
                x += [stair.at, stair.at, None]
                y += [stair_ml(self.view, stair), self.contrast_top * TOP_SPACE, None]
        return self.scatter(
            "injection and its run", x, y, yaxis="y3", mode="lines",
            line={"color": self.ground.contrast, "width": 1, "dash": "dot"}, hoverinfo="skip",
        )  # fmt: skip

    def band(self, forecast: Forecast | None, *, axis_name: str, divisor: float) -> go.Scatter:
        x, y = self.band_outline(forecast, divisor=divisor) if self.clock.is_live else ([], [])
        return self.scatter(
            "range ahead", x, y, yaxis=axis_name, mode="lines", fill="toself",
            line={"width": 0}, fillcolor="rgba(0,0,0,0)", hoverinfo="skip",
            fillpattern={
                "shape": "/", "fgcolor": self.ground.band, "bgcolor": "rgba(0,0,0,0)", "size": 9, "solidity": 0.16,
            },
        )  # fmt: skip

    def band_outline(
        self, forecast: Forecast | None, *, divisor: float
    ) -> tuple[list[datetime | None], list[float | None]]:
        """A wedge from here to the level ahead, between the earliest and the latest time."""
        if forecast is None or forecast.clock_minutes is None or forecast.level.value <= 0:
            return [], []
        level, value = forecast.level.value / divisor, self._value_of(forecast)
        corners: list[tuple[datetime, float]] = [(self.clock.now, value)]
        for number in forecast.clock_minutes:
            at = self.clock.now + timedelta(minutes=number)
            share = min(1.0, (self.clock.end - self.clock.now) / (at - self.clock.now))
            corners.append((min(at, self.clock.end), value + (level - value) * share))
        if corners[1][0] < self.clock.end and corners[2][0] == self.clock.end:
            corners.insert(2, (self.clock.end, level))
        return [at for at, _ in corners], [v for _, v in corners]

    def _value_of(self, forecast: Forecast) -> float:
        is_radiation = forecast.level.quantity == self.quantity
        return self.radiation_value if is_radiation else self.contrast_value

    def reached(self, lane: str, *, axis_name: str) -> go.Scatter:
        found = [(at, value) for at, value, _ in self.levels_of(lane) if at is not None]
        return self.scatter(
            f"level reached, {lane}", [at for at, _ in found], [v for _, v in found], yaxis=axis_name,
            mode="markers", hoverinfo="skip",
            marker={"symbol": "circle", "size": 10, "color": self.ground.ink},
        )  # fmt: skip

    # levels

    def levels_of(self, lane: str) -> list[tuple[datetime | None, float, LevelLine]]:
        """(when reached, value on the axis, line) of every level inside the lane."""
        if lane == "radiation":
            divisor, lines, top = _DIVISOR[self.quantity], self.radiation_lines, self.radiation_top
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

    def shapes(self) -> list[dict[str, Any]]:
        shapes = []
        for lane, name in (("radiation", "y"), ("contrast", "y3")):
            for at, value, line in self.levels_of(lane):
                is_top = line.tier in ("substantial", "leading-limit")
                shapes.append(
                    {
                        "type": "line", "layer": "below", "xref": "paper", "x0": 0, "x1": 1,
                        "yref": name, "y0": value, "y1": value,
                        "line": {
                            "color": self.ground.ink if at or is_top else self.ground.edge,
                            "width": 1.5 if is_top else 1, "dash": "solid" if at else "dash",
                        },
                    }
                )  # fmt: skip
        for domain in (RADIATION_DOMAIN, CONTRAST_DOMAIN):
            shapes.append(_rule(self.ground, y=domain[0]))
        if self.clock.is_live:
            now = _local(self.clock.now, self.zone)
            shapes.append(
                {
                    "type": "line", "layer": "below", "xref": "x", "x0": now, "x1": now, "yref": "paper",
                    "y0": 0, "y1": 1, "line": {"color": self.ground.quiet, "width": 1},
                }
            )  # fmt: skip
        return shapes

    def annotations(self) -> list[dict[str, Any]]:
        words = []
        for lane, name in (("radiation", "y"), ("contrast", "y3")):
            for at, value, line in self.levels_of(lane):
                words.append(self.level_words(at, value, line, axis_name=name))
        words += self.missing_words()
        words += self.earlier_words()
        words += self.plane_words()
        if self.clock.is_live:
            words.append(
                self.words(
                    f"now {vm.clock_time(self.clock.now, self.zone)}", x=_local(self.clock.now, self.zone), xref="x",
                    y=STRIP_DOMAIN[0] + 0.045, yref="paper", xanchor="left", xshift=6, color=self.ground.quiet,
                )
            )  # fmt: skip
        return words

    def level_words(
        self, at: datetime | None, value: float, line: LevelLine, *, axis_name: str
    ) -> dict[str, Any]:
        when = f"<b>{vm.clock_time(at, self.zone)}</b>" if at else self.ahead_words(line)
        text = vm.joined(line.name, when, by="  ")
        return self.words(
            text, x=1, xref="paper", xanchor="right", y=value, yref=axis_name, yanchor="bottom",
            color=self.ground.ink if at else self.ground.quiet,
        )  # fmt: skip

    def ahead_words(self, line: LevelLine) -> str | None:
        """'in 13–22 min' beside the level a forecast speaks of, while the case runs."""
        for forecast in (self.view.radiation_forecast, self.view.contrast_forecast):
            if forecast is not None and forecast.level == line and self.clock.is_live:
                return vm.forecast_words(forecast.clock_minutes)
        return None

    def missing_words(self) -> list[dict[str, Any]]:
        """Where a limit cannot be drawn, the words that say why stand in its place."""
        found = []
        if not self.view.contrast_lines:
            text = self.view.kidney.headline
            found.append(
                self.words(
                    text, x=0.5, xref="paper", y=CONTRAST_DOMAIN[1] - 0.05, yref="paper", xanchor="center",
                    color=self.ground.ink,
                )
            )  # fmt: skip
        if not any(self.radiation_points(c) for c in self.view.curves):
            found.append(
                self.words(
                    "no reading and no report yet", x=0.02, xref="paper", y=RADIATION_DOMAIN[0] + 0.05,
                    yref="paper", xanchor="left", color=self.ground.quiet,
                )
            )  # fmt: skip
        return found

    def earlier_words(self) -> list[dict[str, Any]]:
        """What the stairs stand on: contrast of the days before, where its amount is known."""
        base = earlier_ml(self.view)
        if not base:
            return []
        return [
            self.words(
                f"{vm.used_ml(base)} mL earlier", x=0, xref="paper", xanchor="left", xshift=4, y=base, yref="y3",
                yanchor="top", yshift=-2, color=self.ground.quiet,
            )
        ]  # fmt: skip

    def plane_words(self) -> list[dict[str, Any]]:
        """Which line is which plane, where there are two."""
        curves = [(c, self.radiation_points(c)) for c in self.view.curves]
        drawn = [(c, points) for c, points in curves if points]
        if len(drawn) < 2:
            return []
        return [
            self.words(
                vm.plane_words(c.plane), x=_local(points[-1][0], self.zone), xref="x", y=points[-1][1], yref="y",
                xanchor="left", yanchor="middle", xshift=8, color=self.ground.ink,
            )
            for c, points in drawn
        ]  # fmt: skip

    def words(self, text: str, *, color: str, **place: Any) -> dict[str, Any]:
        return {
            "text": text, "showarrow": False, "bgcolor": self.ground.ground, "borderpad": 1,
            "font": {"size": self.font_size, "color": color}, **place,
        }  # fmt: skip


def earlier_ml(view: CaseView) -> float:
    """Undiluted contrast of the look-back window, where its amount is known [mL]."""
    return view.kidney.given.earlier.neat_ml or 0.0


def stair_ml(view: CaseView, stair: Stair) -> float:
    """The height of a stair: what counts against the limits, the earlier part included [mL]."""
    return earlier_ml(view) + stair.neat_ml


def _injection_words(stair: Stair) -> str:
    given = stair.injection
    product = (
        f"{given.concentration_mgi_ml:g} mg I/mL" if given.concentration_mgi_ml else "concentration not known"
    )
    return f"{given.volume_ml:g} mL of {product}, then {vm.used_ml(stair.contrast_ml)} mL"


def _rule(ground: Ground, *, y: float) -> dict[str, Any]:
    return {
        "type": "line", "layer": "below", "xref": "paper", "x0": 0, "x1": 1, "yref": "paper", "y0": y, "y1": y,
        "line": {"color": ground.rule, "width": 1},
    }  # fmt: skip
