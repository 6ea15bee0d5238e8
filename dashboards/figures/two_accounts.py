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
from dashboards.figures.lane_data import (
    CONTRAST_DOMAIN,
    DIVISOR,
    MOST_MARKS,
    PLANES,
    RADIATION_AXIS,
    RADIATION_DOMAIN,
    RADIATION_UNIT,
    STRIP_DOMAIN,
    Lanes,
    earlier_ml,
    lanes_of,
    local_time,
    stair_ml,
    thinned,
    tied_run,
)
from dashboards.figures.lane_words import LaneWords
from dashboards.figures.style import axis, base_layout
from dashboards.theme import Ground

if TYPE_CHECKING:
    from dosetrack.radiation import Forecast
    from dosetrack.workflow.results import CaseView, Stair


def two_accounts(
    view: CaseView, *, ground: Ground, zone: ZoneInfo, font_size: int = 14, is_wall: bool = False
) -> go.Figure:
    """The figure of `view` on `ground`, times in `zone`; checked part by part by its library."""
    return go.Figure(two_accounts_data(view, ground=ground, zone=zone, font_size=font_size, is_wall=is_wall))


def two_accounts_data(
    view: CaseView, *, ground: Ground, zone: ZoneInfo, font_size: int = 14, is_wall: bool = False
) -> dict[str, Any]:
    """The same as plain data, for screens that are drawn every second: a twentieth of the work."""
    lanes = lanes_of(view, zone=zone)
    words = LaneWords(lanes, ground, font_size, is_wall=is_wall)
    clock, quantity = lanes.clock, lanes.quantity
    side = 62 if font_size < 20 else 96
    ticks = {"tickformat": "%H:%M", "nticks": 6 if is_wall else 9, "hoverformat": "%H:%M:%S"}
    still = {"fixedrange": True, "automargin": False}
    radiation_title = f"{RADIATION_AXIS[quantity]} [{RADIATION_UNIT[quantity]}]"
    layout = base_layout(ground, uirevision=view.case.id, font_size=font_size) | {
        "shapes": words.shapes(),
        "annotations": words.annotations(),
        "margin": {"l": side, "r": 6, "t": 6, "b": 28 if font_size < 20 else 44},
        "bargap": 0,
        "xaxis": axis(
            ground,
            type="date",
            range=[local_time(clock.start, zone), local_time(clock.end, zone)],
            showgrid=False,
            **ticks,
            automargin=False,
            anchor="y3",
            domain=[0, 1],
        ),
        "yaxis": axis(
            ground,
            domain=RADIATION_DOMAIN,
            range=[0, lanes.radiation_end],
            nticks=5,
            title=_axis_title(radiation_title, font_size),
            **still,
        ),
        "yaxis2": axis(ground, domain=STRIP_DOMAIN, range=[0, 1], visible=False, fixedrange=True),
        "yaxis3": axis(
            ground,
            domain=CONTRAST_DOMAIN,
            range=[0, lanes.contrast_end],
            nticks=5,
            title=_axis_title("contrast [mL]", font_size),
            **still,
        ),
    }
    return {"data": _Traces(lanes, ground).traces(), "layout": layout}


def two_accounts_patch(figure: dict[str, Any]) -> Patch:
    """What changes in a figure already on screen: points, levels, clock; nothing else moves.

    figure : as `two_accounts_data` gave it
    """
    patch = Patch()
    for number, trace in enumerate(figure["data"]):
        for part in ("x", "y", "text", "customdata"):
            if part in trace:
                patch["data"][number][part] = trace[part]
    layout = figure["layout"]
    for part in ("shapes", "annotations"):
        patch["layout"][part] = layout.get(part, [])
    for name in ("xaxis", "yaxis", "yaxis3"):
        patch["layout"][name]["range"] = layout[name]["range"]
    return patch


def _axis_title(text: str, font_size: int) -> dict[str, Any]:
    return {"text": text, "standoff": 6, "font": {"size": font_size}}


@dataclass(frozen=True, slots=True)
class _Traces:
    """The traces of one figure, always the same ones in the same order."""

    lanes: Lanes
    ground: Ground

    def traces(self) -> list[dict[str, Any]]:
        return [
            self.band(
                self.lanes.view.radiation_forecast, axis_name="y", divisor=DIVISOR[self.lanes.quantity]
            ),
            self.band(self.lanes.view.contrast_forecast, axis_name="y3", divisor=1.0),
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
    ) -> dict[str, Any]:
        local = [None if at is None else local_time(at, self.lanes.zone) for at in x]
        return {"type": "scatter", "name": name, "x": local, "y": list(y), "cliponaxis": False} | more

    def radiation(self, plane: str) -> dict[str, Any]:
        curve = next((c for c in self.lanes.view.curves if c.plane == plane), None)
        points = thinned(self.lanes.radiation_points(curve), self.lanes.clock) if curve else []
        if points and points[0][1] > 0:
            points = [(min(self.lanes.clock.start, points[0][0]), 0.0), *points]
        unit = RADIATION_UNIT[self.lanes.quantity]
        label = vm.joined(RADIATION_AXIS[self.lanes.quantity], vm.plane_words(plane), by=", ")
        return self.scatter(
            label,
            [at for at, _ in points],
            [v for _, v in points],
            yaxis="y",
            mode="lines",
            line={"color": self.ground.radiation, "width": 1.75 if plane == "b" else 3.0},
            hovertemplate=f"%{{x|%H:%M:%S}} %{{y:.2f}} {unit}<extra>{label}</extra>",
        )

    def readings(self) -> dict[str, Any]:
        typed = [
            (p.instant, getattr(p, self.lanes.quantity))
            for c in self.lanes.view.curves
            for p in c.points
            if p.basis == "typed"
        ]
        divisor = DIVISOR[self.lanes.quantity]
        all_known = sorted((at, v / divisor) for at, v in typed if v is not None)
        known = thinned(all_known, self.lanes.clock, most=MOST_MARKS)
        return self.scatter(
            "console reading",
            [at for at, _ in known],
            [v for _, v in known],
            yaxis="y",
            mode="markers",
            marker={
                "symbol": "circle-open",
                "size": 8,
                "color": self.ground.radiation,
                "line": {"width": 1.5},
            },
            hovertemplate="%{x|%H:%M:%S} read off the console<extra></extra>",
        )

    def stairs(self) -> dict[str, Any]:
        begun = [self.lanes.clock.start] if self.lanes.view.stairs or earlier_ml(self.lanes.view) else []
        at = [*begun, *(s.at for s in self.lanes.view.stairs)]
        base = earlier_ml(self.lanes.view)
        value = [base] * len(begun) + [stair_ml(self.lanes.view, s) for s in self.lanes.view.stairs]
        if at and self.lanes.clock.now > at[-1]:
            at, value = [*at, self.lanes.clock.now], [*value, value[-1]]
        return self.scatter(
            "contrast given",
            at,
            value,
            yaxis="y3",
            mode="lines",
            line={"color": self.ground.contrast, "width": 3.0, "shape": "hv"},
            hoverinfo="skip",
        )

    def injections(self) -> dict[str, Any]:
        stairs = self.lanes.view.stairs
        return self.scatter(
            "injection",
            [s.at for s in stairs],
            [stair_ml(self.lanes.view, s) for s in stairs],
            yaxis="y3",
            mode="markers",
            marker={"symbol": "square", "size": 6, "color": self.ground.contrast},
            customdata=[_injection_words(s) for s in stairs],
            hovertemplate="%{x|%H:%M:%S} %{customdata}<extra></extra>",
        )

    def beam(self, kind: str, *, width: int) -> dict[str, Any]:
        x: list[datetime | None] = []
        y: list[float | None] = []
        for strip in self.lanes.view.beam_on:
            if strip.kind == kind:
                height = 0.32 if strip.plane == "b" else 0.68
                x += [strip.start, strip.end or strip.start + timedelta(seconds=1), None]
                y += [height, height, None]
        return self.scatter(
            f"beam on, {kind}",
            x,
            y,
            yaxis="y2",
            mode="lines",
            line={
                "color": self.ground.quiet if kind == "fluoroscopy" else self.ground.radiation,
                "width": width,
            },
            hovertemplate=f"%{{x|%H:%M:%S}} {kind}<extra></extra>",
        )

    def ties(self) -> dict[str, Any]:
        """Uprights from an injection's stair through the strip; drawn on an axis of paper height."""
        x: list[datetime | None] = []
        y: list[float | None] = []
        for stair in self.lanes.view.stairs:
            if tied_run(stair.at, self.lanes.view.beam_on) is not None:
                x += [stair.at, stair.at, None]
                y += [stair_ml(self.lanes.view, stair), self.lanes.contrast_end, None]
        return self.scatter(
            "injection and its run",
            x,
            y,
            yaxis="y3",
            mode="lines",
            line={"color": self.ground.contrast, "width": 1, "dash": "dot"},
            hoverinfo="skip",
        )

    def band(self, forecast: Forecast | None, *, axis_name: str, divisor: float) -> dict[str, Any]:
        x, y = self.band_outline(forecast, divisor=divisor) if self.lanes.clock.is_live else ([], [])
        return self.scatter(
            "range ahead",
            x,
            y,
            yaxis=axis_name,
            mode="lines",
            fill="toself",
            line={"width": 0},
            fillcolor="rgba(0,0,0,0)",
            hoverinfo="skip",
            fillpattern={
                "shape": "/",
                "fgcolor": self.ground.band,
                "bgcolor": "rgba(0,0,0,0)",
                "size": 9,
                "solidity": 0.16,
            },
        )

    def band_outline(
        self, forecast: Forecast | None, *, divisor: float
    ) -> tuple[list[datetime | None], list[float | None]]:
        """A wedge from here to the level ahead, between the earliest and the latest time."""
        if forecast is None or forecast.clock_minutes is None or forecast.level.value <= 0:
            return [], []
        level, value = forecast.level.value / divisor, self.lanes.value_of(forecast)
        corners: list[tuple[datetime, float]] = [(self.lanes.clock.now, value)]
        for number in forecast.clock_minutes:
            at = self.lanes.clock.now + timedelta(minutes=number)
            share = min(1.0, (self.lanes.clock.end - self.lanes.clock.now) / (at - self.lanes.clock.now))
            corners.append((min(at, self.lanes.clock.end), value + (level - value) * share))
        if corners[1][0] < self.lanes.clock.end and corners[2][0] == self.lanes.clock.end:
            corners.insert(2, (self.lanes.clock.end, level))
        return [at for at, _ in corners], [v for _, v in corners]

    def reached(self, lane: str, *, axis_name: str) -> dict[str, Any]:
        found = [(at, value) for at, value, _ in self.lanes.levels_of(lane) if at is not None]
        return self.scatter(
            f"level reached, {lane}",
            [at for at, _ in found],
            [v for _, v in found],
            yaxis=axis_name,
            mode="markers",
            hoverinfo="skip",
            marker={"symbol": "circle", "size": 10, "color": self.ground.ink},
        )


def _injection_words(stair: Stair) -> str:
    given = stair.injection
    product = (
        f"{given.concentration_mgi_ml:g} mg I/mL" if given.concentration_mgi_ml else "concentration not known"
    )
    return f"{given.volume_ml:g} mL of {product}, then {vm.used_ml(stair.contrast_ml)} mL"
