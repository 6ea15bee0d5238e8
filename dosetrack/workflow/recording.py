"""Cases and their entries: opened, added to, corrected, answered, ended, closed."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime, timedelta

from dosetrack.alerts import answer, answer_payload, shown_entry_id
from dosetrack.cases import Case, CaseState
from dosetrack.entry import Question
from dosetrack.errors import InputError, StateError
from dosetrack.ledger import Transaction
from dosetrack.records.entries import (
    CaseEnded,
    CaseOpened,
    CaseStarted,
    NewEntry,
    Payload,
    PromptShown,
    ReportMoved,
    ReportReceived,
    Withdrawn,
)
from dosetrack.records.people import Actor
from dosetrack.settings import Settings
from dosetrack.workflow.base import SYSTEM
from dosetrack.workflow.closing import Closing
from dosetrack.workflow.contrast import kidney_now
from dosetrack.workflow.prompts import prompts_of
from dosetrack.workflow.questions import loosened_question, questions_about
from dosetrack.workflow.results import (
    Recorded,
    TypedEntry,
)
from dosetrack.workflow.site import settings_for


class _AskFirst(Exception):
    """Leaves the transaction without a trace: a person must answer first."""

    def __init__(self, questions: tuple[Question, ...]) -> None:
        super().__init__()
        self.questions = questions


class Recording(Closing):
    """Calls by which people change a case."""

    def open_case(
        self, opening: CaseOpened, *, actor: Actor, happened_at: datetime | None = None
    ) -> Recorded:
        """Plan or start a case from the pre-case form; its id is random, never derived."""
        if not opening.room.strip():
            raise InputError(field="room", given=opening.room, accepted="the name of a room")
        case_id = str(uuid.uuid4())
        with self.ledger.transaction() as tx:
            return self._append(tx, case_id, opening, actor=actor, at=happened_at)

    def start_case(self, case_id: str, *, actor: Actor) -> Recorded:
        """A planned case begins."""
        return self._step(case_id, CaseStarted(), allowed={CaseState.PLANNED}, actor=actor)

    def end_case(self, case_id: str, *, actor: Actor, how: str = "person") -> Recorded:
        """The case ends; it can still be corrected and receive late reports."""
        return self._step(
            case_id, CaseEnded(how=how), allowed={CaseState.PLANNED, CaseState.RUNNING}, actor=actor
        )

    def end_idle_cases(self) -> tuple[str, ...]:
        """End running cases that had no entry for longer than the setting; their ids."""
        now = self._clock()
        ended: list[str] = []
        for row in self.running_cases():
            with self.ledger.reading() as reader:
                entries = reader.entries(case=row.id)
                hours = settings_for(reader, room=row.room).number("case.idle_end_h")
            last = max((entry.recorded_at for entry in entries), default=now)
            if now - last > timedelta(hours=hours):
                self.end_case(row.id, actor=SYSTEM, how="no feed")
                ended.append(row.id)
        return tuple(ended)

    def join_report(self, sha256: str, *, into: str | None, actor: Actor, reason: str) -> Recorded:
        """A person moves a report into another case; the case it leaves keeps the trace.

        Parameters
        ----------
        into : the case it belongs to; None: a case of its own
        """
        if not reason.strip():
            raise InputError(field="reason", given=reason, accepted="a few words why")
        target = str(uuid.uuid4()) if into is None else into
        with self.ledger.transaction() as tx:
            rows = tx.find_reports(sha256=sha256)
            if not rows:
                raise InputError(field="report", given=sha256, accepted="the digest of a report held")
            source = rows[0].case_id
            received = [
                entry
                for entry in tx.entries(case=source)
                if isinstance(entry.payload, ReportReceived | ReportMoved) and entry.payload.sha256 == sha256
            ]
            if into is not None:
                self._case_entries(tx, into)
            if target == source:
                raise InputError(field="case", given=target, accepted="another case than the one it is in")
            now = self._clock()
            tx.append(
                NewEntry(
                    payload=Withdrawn(),
                    actor=actor,
                    happened_at=now,
                    case=source,
                    reason=reason,
                    replaces=received[-1].id,
                )
            )
            report = tx.report(sha256)
            entry = tx.append(
                NewEntry(
                    payload=ReportMoved(sha256=sha256, from_case=source),
                    actor=actor,
                    happened_at=now,
                    case=target,
                    reason=reason,
                )
            )
            if report is not None:
                self.projector.put_report(tx, report, case_id=target, seq=entry.seq)
            self.projector.refresh(tx, source, is_report_new=True)
            return self._after(tx, target, entry.id, is_report_new=True)

    def record(
        self,
        case_id: str,
        payload: Payload,
        *,
        actor: Actor,
        happened_at: datetime | None = None,
        reason: str | None = None,
        is_confirmed: bool = False,
    ) -> Recorded:
        """Record one entry of a case, unless something must be asked first.

        When the result has questions and no entry id, nothing was recorded: a person answers, and
        the call is made again with `is_confirmed`.
        """
        at = happened_at or self._clock()
        try:
            with self.ledger.transaction() as tx:
                self._case_entries(tx, case_id)
                case, settings = self.projector.case(tx, case_id)
                questions = () if is_confirmed else questions_about(tx, case, payload, at=at)
                if questions:
                    raise _AskFirst(questions)
                recorded = self._append(tx, case_id, payload, actor=actor, at=at, reason=reason)
                if not is_confirmed:
                    self._ask_if_limit_loosened(tx, case, settings, at=at)
                return recorded
        except _AskFirst as asked:  # nothing of the transaction is kept
            return Recorded(entry_id=None, case_id=case_id, questions=asked.questions)

    def _ask_if_limit_loosened(
        self, tx: Transaction, before: Case, settings: Settings, *, at: datetime
    ) -> None:
        """A new fact that raises the leading contrast limit needs a person's word for it."""
        after, settings_after = self.projector.case(tx, before.id)
        question = loosened_question(
            kidney_now(tx, before, settings, as_of=at), kidney_now(tx, after, settings_after, as_of=at)
        )
        if question is not None:
            raise _AskFirst((question,))

    def import_case(
        self, entries: Sequence[TypedEntry], *, actor: Actor, ended_at: datetime | None = None
    ) -> str:
        """Take in a past case from its typed entries, the opening first; the id of the case.

        Nothing is asked and nothing prompts: the people have left the room. One transaction.
        """
        if not entries or not isinstance(entries[0].payload, CaseOpened):
            raise InputError(field="entries", given=len(entries), accepted="an opening and what follows")
        case_id = str(uuid.uuid4())
        typed = list(entries)
        if ended_at is not None:
            typed.append(TypedEntry(CaseEnded(how="person"), ended_at))
        with self.ledger.transaction() as tx:
            self._append_typed(tx, case_id, typed, actor=actor)
        return case_id

    def import_entries(self, case_id: str, entries: Sequence[TypedEntry], *, actor: Actor) -> None:
        """Add typed entries, in one transaction, to a case that is held; nothing is asked."""
        with self.ledger.transaction() as tx:
            self._case_entries(tx, case_id)
            self._append_typed(tx, case_id, entries, actor=actor)

    def _append_typed(
        self, tx: Transaction, case_id: str, entries: Sequence[TypedEntry], *, actor: Actor
    ) -> None:
        last = ""
        for typed in entries:
            new = NewEntry(
                payload=typed.payload,
                actor=typed.actor or actor,
                happened_at=typed.happened_at,
                case=case_id,
                reason=typed.reason,
            )
            last = tx.append(new).id
        self._after(tx, case_id, last)

    def correct(self, entry_id: str, payload: Payload | None, *, actor: Actor, reason: str) -> Recorded:
        """Replace an entry of a case by `payload`, or take it back when that is None.

        The earlier value stays readable on the timeline. The correction keeps the time at which
        the thing happened.
        """
        if not reason.strip():
            raise InputError(field="reason", given=reason, accepted="a few words why")
        with self.ledger.transaction() as tx:
            earlier = tx.entry(entry_id)
            if earlier is None or earlier.case is None:
                raise InputError(field="entry", given=entry_id, accepted="the id of an entry of a case")
            if payload is not None and type(payload) is not type(earlier.payload):
                raise InputError(
                    field="correction",
                    given=type(payload).__name__,
                    accepted=f"a value of kind {earlier.kind}",
                )
            if any(entry.replaces == entry_id for entry in tx.entries(case=earlier.case)):
                raise StateError("this entry was corrected already; correct the newer one")
            return self._append(
                tx,
                earlier.case,
                payload or Withdrawn(),
                actor=actor,
                at=earlier.happened_at,
                reason=reason,
                replaces=entry_id,
            )

    def show_prompts(self, case_id: str, prompt_ids: Sequence[str], *, screen: str) -> bool:
        """Note that the cards of these prompts stood on `screen` ('wall', 'hand'); whether any was new.

        The same fact is recorded once; a prompt that is not of this case is passed over.
        """
        wanted = {shown_entry_id(prompt, screen): prompt for prompt in prompt_ids}
        with self.ledger.reading() as reader:
            if all(reader.entry(entry) is not None for entry in wanted):
                return False
        with self.ledger.transaction() as tx:
            case, _ = self.projector.case(tx, case_id)
            known = {prompt.id for prompt in prompts_of(case)}
            new = {e: p for e, p in wanted.items() if p in known and tx.entry(e) is None}
            now = self._clock()
            for entry, prompt in new.items():
                said = PromptShown(prompt_id=prompt, screen=screen)
                tx.append(NewEntry(payload=said, actor=SYSTEM, happened_at=now, case=case_id, id=entry))
            if new:
                self.projector.refresh(tx, case_id)
            return bool(new)

    def answer_prompt(
        self, case_id: str, prompt_id: str, *, decision: str, reason: str | None, actor: Actor
    ) -> Recorded:
        """A person answers a prompt: what was decided and why. StateError when it was answered."""
        with self.ledger.transaction() as tx:
            case, _ = self.projector.case(tx, case_id)
            prompt = next((p for p in prompts_of(case) if p.id == prompt_id), None)
            if prompt is None:
                raise InputError(field="prompt", given=prompt_id, accepted="a prompt of this case")
            now = self._clock()
            answered = answer(prompt, by=actor.name, at=now, decision=decision, reason=reason)
            return self._append(tx, case_id, answer_payload(answered), actor=actor, at=now)
