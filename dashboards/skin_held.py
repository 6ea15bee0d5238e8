"""What the views work out of a skin map once and use again: grid, views, moments."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING

from dosetrack.skin.by_view import Moment, ViewDoses, doses_by_view, moments
from dosetrack.skin.flat import FlatGrid, flat_grid

if TYPE_CHECKING:
    from dosetrack.skin.model import SkinMap

STEPS = 10
_MOST_HELD = 6


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """What every view of one map shares. moments : rising, the last is the whole map."""

    skin_map: SkinMap
    grid: FlatGrid
    views: ViewDoses
    moments: tuple[Moment, ...]


class HeldMaps:
    """The last few maps with what was worked out of them. Threads share it; nothing here goes stale."""

    def __init__(self) -> None:
        self._held: OrderedDict[int, Drawn] = OrderedDict()
        self._lock = Lock()

    def of(self, skin_map: SkinMap) -> Drawn:
        """What is shared by the views of `skin_map`, worked out at the first call."""
        key = id(skin_map)  # the map is held with it, so its number cannot come to mean another
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
                return self._held[key]
        drawn = Drawn(
            skin_map, flat_grid(skin_map.surface), doses_by_view(skin_map), moments(skin_map, steps=STEPS)
        )
        with self._lock:
            self._held[key] = drawn
            while len(self._held) > _MOST_HELD:
                self._held.popitem(last=False)
        return drawn
