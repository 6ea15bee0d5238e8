"""What every screen of one kind shows alike of a view: drawn once, however many screens ask for it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from dash import no_update

from dashboards import case_words, theme
from dashboards.components.lane_head import lane_heads, wall_heads
from dashboards.figures.two_accounts import two_accounts_data, two_accounts_patch
from dashboards.pages import room, room_held
from dosetrack.times import zone_named
from dosetrack.workflow.last_used import LastUsed

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import CaseView

MANY_POINTS = 12
"""Beyond these the table under the figure is brought up to date with the ages, not with each reading."""
_VIEWS_HELD = 128


@dataclass(frozen=True)  # without slots: what is drawn is held
class Drawn:
    """Head, numbers, figure, table and answers of one view on one kind of screen."""

    view: CaseView
    kind: str

    @cached_property
    def head(self) -> Any:
        """The line above everything."""
        return (room.wall_head if self._is_wall else room.hand_head)(self.view, self._zone)

    @cached_property
    def numbers(self) -> Any:
        """The large numbers."""
        shown = case_words.accounts(self.view, zone=self._zone, decimals=1 if self._is_wall else 2)
        return wall_heads(shown) if self._is_wall else lane_heads(shown)

    @cached_property
    def figure(self) -> Any:
        """What changes in the figure on screen."""
        size = 22 if self._is_wall else 14
        figure = two_accounts_data(
            self.view, ground=theme.DARK, zone=self._zone, font_size=size, is_wall=self._is_wall
        )
        return two_accounts_patch(figure).to_plotly_json()

    @cached_property
    def answered(self) -> Any:
        """The prompts of earlier today."""
        return room.answered(self.view)

    @cached_property
    def mark(self) -> dict[str, Any]:
        """What is on screen, for the page to hold."""
        return room.shown_mark(self.view, self.kind)

    def held(self, workflow: Workflow, place: str) -> list[str]:
        """The entries of machines whose cards should stand in the room."""
        if "held_ids" not in self.__dict__:
            self.__dict__["held_ids"] = room_held.waiting_ids(workflow, place)
        found: list[str] = self.__dict__["held_ids"]
        return found

    def rows(self) -> Any:
        """The figure's numbers; the wall has no table."""
        return no_update if self._is_wall else self._rows

    @cached_property
    def _rows(self) -> Any:
        return room.figure_rows(self.view, self._zone)

    @property
    def _is_wall(self) -> bool:
        return self.kind == room.WALL

    @cached_property
    def _zone(self) -> ZoneInfo:
        return zone_named(self.view.time_zone)


def drawn(view: CaseView, kind: str) -> Drawn:
    """The drawing of `view`: the one made before where it is the same view."""
    key = (view.case.id, kind)
    held = _HELD.get(key)
    if held is not None and held.view is view:
        return held
    made = Drawn(view, kind)
    _HELD.remember(key, made)
    return made


def is_many(view: CaseView) -> bool:
    """Whether the table is long."""
    return sum(len(curve.points) for curve in view.curves) > MANY_POINTS


_HELD: LastUsed[tuple[str, str], Drawn] = LastUsed(_VIEWS_HELD)
