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


@dataclass(frozen=True, slots=True)
class LaneWords:
    """Lines and words of one figure."""

    lanes: Lanes
    ground: Ground
    font_size: int

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
                )
            )
        return words

    def level_words(
        self, at: datetime | None, value: float, line: LevelLine, *, axis_name: str
    ) -> dict[str, Any]:
        """A level with the time it was reached, or the range ahead of it."""
        when = f"<b>{vm.clock_time(at, self.lanes.zone)}</b>" if at else self.ahead_words(line)
        text = vm.joined(line.name, when, by="  ")
        return self.words(
            text,
            x=1,
            xref="paper",
            xanchor="right",
            y=value,
            yref=axis_name,
            yanchor="bottom",
            color=self.ground.ink if at else self.ground.quiet,
        )

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
                    x=0.5,
                    xref="paper",
                    y=CONTRAST_DOMAIN[1] - 0.05,
                    yref="paper",
                    xanchor="center",
                    color=self.ground.ink,
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

    def words(self, text: str, *, color: str, **place: Any) -> dict[str, Any]:
        """One annotation on the ground colour."""
        return {
            "text": text,
            "showarrow": False,
            "bgcolor": self.ground.ground,
            "borderpad": 1,
            "font": {"size": self.font_size, "color": color},
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
