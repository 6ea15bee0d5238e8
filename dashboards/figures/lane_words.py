"""What is written and ruled in the two lanes: levels with their times, now, and what is missing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from dashboards import view_models as vm
from dashboards.figures.lane_data import (
    CONTRAST_DOMAIN,
    RADIATION_DOMAIN,
    STRIP_DOMAIN,
    Lanes,
    earlier_ml,
    local_time,
)
from dashboards.theme import Ground

if TYPE_CHECKING:
    from dosetrack.records.levels import LevelLine

LETTER_EM = 0.55
"""Mean width of a letter as a share of the font size."""
NOW_PX = 16
"""Size of the words at now: they stand in the narrow part of the lane that is left ahead."""
NARROW_HAND_PX = 500
NARROW_WALL_PX = 700
"""Width of a lane on the narrowest usual screen of each view: a tablet upright, a small wall screen."""


@dataclass(frozen=True, slots=True)
class LaneWords:
    """Lines and words of one figure."""

    lanes: Lanes
    ground: Ground
    font_size: int
    is_wall: bool = False

    def shapes(self) -> list[dict[str, Any]]:
        """Level lines, the floors of the lanes, and now."""
        shapes = []
        for lane, name in (("radiation", "y"), ("contrast", "y3")):
            for at, value, line in self.lanes.levels_of(lane):
                is_top = line.tier in ("substantial", "leading-limit")
                shapes.append(
                    {
                        "type": "line",
                        "layer": "below",
                        "xref": "paper",
                        "x0": 0,
                        "x1": 1,
                        "yref": name,
                        "y0": value,
                        "y1": value,
                        "line": {
                            "color": self.ground.ink if at or is_top else self.ground.edge,
                            "width": 1.5 if is_top else 1,
                            "dash": "solid" if at else "dash",
                        },
                    }
                )
        for domain in (RADIATION_DOMAIN, CONTRAST_DOMAIN):
            shapes.append(_rule(self.ground, y=domain[0]))
        if self.lanes.clock.is_live:
            now = local_time(self.lanes.clock.now, self.lanes.zone)
            shapes.append(
                {
                    "type": "line",
                    "layer": "below",
                    "xref": "x",
                    "x0": now,
                    "x1": now,
                    "yref": "paper",
                    "y0": 0,
                    "y1": 1,
                    "line": {"color": self.ground.quiet, "width": 1},
                }
            )
        return shapes

    def annotations(self) -> list[dict[str, Any]]:
        """Every word inside the lanes."""
        words = []
        for lane, name in (("radiation", "y"), ("contrast", "y3")):
            for at, value, line in self.lanes.levels_of(lane):
                words.append(self.level_words(at, value, line, axis_name=name))
        words += self.missing_words()
        words += self.earlier_words()
        words += self.plane_words()
        if self.lanes.clock.is_live:
            words.append(
                self.words(
                    f"now {vm.clock_time(self.lanes.clock.now, self.lanes.zone)}",
                    x=local_time(self.lanes.clock.now, self.lanes.zone),
                    xref="x",
                    y=STRIP_DOMAIN[0] + 0.045,
                    yref="paper",
                    xanchor="left",
                    xshift=6,
                    color=self.ground.quiet,
                    size=min(self.font_size, NOW_PX),
                )
            )
        return words

    def level_words(
        self, at: datetime | None, value: float, line: LevelLine, *, axis_name: str
    ) -> dict[str, Any]:
        """A level with the time it was reached, or the range ahead of it.

        A reached level is named where nothing is drawn: above its line, left of where the data
        crossed it; below its line at the right where it was crossed too early for that. A level
        ahead is named at the right, above its line.
        """
        if at is None:
            text = vm.joined(line.name, self.ahead_words(line), by="  ")
            return self.words(text, **self.at_right(value, axis_name), color=self.ground.quiet)
        text = f"{line.name}  <b>{vm.clock_time(at, self.lanes.zone)}</b>"
        is_early = self.lanes.share_of(at) < self.share_of_text(text)
        place = self.at_right(value, axis_name, yanchor="top") if is_early else self.at_left(value, axis_name)
        return self.words(text, **place, color=self.ground.ink, **self.halo())

    def at_left(self, value: float, axis_name: str) -> dict[str, Any]:
        """Above a line, at the left end of its lane."""
        return {
            "x": 0, "xref": "paper", "xanchor": "left", "xshift": 4,
            "y": value, "yref": axis_name, "yanchor": "bottom",
        }  # fmt: skip

    def at_right(self, value: float, axis_name: str, *, yanchor: str = "bottom") -> dict[str, Any]:
        """Above or below a line, at the right end of its lane."""
        return {
            "x": 1, "xref": "paper", "xanchor": "right",
            "y": value, "yref": axis_name, "yanchor": yanchor,
        }  # fmt: skip

    def halo(self) -> dict[str, Any]:
        """Words without a ground of their own: a tie behind them stays to be seen."""
        edge = self.ground.ground
        shadow = ", ".join(f"{x}px {y}px 1px {edge}" for x in (-1, 0, 1) for y in (-1, 0, 1))
        return {"bgcolor": "rgba(0,0,0,0)", "shadow": shadow}

    def share_of_text(self, text: str) -> float:
        """The part of the narrowest usual lane that a text takes, tags left out."""
        letters = len(text.replace("<b>", "").replace("</b>", ""))
        width = NARROW_WALL_PX if self.is_wall else NARROW_HAND_PX
        return letters * LETTER_EM * self.font_size / width

    def ahead_words(self, line: LevelLine) -> str | None:
        """'in 13–22 min' beside the level a forecast speaks of, while the case runs."""
        for forecast in (self.lanes.view.radiation_forecast, self.lanes.view.contrast_forecast):
            if forecast is not None and forecast.level == line and self.lanes.clock.is_live:
                return vm.forecast_words(forecast.clock_minutes)
        return None

    def missing_words(self) -> list[dict[str, Any]]:
        """Where a limit cannot be drawn, the words that say why stand in its place."""
        found = []
        if not self.lanes.view.contrast_lines:
            text = self.lanes.view.kidney.headline
            found.append(
                self.words(
                    text,
                    x=0,
                    xref="paper",
                    xanchor="left",
                    xshift=4,
                    y=CONTRAST_DOMAIN[1] - 0.01,
                    yref="paper",
                    yanchor="top",
                    color=self.ground.ink,
                    **self.halo(),
                )
            )
        if not any(self.lanes.radiation_points(c) for c in self.lanes.view.curves):
            found.append(
                self.words(
                    "no reading and no report yet",
                    x=0.02,
                    xref="paper",
                    y=RADIATION_DOMAIN[0] + 0.05,
                    yref="paper",
                    xanchor="left",
                    color=self.ground.quiet,
                )
            )
        return found

    def earlier_words(self) -> list[dict[str, Any]]:
        """What the stairs stand on: contrast of the days before, where its amount is known."""
        base = earlier_ml(self.lanes.view)
        if not base:
            return []
        return [
            self.words(
                f"{vm.used_ml(base)} mL earlier",
                x=0,
                xref="paper",
                xanchor="left",
                xshift=4,
                y=base,
                yref="y3",
                yanchor="top",
                yshift=-2,
                color=self.ground.quiet,
            )
        ]

    def plane_words(self) -> list[dict[str, Any]]:
        """Which line is which plane, where there are two."""
        curves = [(c, self.lanes.radiation_points(c)) for c in self.lanes.view.curves]
        drawn = [(c, points) for c, points in curves if points]
        if len(drawn) < 2:
            return []
        drawn.sort(key=lambda pair: pair[1][-1][1])
        return [
            self.words(
                vm.plane_words(c.plane),
                x=local_time(points[-1][0], self.lanes.zone),
                xref="x",
                y=points[-1][1],
                yref="y",
                xanchor="right",
                yanchor="top" if number == 0 else "bottom",  # the lower line is named below it
                yshift=-7 if number == 0 else 7,
                bgcolor="rgba(0,0,0,0)",
                color=self.ground.ink,
            )
            for number, (c, points) in enumerate(drawn)
        ]

    def words(
        self, text: str, *, color: str, shadow: str = "", size: int | None = None, **place: Any
    ) -> dict[str, Any]:
        """One annotation on the ground colour. size : other than that of the figure [px]"""
        font = {"size": size or self.font_size, "color": color}
        return {
            "text": text,
            "showarrow": False,
            "bgcolor": self.ground.ground,
            "borderpad": 1,
            "font": {**font, "shadow": shadow} if shadow else font,
            **place,
        }


def _rule(ground: Ground, *, y: float) -> dict[str, Any]:
    return {
        "type": "line",
        "layer": "below",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "yref": "paper",
        "y0": y,
        "y1": y,
        "line": {"color": ground.rule, "width": 1},
    }
