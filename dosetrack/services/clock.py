"""A clock for demonstrations: a long case plays in minutes and never runs ahead of real time."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta


class CatchingUpClock:
    """Starts in the past, runs `speed` times as fast as `real`, and then keeps step with it.

    Examples
    --------
    >>> from datetime import UTC
    >>> now = [datetime(2026, 3, 1, 12, 0, tzinfo=UTC)]
    >>> clock = CatchingUpClock(lambda: now[0], behind=timedelta(hours=3), speed=10)
    >>> clock().hour
    9
    >>> now[0] += timedelta(minutes=6)
    >>> clock().hour
    10
    >>> now[0] += timedelta(hours=3)
    >>> clock() == now[0]
    True
    """

    def __init__(self, real: Callable[[], datetime], *, behind: timedelta, speed: float) -> None:
        self._real = real
        self._speed = speed
        self._began = real()
        self._start = self._began - behind

    def __call__(self) -> datetime:
        """The present moment of the demonstration."""
        now = self._real()
        return min(now, self._start + (now - self._began) * self._speed)

    def real_seconds_until(self, moment: datetime) -> float:
        """Real seconds until this clock shows `moment`; 0 when it has passed [s]."""
        ahead = (moment - self()).total_seconds()
        if ahead <= 0:
            return 0.0
        is_behind = self() < self._real()
        return ahead / self._speed if is_behind else ahead
