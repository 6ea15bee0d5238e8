"""A progress bar with rate and time left on standard error; silent where that is no terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

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
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    bar = Progress(
        TextColumn(doing),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]} " + unit + "/s"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
    )
    with bar:
        task = bar.add_task("", total=None, rate="–")

        def show(done: int, total: int) -> None:
            speed = bar.tasks[0].speed
            bar.update(task, completed=done, total=total, rate=f"{speed:.0f}" if speed else "–")

        yield show
