"""`dosetrack watch`: take in what appears in folders."""

from __future__ import annotations

import logging
import os
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dosetrack.cli._ledger_options import WRONG_USAGE, LedgerOption, fail, opened

if TYPE_CHECKING:
    from dosetrack.services.watch import Watching
    from dosetrack.workflow import Workflow

EVERY_S = 2.0
EveryOption = Annotated[
    float, typer.Option("--every", min=0.1, max=3600, metavar="SECONDS", help="Seconds between two looks.")
]


def watch(
    folders: Annotated[
        list[Path], typer.Argument(metavar="FOLDER...", help="Folders, looked into with all below them.")
    ],
    every: EveryOption = EVERY_S,
    ledger: LedgerOption = None,
) -> None:
    """Take in dose reports and tables of typed entries that appear in folders, each once.

    Nothing in the folders is changed or removed. Stop with Ctrl-C.
    """
    require_folders(folders)
    logging.basicConfig(stream=sys.stderr, format="%(message)s", level=logging.WARNING)
    workflow = opened(ledger, create=True)
    watching = folder_watching(workflow, folders, every_s=every)
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: watching.ask_to_stop())
    names = ", ".join(str(folder) for folder in folders)
    print(f"Watching {names} - stop with Ctrl-C", file=sys.stderr, flush=True)
    watching.run()
    workflow.ledger.close()


def require_folders(folders: list[Path]) -> None:
    """End the command when one of `folders` is a file, or is not there: a typing error shows at once."""
    for folder in folders:
        if not folder.is_dir():
            fail(f"{folder}: is no folder that can be looked into", WRONG_USAGE)


def folder_watching(workflow: Workflow, folders: list[Path], *, every_s: float) -> Watching:
    """The watch on `folders`, with the list of files dealt with that belongs to this ledger."""
    from dosetrack.services.watch import FolderWatch, Memo, Watching

    def say(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "dosetrack"
    with workflow.ledger.reading() as reader:
        memo = Memo(cache / f"watched-{reader.meta('ledger_id')}.json")
    return Watching(FolderWatch(workflow, folders, memo=memo, say=say), every_s=every_s)
