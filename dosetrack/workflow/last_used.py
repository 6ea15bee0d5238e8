"""A bounded memory of things that never go stale under their key."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable
from threading import Lock
from typing import Generic, TypeVar

K = TypeVar("K", bound=Hashable)
V = TypeVar("V")


class LastUsed(Generic[K, V]):
    """The last `most` values used, by key; the longest unused is given up first. Threads share it."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._held: OrderedDict[K, V] = OrderedDict()
        self._lock = Lock()

    def get(self, key: K) -> V | None:
        """The value under `key`, None when it is not held."""
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
            return self._held.get(key)

    def remember(self, key: K, value: V) -> None:
        """Hold `value` as the last used."""
        with self._lock:
            self._held[key] = value
            self._held.move_to_end(key)
            while len(self._held) > self._most:
                self._held.popitem(last=False)
