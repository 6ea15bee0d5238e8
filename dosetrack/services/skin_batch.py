"""The skin dose of many cases: worked out on every core, kept in the ledger as it comes."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import get_context

from dosetrack.services.processes import follow_parent
from dosetrack.workflow import Workflow, open_workflow
from dosetrack.workflow.results import SkinResult, WorkedOutSkin

_CASES_A_TASK = 10
_TASKS_AHEAD = 4  # for each process: enough that it never waits while results are kept


def skin_results(
    workflow: Workflow,
    *,
    first_day: str | None = None,
    last_day: str | None = None,
    progress: Callable[[int, int], None] | None = None,
    workers: int | None = None,
) -> Iterator[SkinResult]:
    """The skin dose of every case by local day (YYYY-MM-DD, both ends included), oldest first.

    What stands in the ledger from an earlier run is taken from there, so an interrupted run goes on
    where it was.

    Parameters
    ----------
    progress : told (cases done, cases in all)
    workers : processes that work; None: one per core
    """
    ids = [one.id for one in workflow.cases(first_day=first_day, last_day=last_day)]
    yield from results_of(workflow, ids, progress=progress, workers=workers)


def results_of(
    workflow: Workflow,
    ids: Sequence[str],
    *,
    progress: Callable[[int, int], None] | None = None,
    workers: int | None = None,
) -> Iterator[SkinResult]:
    """The skin dose of these cases in their order; a result is kept before it is told."""
    parts = [ids[start : start + _CASES_A_TASK] for start in range(0, len(ids), _CASES_A_TASK)]
    count = min(len(parts), workers or os.cpu_count() or 1)
    done = 0
    for results in _in_order(workflow, parts, workers=count):
        workflow.keep_skin_results(results)
        for one in results:
            yield one.result
        done += len(results)
        if progress is not None:
            progress(done, len(ids))


def _in_order(
    workflow: Workflow, parts: Sequence[Sequence[str]], *, workers: int
) -> Iterator[Sequence[WorkedOutSkin]]:
    if workers <= 1:
        yield from ([workflow.worked_out_skin_result(one) for one in part] for part in parts)
        return
    url = workflow.ledger.url.render_as_string(hide_password=False)
    waiting: deque[Future[list[WorkedOutSkin]]] = deque()
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_open, initargs=(url,))
    try:
        for part in parts:
            waiting.append(pool.submit(_work_out, part))
            if len(waiting) > workers * _TASKS_AHEAD:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        pool.shutdown(cancel_futures=True)


_workflow: Workflow | None = None  # of a working process


def _open(url: str) -> None:
    global _workflow
    follow_parent()
    _workflow = open_workflow(url)


def _work_out(case_ids: Sequence[str]) -> list[WorkedOutSkin]:
    assert _workflow is not None
    return [_workflow.worked_out_skin_result(one) for one in case_ids]
