"""What the views work out of a skin map once and use again: grid, views, moments."""

from __future__ import annotations

from collections import OrderedDict
from functools import cached_property
from threading import Lock
from typing import TYPE_CHECKING

from dosetrack.skin.by_view import Moment, ViewDoses, doses_by_view, event_ends, moments
from dosetrack.skin.flat import FlatGrid, flat_grid

if TYPE_CHECKING:
    from dosetrack.skin.model import SkinMap

STEPS = 10
_MOST_HELD = 6


class Drawn:
    """What the views of one map share; each part is worked out when it is first asked for."""

    def __init__(self, skin_map: SkinMap) -> None:
        self.skin_map = skin_map
        self.ends = event_ends(skin_map, steps=STEPS)

    @cached_property
    def grid(self) -> FlatGrid:
        """The grid of the flat map."""
        return flat_grid(self.skin_map.surface)

    @cached_property
    def views(self) -> ViewDoses:
        """What each view gave to each place."""
        return doses_by_view(self.skin_map)

    @cached_property
    def moments(self) -> tuple[Moment, ...]:
        """The map after each part of the case, one for each of `ends`; the last is the whole."""
        return moments(self.skin_map, steps=STEPS)


class HeldMaps:
    """The last few maps with what was worked out of them. Threads share it; nothing here goes stale."""

    def __init__(self) -> None:
        self._held: OrderedDict[int, Drawn] = OrderedDict()
        self._lock = Lock()

    def of(self, skin_map: SkinMap) -> Drawn:
        """What is shared by the views of `skin_map`."""
        key = id(skin_map)  # the map is held with it, so its number cannot come to mean another
        with self._lock:
            drawn = self._held.setdefault(key, Drawn(skin_map))
            self._held.move_to_end(key)
            while len(self._held) > _MOST_HELD:
                self._held.popitem(last=False)
            return drawn
