"""Views that several screens ask for at the same moment: worked out once, never held beyond a second."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from threading import Lock
from typing import Generic, TypeVar

from dosetrack.workflow.last_used import LastUsed

V = TypeVar("V")
HELD_FOR = timedelta(seconds=1)
_CASES = 64


class HeldViews(Generic[V]):
    """The last view of each case with its position and moment. Threads share it; of several that ask for
    the same one works it out and the others wait."""

    def __init__(self) -> None:
        self._held: LastUsed[str, tuple[int, datetime, V]] = LastUsed(_CASES)
        self._turns: LastUsed[str, Lock] = LastUsed(2 * _CASES)
        self._making_turn = Lock()

    def get(self, key: str, *, position: int, now: datetime, make: Callable[[], V]) -> V:
        """What `make` gives, or gave within the last second at the same `position` of the ledger."""
        with self._turn(key):
            held = self._held.get(key)
            if held is not None and held[0] == position and timedelta(0) <= now - held[1] < HELD_FOR:
                return held[2]
            made = make()
            self._held.remember(key, (position, now, made))
            return made

    def _turn(self, key: str) -> Lock:
        with self._making_turn:
            found = self._turns.get(key) or Lock()
            self._turns.remember(key, found)
            return found
