"""What every use case needs: the ledger, the projector, the clock, and one way to append."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from dosetrack.alerts import Prompt
from dosetrack.cases import CaseState
from dosetrack.errors import StateError, UnknownCaseError
from dosetrack.ledger import Ledger, LedgerReader, Transaction
from dosetrack.records.entries import (
    NewEntry,
    Payload,
)
from dosetrack.records.people import Actor, Role
from dosetrack.settings import Settings
from dosetrack.times import zone_named
from dosetrack.workflow.follow_up_deciding import decide_touched
from dosetrack.workflow.projector import CaseProjector
from dosetrack.workflow.prompting import raise_due_prompts
from dosetrack.workflow.results import (
    Recorded,
)
from dosetrack.workflow.site import settings_for

SYSTEM = Actor(name="dosetrack", role=Role.SYSTEM)


def utc_now() -> datetime:
    """The clock of the computer, in UTC."""
    return datetime.now(UTC)


class LedgerUser:
    """Joins ledger and calculators. Threads may share it; every change is one transaction."""

    def __init__(self, ledger: Ledger, *, clock: Callable[[], datetime] = utc_now) -> None:
        self.ledger = ledger
        self.projector = CaseProjector()
        self._clock = clock
        ledger.before_commit = self._before_commit

    def _before_commit(self, tx: Transaction) -> None:
        if tx.appended:
            decide_touched(tx, self.projector, actor=SYSTEM, now=self._clock())

    def today(self) -> str:
        """The local day of the site, YYYY-MM-DD."""
        with self.ledger.reading() as reader:
            zone = zone_named(settings_for(reader).text("site.time_zone"))
        return self._clock().astimezone(zone).date().isoformat()

    def settings(
        self, *, room: str | None = None, procedure: str | None = None, day: str | None = None
    ) -> Settings:
        """The settings in force on `day` (None: today) for a room and a procedure."""
        with self.ledger.reading() as reader:
            return settings_for(reader, room=room, procedure=procedure, day=day or self.today())

    def _step(self, case_id: str, payload: Payload, *, allowed: set[CaseState], actor: Actor) -> Recorded:
        with self.ledger.transaction() as tx:
            self._case_entries(tx, case_id)
            case, _ = self.projector.case(tx, case_id)
            if case.state not in allowed:
                wanted = " or ".join(sorted(allowed))
                raise StateError(f"the case is {case.state}; this needs a case that is {wanted}")
            return self._append(tx, case_id, payload, actor=actor)

    def _append(
        self,
        tx: Transaction,
        case_id: str,
        payload: Payload,
        *,
        actor: Actor,
        at: datetime | None = None,
        reason: str | None = None,
        replaces: str | None = None,
        entry_id: str | None = None,
    ) -> Recorded:
        new = NewEntry(
            payload=payload,
            actor=actor,
            happened_at=at or self._clock(),
            case=case_id,
            reason=reason,
            replaces=replaces,
            id=entry_id,
        )
        entry = tx.append(new)
        return self._after(tx, case_id, entry.id)

    def _after(
        self, tx: Transaction, case_id: str, entry_id: str, *, is_report_new: bool = False
    ) -> Recorded:
        """Project the case again and raise the prompts that are due, in the same transaction."""
        case = self.projector.refresh(tx, case_id, is_report_new=is_report_new)
        prompts: tuple[Prompt, ...] = ()
        if case.state is CaseState.RUNNING:
            settings = settings_for(tx, room=case.room, procedure=case.procedure)
            prompts = raise_due_prompts(tx, case, settings, now=self._clock(), actor=SYSTEM)
            if prompts:
                case = self.projector.refresh(tx, case_id)
        return Recorded(
            entry_id=entry_id, case_id=case_id, questions=(), prompts=prompts, findings=case.findings
        )

    def _case_entries(self, reader: LedgerReader, case_id: str) -> None:
        if not reader.entries(case=case_id, limit=1):
            raise UnknownCaseError(f"there is no case with the id {case_id!r}")
