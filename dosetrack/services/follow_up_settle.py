"""Maps for the decisions of follow-up: after an ingest, and by itself in a server."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence

from dosetrack.errors import DosetrackError
from dosetrack.services.skin_batch import results_of
from dosetrack.workflow import Workflow

_LOG = logging.getLogger(__name__)
_WORTH_PROCESSES = 8  # cases from which starting processes pays


def settle_maps(
    workflow: Workflow,
    case_ids: Sequence[str] | None = None,
    *,
    progress: Callable[[int, int], None] | None = None,
    workers: int | None = None,
) -> int:
    """Make the maps that decisions want and decide again; how many cases were looked at.

    Interrupted, it goes on where it was: what is kept stays, and each case is decided by itself.

    Parameters
    ----------
    case_ids : None: every ended case without a kept map
    progress : told (cases done, cases in all)
    workers : processes that work; None: one per core where there are many cases
    """
    wanted = workflow.cases_wanting_a_map(case_ids)
    count = 1 if len(wanted) < _WORTH_PROCESSES else workers
    for done, result in enumerate(results_of(workflow, wanted, workers=count), start=1):
        workflow.settle_maps(result.case_id)
        if progress is not None:
            progress(done, len(wanted))
    return len(wanted)


class MapSettler:
    """Keeps the decisions of a server in step, a few cases at a time."""

    def __init__(self, workflow: Workflow) -> None:
        self._workflow = workflow
        self._position: int | None = None
        self._waiting: dict[str, None] = {}

    def step(self, *, at_most: int = 1) -> int:
        """Settle up to `at_most` cases; how many were settled. A case that fails is left and told."""
        self._look()
        settled = 0
        while self._waiting and settled < at_most:
            case_id = next(iter(self._waiting))
            del self._waiting[case_id]
            try:
                self._workflow.settle_maps(case_id)
            except DosetrackError:
                _LOG.exception("the skin dose of a case could not be worked out for its follow-up")
            settled += 1
        return settled

    def _look(self) -> None:
        if self._position is None:
            _, self._position = self._workflow.cases_touched_since(0)
            found = self._workflow.cases_wanting_a_map()
        else:
            touched, self._position = self._workflow.cases_touched_since(self._position)
            found = self._workflow.cases_wanting_a_map(touched) if touched else ()
        self._waiting.update(dict.fromkeys(found))
