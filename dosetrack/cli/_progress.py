"""Progress bars with rate and time left on standard error; silent where that is no terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress as Bars

    from dosetrack.services.ingest import Step

Progress = Callable[[int, int], None]
"""Told (done, all)."""


@contextmanager
def progress_bar(doing: str, *, unit: str) -> Iterator[Progress | None]:
    """What to tell of the progress; None where nobody would see it.

    Parameters
    ----------
    doing : the word before the bar, 'reading'
    unit : what is counted, 'files'
    """
    with _bars() as bars:
        if bars is None:
            yield None
            return
        show = _bar_of(bars, doing, unit)
        yield show


@contextmanager
def step_bars(doing: str) -> Iterator[Callable[[Step], None] | None]:
    """What to tell of the steps of an ingest: a bar for the files and one for the rows of each table.

    Parameters
    ----------
    doing : the word before the bar of the files, 'reading'
    """
    with _bars() as bars:
        if bars is None:
            yield None
            return
        shown: dict[str | None, Progress] = {}

        def show(step: Step) -> None:
            if step.table not in shown:
                shown[step.table] = _bar_of(bars, step.table or doing, step.unit)
            shown[step.table](step.done, step.total)

        yield show


@contextmanager
def _bars() -> Iterator[Bars | None]:
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
    from rich.table import Column

    with Progress(
        TextColumn(
            "{task.description}", markup=False, table_column=Column(overflow="ellipsis", no_wrap=True)
        ),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]} {task.fields[unit]}/s"),
        TimeRemainingColumn(elapsed_when_finished=True),
        TextColumn("{task.fields[which]}"),
        console=Console(stderr=True),
    ) as bars:
        yield bars


def _bar_of(bars: Bars, doing: str, unit: str) -> Progress:
    task = bars.add_task(doing, total=None, rate="–", unit=unit, which="to go")

    def show(done: int, total: int) -> None:
        is_done = done >= total
        speed = bars.tasks[task].finished_speed or bars.tasks[task].speed
        bars.update(
            task, completed=done, total=total, rate=_rate(speed), which="in all" if is_done else "to go"
        )

    return show


def _rate(speed: float | None) -> str:
    if speed is None:
        return "–"
    return f"{speed:.0f}" if speed >= 10 else f"{speed:.1f}"
