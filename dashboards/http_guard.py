"""Who is let in at the HTTP interface, and how often an address may try in vain."""

from __future__ import annotations

import hashlib
import re
from collections import OrderedDict, deque
from collections.abc import Callable
from threading import Lock

MOST_FAILURES = 10
WITHIN_S = 60.0
_MOST_ADDRESSES = 1000
_BEARER = re.compile(r"[Bb]earer +([A-Za-z0-9._~+/=-]{1,200})")


class FailureLimit:
    """Counts refused tokens by address over the last minute. Threads share it.

    A token that is in force always passes: one gateway set up wrongly must not cut off the others
    behind the same address. Tokens are too long to be guessed.
    """

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self._failures: OrderedDict[str, deque[float]] = OrderedDict()
        self._lock = Lock()

    def wait_s(self, address: str) -> float:
        """Count one more failure of `address`; how long it must wait, 0 while it has failed little [s]."""
        now = self._now_s()
        with self._lock:
            times = self._failures.setdefault(address, deque(maxlen=MOST_FAILURES))
            self._failures.move_to_end(address)
            while len(self._failures) > _MOST_ADDRESSES:
                self._failures.popitem(last=False)
            if len(times) == MOST_FAILURES and now - times[0] < WITHIN_S:
                return WITHIN_S - (now - times[0])
            times.append(now)
            return 0.0


def token_digest(authorization: str | None) -> str | None:
    """SHA-256 of the token in an Authorization header, in hexadecimal; None without one."""
    found = _BEARER.fullmatch((authorization or "").strip())
    return hashlib.sha256(found.group(1).encode("ascii")).hexdigest() if found else None
