"""The demonstration: an invented department's ledger, and one long case that plays live.

The department's months are built once into a file kept in the cache folder; every start copies
it, so that each demonstration begins alike. Everything in it is invented.
"""

from __future__ import annotations

import heapq
import logging
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from threading import Event, Thread

from dosetrack.cases import CaseState
from dosetrack.errors import DosetrackError
from dosetrack.exchange.department import (
    DEPARTMENT_SETTINGS,
    LiveStep,
    SampleCase,
    SampleEntry,
    SampleReport,
    department_cases,
    department_schedule,
    follow_up_history,
    live_case_steps,
)
from dosetrack.records.entries import CaseOpened, ReportReceived
from dosetrack.records.people import Actor, Role
from dosetrack.services.follow_up_settle import MapSettler
from dosetrack.version import VERSION
from dosetrack.workflow import TypedEntry, Workflow, open_workflow

_LOG = logging.getLogger(__name__)
BUILDER = Actor(name="demonstration", role=Role.SYSTEM)
MONTHS = 14
SEED = 20260


@dataclass(slots=True)
class _SteppedClock:
    """The clock while past months are built: it shows when each thing happened."""

    now: datetime

    def __call__(self) -> datetime:
        return self.now


def demo_ledger(
    folder: Path,
    *,
    today: date,
    progress: Callable[[int, int], None] | None = None,
    scale: float = 1.0,
) -> str:
    """URL of a fresh demonstration ledger in `folder`; the department is built when it is not there yet."""
    folder.mkdir(parents=True, exist_ok=True)
    base = folder / f"department-{today}-{scale:g}-{VERSION}.sqlite"
    if not base.exists():
        for older in folder.glob("department-*"):
            older.unlink()
        building = base.with_suffix(".part")
        building.unlink(missing_ok=True)
        build_department(f"sqlite:///{building}", today=today, progress=progress, scale=scale)
        building.rename(base)
    current = folder / "demonstration.sqlite"
    for leftover in (current, *folder.glob(current.name + "-*")):
        leftover.unlink(missing_ok=True)
    shutil.copy(base, current)
    return f"sqlite:///{current}"


def build_department(
    url: str,
    *,
    today: date,
    progress: Callable[[int, int], None] | None = None,
    scale: float = 1.0,
) -> None:
    """Fill the ledger at `url` with the department's months up to `today`, in the order things happened."""
    first = _months_before(today, MONTHS)
    clock = _SteppedClock(now=datetime(first.year, first.month, 1, tzinfo=UTC))
    workflow = open_workflow(url, create=True, clock=clock)
    for key, value in DEPARTMENT_SETTINGS.items():
        workflow.change_setting(
            key=key,
            scope="site",
            value=value,
            valid_from=first.isoformat(),
            actor=BUILDER,
            reason="invented department",
        )
    cases = list(department_cases(seed=SEED, start=first, months=MONTHS + 1, scale=scale, until=today))
    steps = list(_in_order(cases))
    settler = MapSettler(workflow)
    for done, (at, step) in enumerate(steps, start=1):
        clock.now = max(clock.now, at)
        step(workflow)
        while settler.step():
            pass
        if progress is not None:
            progress(done, len(steps))
    _follow_up(workflow, today=today)
    workflow.take_in_schedule(department_schedule(cases, seed=SEED, today=today), actor=BUILDER)
    workflow.ledger.close()


def _follow_up(workflow: Workflow, *, today: date) -> None:
    """What the department did about its items until yesterday; some are left, so that a list stands."""
    for one in workflow.follow_up_items(is_open=None):
        item = one.item
        if not item.was_asked:
            continue
        known = workflow.case_view(item.case_id).case.creatinines
        history = follow_up_history(
            item.decided,
            case_key=f"{item.day} {item.patient.id}",
            until=today,
            baseline=known[-1].value if known else None,
        )
        entries = [TypedEntry(s.payload, s.happened_at, s.actor, s.reason) for s in history]
        if entries:
            workflow.import_entries(item.case_id, entries, actor=BUILDER)


def _months_before(day: date, months: int) -> date:
    year, month = divmod(day.year * 12 + day.month - 1 - months, 12)
    return date(year, month + 1, 1)


def _in_order(cases: Sequence[SampleCase]) -> Iterator[tuple[datetime, Callable[[Workflow], None]]]:
    """Every case's entries at its end and every report at its arrival, by time."""
    queue: list[tuple[datetime, int, Callable[[Workflow], None]]] = []
    count = 0
    for case in cases:
        steps: list[tuple[datetime, Callable[[Workflow], None]]] = []
        if case.entries:
            steps.append((case.ended_at, _entering(case)))
        steps += [(report.arrives_at, _receiving(report)) for report in case.reports]
        for at, step in steps:
            count += 1
            heapq.heappush(queue, (at.astimezone(UTC), count, step))
    while queue:
        at, _, step = heapq.heappop(queue)
        yield at, step


def _entering(case: SampleCase) -> Callable[[Workflow], None]:
    def enter(workflow: Workflow) -> None:
        opening = next((e for e in case.entries if isinstance(e.payload, CaseOpened)), None)
        if opening is None:
            opening = SampleEntry(
                happened_at=case.started_at,
                payload=CaseOpened(
                    room=case.room,
                    patient=case.patient,
                    procedure=case.procedure,
                    operators=case.operators,
                    accession_number=case.accession_number,
                ),
                actor=BUILDER,
            )
        others = [e for e in case.entries if e is not opening]
        workflow.import_case(
            [TypedEntry(e.payload, e.happened_at, e.actor) for e in (opening, *others)],
            ended_at=case.ended_at,
            actor=BUILDER,
        )

    return enter


def _receiving(report: SampleReport) -> Callable[[Workflow], None]:
    def receive(workflow: Workflow) -> None:
        try:
            workflow.take_in_bytes(report.content, file=report.file, actor=BUILDER)
        except DosetrackError as error:
            _LOG.info("not taken in: %s", error)

    return receive


class LiveCase:
    """Plays the long case through the same workflow calls that a room uses."""

    def __init__(
        self,
        workflow: Workflow,
        *,
        start: datetime,
        wait_until: Callable[[datetime, Event], None],
        steps: tuple[LiveStep, ...] | None = None,
    ) -> None:
        self._workflow = workflow
        self._start = start
        self._wait_until = wait_until
        self._steps = steps or live_case_steps(seed=SEED, started_at=start)
        self._stopped = Event()
        self._thread = Thread(target=self._run, name="live case", daemon=True)
        self.case_id: str | None = None

    def start(self) -> LiveCase:
        """Begin playing in a thread of its own."""
        self._thread.start()
        return self

    def stop(self) -> None:
        """Stop after the step in hand."""
        self._stopped.set()

    def play(self) -> str | None:
        """Play every step, waiting for its time; the id of the case."""
        for step in self._steps:
            at = self._start + timedelta(seconds=step.offset_s)
            self._wait_until(at, self._stopped)
            if self._stopped.is_set():
                break
            self._do(step, at)
        return self.case_id

    def _run(self) -> None:
        try:
            self.play()
        except DosetrackError:
            _LOG.exception("the live case stopped")

    def _do(self, step: LiveStep, at: datetime) -> None:
        payload = step.payload
        if isinstance(payload, SampleReport):
            self._workflow.take_in_bytes(payload.content, file=payload.file, actor=step.actor)
        elif isinstance(payload, CaseOpened):
            opened = self._workflow.open_case(payload, actor=step.actor, happened_at=at)
            self.case_id = opened.case_id
        elif self.case_id is not None and not isinstance(payload, ReportReceived):
            if self._is_over():
                self.stop()
                return
            self._workflow.record(self.case_id, payload, actor=step.actor, happened_at=at, is_confirmed=True)

    def _is_over(self) -> bool:
        """Whether someone at the dashboard ended the case."""
        if self.case_id is None:
            return False
        state = self._workflow.case_view(self.case_id).case.state
        return state not in (CaseState.PLANNED, CaseState.RUNNING)
