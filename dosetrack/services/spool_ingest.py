"""From the spool into the ledger, in a process of its own, so that reading never delays an answer."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Sequence
from multiprocessing import get_context
from multiprocessing.process import BaseProcess
from pathlib import Path

from dosetrack.errors import LedgerError, ReportRefusedError
from dosetrack.services.follow_up_settle import MapSettler
from dosetrack.services.heads import shown_name
from dosetrack.services.ingest import ingest
from dosetrack.services.processes import follow_parent
from dosetrack.services.spool import Spool
from dosetrack.workflow import Workflow, open_workflow
from dosetrack.workflow.base import SYSTEM

_LOG = logging.getLogger(__name__)
_LOOK_EVERY_S = 0.1
_AFTER_FAILURE_S = 1.0
_FILES_A_TURN = 25
_LESS_URGENT = 5  # steps of 'nice' behind the process that answers
_ENDS_AT_ONE_FILE = 4  # the first may have been at any file of its turn; in the others it was the only one
_MAY_PASS = (LedgerError, OSError, MemoryError)
"""A locked database, a full disk: nothing is lost, and the same file can be taken in later."""


def drain(workflow: Workflow, spool: Spool, *, at_once: int = _FILES_A_TURN) -> int:
    """Take in every file that waits, oldest first; how many. A file goes once its entries are committed.

    What cannot be read is kept in quarantine with the reason. at_once : files of one turn

    Raises
    ------
    LedgerError, OSError
        The ledger or the disk refused; what is left waits.
    """
    taken = 0
    while files := spool.files()[:at_once]:
        try:
            _take_in(workflow, spool, files)
        except _MAY_PASS:
            raise
        except Exception:  # one of them brings out a fault of ours; it must not hold up the others
            _LOG.exception("received files could not be taken in together; trying them one by one")
            for path in files:
                _take_in_alone(workflow, spool, path)
        taken += len(files)
    return taken


def _take_in(workflow: Workflow, spool: Spool, files: Sequence[Path]) -> None:
    result = ingest(workflow, files, actor=SYSTEM, workers=1)
    refused = {one.file for one in result.refused}
    for path in files:
        if shown_name(path) in refused:
            _settle_refused(workflow, path)
        spool.done(path)


def _settle_refused(workflow: Workflow, path: Path) -> None:
    """Once more by itself, so that a disk that failed for a moment puts nothing in quarantine."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:  # another process took it in
        return
    try:
        workflow.take_in_bytes(data, file=path.name)
    except ReportRefusedError as refused:
        workflow.quarantine(data, file=path.name, reason=refused.reason)


def _take_in_alone(workflow: Workflow, spool: Spool, path: Path) -> None:
    try:
        _take_in(workflow, spool, [path])
    except _MAY_PASS:
        raise
    except Exception as error:
        _LOG.exception("a received file could not be taken in; it is held back until the next start")
        reason = f"reading it failed unexpectedly ({type(error).__name__}); it is tried again at every start"
        workflow.quarantine(path.read_bytes(), file=path.name, reason=reason)
        spool.hold_back(path)


class SpoolIngest:
    """Keeps one process draining the spool, and starts another when that one ends."""

    def __init__(self, ledger_url: str, spool: Spool) -> None:
        self._ledger_url = ledger_url
        self._spool = spool
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._keep, name="spool ingest", daemon=True)

    def start(self) -> SpoolIngest:
        """Begin."""
        self._thread.start()
        return self

    def stop(self) -> None:
        """End the process; what waits is taken in at the next start."""
        self._stopping.set()
        self._thread.join()

    def _keep(self) -> None:
        ends_at: list[Path] = []  # the oldest file at each end in a row
        while not self._stopping.is_set():
            process = self._started(at_once=1 if ends_at else _FILES_A_TURN)
            while process.is_alive() and not self._stopping.wait(_LOOK_EVERY_S):
                pass
            if self._stopping.is_set():
                process.terminate()
                process.join()
                return
            process.join()
            _LOG.error("the process that reads received files ended (%s); starting another", process.exitcode)
            oldest = self._spool.files()[:1]
            ends_at = [*ends_at, *oldest] if oldest and oldest[0] in ends_at else oldest
            if len(ends_at) >= _ENDS_AT_ONE_FILE:
                _LOG.error("it ended at one file each time; that file is held back until the next start")
                self._spool.hold_back(ends_at[0])
                ends_at = []
            self._stopping.wait(_AFTER_FAILURE_S)

    def _started(self, *, at_once: int) -> BaseProcess:
        arguments = (self._ledger_url, str(self._spool.folder), at_once)
        process = get_context("spawn").Process(target=_run, args=arguments, name="spool ingest")
        process.start()
        return process


def _run(ledger_url: str, folder: str, at_once: int) -> None:
    follow_parent()
    if hasattr(os, "nice"):
        os.nice(_LESS_URGENT)
    spool = Spool(Path(folder))
    workflow: Workflow | None = None
    settler: MapSettler | None = None
    pause = threading.Event()
    while True:
        try:
            workflow = workflow or open_workflow(ledger_url, create=True)
            settler = settler or MapSettler(workflow)
            if not drain(workflow, spool, at_once=at_once) and not settler.step():
                pause.wait(_LOOK_EVERY_S)
        except _MAY_PASS as error:
            _LOG.error("received files wait: %s", error)
            pause.wait(_AFTER_FAILURE_S)
