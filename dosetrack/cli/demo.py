"""`dosetrack demo`: an invented department, and a long case that plays live."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from threading import Event
from typing import Annotated

import typer

from dosetrack.cli.serve import DEFAULT_PORT, HostOption, PortOption, require_free, run_dashboard


def demo(
    host: HostOption = "127.0.0.1",
    port: PortOption = DEFAULT_PORT,
    speed: Annotated[
        float, typer.Option(min=1, max=600, help="How much faster than real time the live case plays.")
    ] = 30.0,
    folder: Annotated[
        Path | None, typer.Option(help="Where the demonstration's ledger is kept; default: the cache folder.")
    ] = None,
) -> None:
    """Build an invented department's ledger and serve it while a long case plays live.

    All people, machines and numbers in it are invented.
    """
    from dosetrack.exchange.department import live_case_steps
    from dosetrack.services.clock import CatchingUpClock
    from dosetrack.services.demo import SEED, LiveCase, demo_ledger
    from dosetrack.workflow import open_workflow, utc_now

    require_free(host, port)
    print("Everything shown is invented: people, machines, numbers.", file=sys.stderr)
    today = datetime.now().astimezone().date()
    url = demo_ledger(folder or _cache_folder(), today=today, progress=_progress())
    length = timedelta(seconds=live_case_steps(seed=SEED)[-1].offset_s)
    clock = CatchingUpClock(utc_now, behind=length, speed=speed)
    workflow = open_workflow(url, migrate=True, clock=clock)

    def wait_until(moment: datetime, stopped: Event) -> None:
        while not stopped.is_set() and (seconds := clock.real_seconds_until(moment)) > 0:
            stopped.wait(min(seconds, 1.0))

    live = LiveCase(workflow, start=clock(), wait_until=wait_until).start()
    try:
        run_dashboard(workflow, host=host, port=port)
    finally:
        live.stop()


def _cache_folder() -> Path:
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "dosetrack"


def _progress() -> Callable[[int, int], None]:
    shown = [-1]

    def show(done: int, total: int) -> None:
        percent = 100 * done // max(total, 1)
        if percent != shown[0] and percent % 5 == 0:
            shown[0] = percent
            print(f"building the invented department: {min(percent, 100)} %", file=sys.stderr, flush=True)

    return show
