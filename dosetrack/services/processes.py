"""Working processes that end with the process that started them."""

from __future__ import annotations

import os
import signal
import threading
from multiprocessing import parent_process
from multiprocessing.connection import wait


def follow_parent() -> None:
    """In a working process: leave interrupts to the parent, and end when it is gone, however it ended."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)
