"""Reading on several processes, files of one series on the same one, handed over in order."""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Generator, Iterable
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import get_context

from dosetrack.readers.series import Series
from dosetrack.services.cumulative import SERIES_REMEMBERED, HeldReports, marked_repeats, read_one
from dosetrack.services.files import FoundFile, ReadFile
from dosetrack.services.processes import follow_parent

_FILES_AHEAD, _BYTES_AHEAD = 40, 64 << 20
"""In flight at once: enough that every process has work while a batch is written, and memory stays flat."""


def read_in_order(
    files: Iterable[FoundFile], *, workers: int, is_plain: bool = False
) -> Generator[ReadFile, None, None]:
    """`files` read as dose reports on `workers` processes, in the order given.

    Only a few files are in flight at once, so memory does not grow with their number. With one
    worker everything happens in this process.

    Parameters
    ----------
    is_plain : read every report whole, for comparison; the reports are the same
    """
    marked = files if is_plain else marked_repeats(files)
    if workers <= 1:
        held = HeldReports()
        yield from (read_one(found, held) for found in marked)
        return
    lanes = _Lanes(workers)
    waiting: deque[tuple[Future[ReadFile], int]] = deque()
    ahead = 0
    try:
        for found in marked:
            waiting.append((lanes.submit(found), found.size))
            ahead += found.size
            while len(waiting) > _FILES_AHEAD or (len(waiting) > workers and ahead > _BYTES_AHEAD):
                future, size = waiting.popleft()
                ahead -= size
                yield future.result()
        while waiting:
            yield waiting.popleft()[0].result()
    finally:
        lanes.close()


class _Lane:
    """One process and what waits for it."""

    def __init__(self) -> None:
        # 'spawn' because the caller may run threads (a server), which a fork would copy half-way
        self._pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=follow_parent)
        self._waiting: deque[tuple[Future[ReadFile], int]] = deque()

    def submit(self, found: FoundFile) -> Future[ReadFile]:
        future = self._pool.submit(_read_here, found)
        self._waiting.append((future, found.size))
        return future

    def waiting_bytes(self) -> int:
        while self._waiting and self._waiting[0][0].done():
            self._waiting.popleft()
        return sum(size + 1 for _, size in self._waiting)

    def stop(self) -> None:
        self._pool.shutdown(wait=False, cancel_futures=True)

    def wait(self) -> None:
        self._pool.shutdown()


class _Lanes:
    """The processes, and which of them has read which series that repeats."""

    def __init__(self, count: int) -> None:
        self._lanes = [_Lane() for _ in range(count)]
        self._of_series: OrderedDict[Series, _Lane] = OrderedDict()

    def submit(self, found: FoundFile) -> Future[ReadFile]:
        """Give `found` to the process that read its series before, else to the one with least to do."""
        series = found.series if found.is_repeated else None
        lane = self._of_series.get(series) if series is not None else None
        if lane is None:
            lane = min(self._lanes, key=_Lane.waiting_bytes)
        if series is not None:
            self._of_series[series] = lane
            self._of_series.move_to_end(series)
            if len(self._of_series) > SERIES_REMEMBERED:
                self._of_series.popitem(last=False)
        return lane.submit(found)

    def close(self) -> None:
        """Give up what waits, and end."""
        for lane in self._lanes:
            lane.stop()
        for lane in self._lanes:
            lane.wait()


_held = HeldReports()
"""Of this reading process; the process that starts others never uses it."""


def _read_here(found: FoundFile) -> ReadFile:
    return read_one(found, _held)
