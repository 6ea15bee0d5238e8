"""Cumulative reports on their way in: what one told already is not read again in the next.

A reading process keeps the events of the last reports it read, one report for each study and
machine (`HeldReports`). Holding a report's events makes reading it slower, so it is done only
where another of its series comes soon or has come (`marked_repeats`).
"""

from __future__ import annotations

from collections import Counter, OrderedDict, deque
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import partial

from dosetrack.readers import read_report_after
from dosetrack.readers.held import HeldEvents
from dosetrack.readers.series import Series
from dosetrack.records.report import DoseReport
from dosetrack.services.files import FoundFile, ReadFile, read_file

MOST_EVENTS_HELD = 20_000
"""By one process; an event held takes about 2 kB."""
SERIES_REMEMBERED = 4096
"""Series known to have come more than once; fewer than these take part in the reading at one time."""
LOOKED_AHEAD = 64
"""Files: another report of a series within these makes it one that repeats."""


class HeldReports:
    """The events of the last report of each series, the longest unused given up first.

    Parameters
    ----------
    most_events : how many are held in all; a report with more is not held
    """

    def __init__(self, *, most_events: int = MOST_EVENTS_HELD) -> None:
        self._most = most_events
        self._held: OrderedDict[Series, HeldEvents] = OrderedDict()
        self.events = 0
        self.taken = 0
        """Events held now, and events taken over instead of being read, so far."""

    def read(self, data: bytes, *, file: str, series: Series) -> DoseReport:
        """The report in `data`, as `read_report` gives it; its events are held for the next of its series.

        Raises
        ------
        ReportRefusedError
            As `read_report`; what was held of the series stays.
        """
        after = read_report_after(data, file=file, held=self._held.get(series))
        self.taken += after.taken
        if after.held is not None:
            self._hold(series, after.held)
        return after.report

    def _hold(self, series: Series, held: HeldEvents) -> None:
        before = self._held.pop(series, None)
        self.events -= len(before.events) if before else 0
        if len(held.events) > self._most:
            return
        self._held[series] = held
        self.events += len(held.events)
        while self.events > self._most:
            _, oldest = self._held.popitem(last=False)
            self.events -= len(oldest.events)


def marked_repeats(files: Iterable[FoundFile]) -> Iterator[FoundFile]:
    """`files` in their order, `is_repeated` where another of the series is near or has come."""
    ahead: deque[FoundFile] = deque()
    counts: Counter[Series] = Counter()
    known: OrderedDict[Series, None] = OrderedDict()

    def first() -> FoundFile:
        file = ahead.popleft()
        if file.series is None:
            return file
        is_repeated = counts[file.series] > 1 or file.series in known
        counts[file.series] -= 1
        if not counts[file.series]:
            del counts[file.series]
        known[file.series] = None
        known.move_to_end(file.series)
        if len(known) > SERIES_REMEMBERED:
            known.popitem(last=False)
        return replace(file, is_repeated=is_repeated)

    for file in files:
        ahead.append(file)
        if file.series is not None:
            counts[file.series] += 1
        if len(ahead) > LOOKED_AHEAD:
            yield first()
    while ahead:
        yield first()


def read_one(found: FoundFile, held: HeldReports) -> ReadFile:
    """`found` read, after the report before it where its series repeats."""
    if found.series is None or not found.is_repeated:
        return read_file(found)
    return read_file(found, partial(held.read, series=found.series))
