"""What a server does by itself: end cases that nobody feeds, and make the maps that follow-up wants."""

from __future__ import annotations

import logging
from threading import Event, Thread

from dosetrack.errors import DosetrackError
from dosetrack.services.follow_up_settle import MapSettler
from dosetrack.workflow import Workflow

_LOG = logging.getLogger(__name__)
_EVERY_S = 60.0


class Housekeeping:
    """A thread that looks once a minute; `stop` ends it."""

    def __init__(self, workflow: Workflow, *, every_s: float = _EVERY_S) -> None:
        self._workflow = workflow
        self._every_s = every_s
        self._settler = MapSettler(workflow)
        self._stopped = Event()
        self._thread = Thread(target=self._run, name="housekeeping", daemon=True)

    def start(self) -> Housekeeping:
        """Begin."""
        self._thread.start()
        return self

    def stop(self) -> None:
        """End, waiting for the step in hand."""
        self._stopped.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._stopped.wait(self._every_s):
            try:
                self._workflow.end_idle_cases()
            except DosetrackError:
                # the next minute tries again; the cases themselves are untouched
                _LOG.exception("idle cases could not be ended")
            self._settle()

    def _settle(self) -> None:
        try:
            while not self._stopped.is_set() and self._settler.step():
                pass
        except DosetrackError:
            _LOG.exception("the maps that follow-up wants could not be looked for")
