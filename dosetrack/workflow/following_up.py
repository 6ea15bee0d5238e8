"""Calls of the follow-up: the worklist, and what people do with its items."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Protocol

from dosetrack.entry import Question
from dosetrack.errors import InputError, StateError
from dosetrack.followup.injury import InjuryState
from dosetrack.followup.items import DECISIONS, KIDNEY, KINDS, OUTCOMES, SKIN, FollowUpItem, FollowUpState
from dosetrack.followup.on_day import EscalationRules, ItemOnDay, on_day
from dosetrack.followup.worklist import asks
from dosetrack.ledger import (
    FollowUpFilter,
    LedgerReader,
    Transaction,
    follow_up_row_of,
    follow_up_rows,
)
from dosetrack.ledger.follow_up_query import follow_up_cases_of_patient, head_counts
from dosetrack.records.entries import Creatinine, NewEntry
from dosetrack.records.follow_up import (
    ContactTried,
    FollowUpAssigned,
    FollowUpClosed,
    FollowUpReopened,
    PatientContact,
    SkinDoseEstimated,
    SkinExamined,
)
from dosetrack.records.people import Actor
from dosetrack.settings import Settings
from dosetrack.workflow.base import SYSTEM
from dosetrack.workflow.follow_up_case import zone_of
from dosetrack.workflow.follow_up_deciding import decide_case
from dosetrack.workflow.follow_up_rows import item_of
from dosetrack.workflow.recording import Recording
from dosetrack.workflow.results import Recorded
from dosetrack.workflow.site import settings_for

PatientKey = tuple[str, str | None]
"""Patient's number and its issuer."""
DEATHS_NOT_CHECKED = "Deaths not checked: no list of deaths is set."
_WEEK = timedelta(days=7)
_CASES_AT_A_TIME = 20


class PatientIndex(Protocol):
    """Tells who died; asked before a call list is printed."""

    def died(self, patients: Collection[PatientKey]) -> Mapping[PatientKey, str]:
        """Day of death, YYYY-MM-DD, of those of `patients` who died."""

    def source(self) -> str:
        """What was asked, for the head of the list: 'list of deaths, as of 2026-03-02'."""


@dataclass(frozen=True, slots=True)
class FollowUpCounts:
    """Open items by what the head of the worklist tells; an item may count under several.

    kidney_not_assessed : contrast was given, and no creatinine in time tells of kidney injury
    crossed : a level was crossed after the patient had left, and nobody has acted since
    """

    open: int
    overdue: int
    due_this_week: int
    without_owner: int
    to_estimate: int
    kidney_not_assessed: int
    crossed: int
    cannot_reach: int
    urgent: int


@dataclass(frozen=True, slots=True)
class CallList:
    """Whom to call on a day.

    not_called : items due, each with the reason why the patient is not called
    deaths_checked : a sentence for the head of the list
    """

    on: date
    calls: tuple[ItemOnDay, ...]
    not_called: tuple[tuple[ItemOnDay, str], ...]
    deaths_checked: str


class FollowingUp(Recording):
    """The worklist of every ended case, until each patient is settled."""

    patient_index: PatientIndex | None = None

    # looking -------------------------------------------------------------------------------

    def follow_up_items(
        self,
        *,
        on: date | None = None,
        kind: str | None = None,
        states: Collection[FollowUpState] | None = None,
        tier: str | None = None,
        owner: str | None = None,
        room: str | None = None,
        patient_id: str | None = None,
        case_id: str | None = None,
        text: str | None = None,
        is_open: bool | None = True,
        only_overdue: bool = False,
        due_until: str | None = None,
        limit: int | None = None,
        offset: int = 0,
    ) -> tuple[ItemOnDay, ...]:
        """Items as they stand on a day, urgent and crossed first, then the longest overdue.

        Parameters
        ----------
        on : local day of the site; None: today. Cases after it are left out
        owner : '' for items without one
        text : found anywhere in the item: name, number, place, note
        is_open : None: settled ones too
        due_until : YYYY-MM-DD
        """
        with self.ledger.reading() as reader:
            settings = settings_for(reader)
            day = on or self._today(settings)
            wanted = FollowUpFilter(
                kind=kind,
                states=None if states is None else tuple(s.value for s in states),
                tier=tier,
                owner=owner,
                room=room,
                patient_id=patient_id,
                case_ids=None if case_id is None else (case_id,),
                text=text,
                is_open=is_open,
                due_before=day.isoformat() if only_overdue else None,
                due_until=due_until,
                last_day=None if on is None else on.isoformat(),
                turned=(FollowUpState.TO_ESTIMATE.value, FollowUpState.TO_CALL.value),
                turned_on=day.isoformat(),
            )
            rows = follow_up_rows(reader, wanted, limit=limit, offset=offset)
            rules = _escalation(settings)
            return tuple(on_day(item_of(row), day, rules) for row in rows)

    def follow_up_item(self, case_id: str, kind: str, *, on: date | None = None) -> ItemOnDay | None:
        """One item; None where nothing was ever decided to be due."""
        with self.ledger.reading() as reader:
            settings = settings_for(reader)
            row = follow_up_row_of(reader, case_id, kind)
            if row is None:
                return None
            return on_day(item_of(row), on or self._today(settings), _escalation(settings))

    def follow_up_counts(self, *, on: date | None = None) -> FollowUpCounts:
        """What the head of the worklist tells of the open items."""
        with self.ledger.reading() as reader:
            day = on or self._today(settings_for(reader))
            found = head_counts(
                reader,
                on=day.isoformat(),
                week_end=(day + _WEEK - timedelta(days=1)).isoformat(),
                to_estimate=FollowUpState.TO_ESTIMATE.value,
                unreachable=FollowUpState.CANNOT_REACH.value,
                not_assessed=InjuryState.NOT_ASSESSED.value,
            )
        return FollowUpCounts(**found)

    def call_list(self, on: date | None = None) -> CallList:
        """Whom to call on a day: everything due until then, asked first who died."""
        day = on or date.fromisoformat(self.today())
        due = self.follow_up_items(on=day, due_until=day.isoformat())
        died: Mapping[PatientKey, str] = {}
        checked = DEATHS_NOT_CHECKED
        if self.patient_index is not None:
            keys = {(p.id, p.id_issuer) for one in due if (p := one.item.patient).id is not None}
            died = self.patient_index.died([(i, issuer) for i, issuer in keys if i is not None])
            checked = f"Deaths checked: {self.patient_index.source()}."
        calls, not_called = [], []
        for one in due:
            patient = one.item.patient
            died_on = died.get((patient.id, patient.id_issuer)) if patient.id else None
            if died_on is not None:
                not_called.append((one, f"died on {died_on} by the patient index"))
            elif one.may_call:
                calls.append(one)
            else:
                not_called.append((one, one.state.value))
        return CallList(day, tuple(calls), tuple(not_called), checked)

    # doing ---------------------------------------------------------------------------------

    def assign_follow_up(self, case_id: str, kind: str, owner: str | None, *, actor: Actor) -> Recorded:
        """Somebody looks after an item; None: nobody."""
        with self.ledger.transaction() as tx:
            self._item(tx, case_id, kind)
            return self._append(tx, case_id, FollowUpAssigned(kind, _words(owner)), actor=actor)

    def assign_follow_ups(self, items: Sequence[tuple[str, str]], owner: str | None, *, actor: Actor) -> int:
        """The same for several (case id, kind) in one transaction; how many changed hands."""
        changed = 0
        with self.ledger.transaction() as tx:
            for case_id, kind in dict.fromkeys(items):
                if self._item(tx, case_id, kind).owner != _words(owner):
                    self._append(tx, case_id, FollowUpAssigned(kind, _words(owner)), actor=actor)
                    changed += 1
        return changed

    def try_contact(
        self, case_id: str, tried: ContactTried, *, actor: Actor, happened_at: datetime | None = None
    ) -> Recorded:
        """A call was made. 'deceased' is kept with every case of the patient that has an item."""
        _one_of("outcome", tried.outcome, OUTCOMES)
        _day("next step on", tried.next_on)
        at = happened_at or self._clock()
        with self.ledger.transaction() as tx:
            item = self._item(tx, case_id, tried.kind)
            recorded = self._append(tx, case_id, tried, actor=actor, at=at)
            if tried.outcome == "deceased" and item.died_on is None:
                day = at.astimezone(zone_of(settings_for(tx, room=item.room))).date().isoformat()
                self._note_death(tx, item, day, actor=actor, at=at)
            return recorded

    def skin_examined(
        self, case_id: str, seen: SkinExamined, *, actor: Actor, happened_at: datetime | None = None
    ) -> Recorded:
        """Somebody looked at the skin."""
        _day("day of the look", seen.seen_on)
        if not seen.examiner.strip():
            raise InputError(field="examiner", given=seen.examiner, accepted="who looked")
        with self.ledger.transaction() as tx:
            item = self._item(tx, case_id, SKIN)
            if item.day and seen.seen_on < item.day:
                raise InputError(
                    field="day of the look", given=seen.seen_on, accepted=f"{item.day}, the case, or later"
                )
            return self._append(tx, case_id, seen, actor=actor, at=happened_at)

    def skin_estimated(
        self, case_id: str, estimate: SkinDoseEstimated, *, actor: Actor, reason: str | None = None
    ) -> Recorded:
        """A physicist estimated the skin dose and decided about a call.

        'no call' needs a reason. It settles the item where no level is reached for certain.
        """
        _one_of("decision", estimate.decision, DECISIONS)
        why = _words(reason)
        if estimate.decision == "no call" and why is None:
            raise InputError(field="reason", given=reason, accepted="a few words why there is no call")
        with self.ledger.transaction() as tx:
            item = self._item(tx, case_id, SKIN)
            recorded = self._append(tx, case_id, estimate, actor=actor, reason=why)
            if estimate.decision == "no call" and item.tier is None and item.is_open:
                self._append(tx, case_id, FollowUpClosed(SKIN), actor=actor, reason=why)
            return recorded

    def creatinine_result(
        self, case_id: str, result: Creatinine, *, actor: Actor, is_confirmed: bool = False
    ) -> Recorded:
        """A creatinine came in; the kidney item follows. It must say when the sample was taken."""
        if not result.taken_on:
            raise InputError(field="taken on", given=None, accepted="the day of the sample, YYYY-MM-DD")
        return self.record(case_id, result, actor=actor, is_confirmed=is_confirmed)

    def settle_follow_up(
        self, case_id: str, kind: str, *, reason: str, actor: Actor, is_confirmed: bool = False
    ) -> Recorded:
        """A person settles an item. Asks first while something is still due.

        When the result has questions and no entry id, nothing was recorded.
        """
        why = _words(reason)
        if why is None:
            raise InputError(field="reason", given=reason, accepted="a few words why it is settled")
        with self.ledger.transaction() as tx:
            item = self._item(tx, case_id, kind)
            if not item.is_open:
                raise StateError(f"the follow-up of the {kind} is {item.state}")
            questions = () if is_confirmed else _still_due(item)
            if questions:
                return Recorded(entry_id=None, case_id=case_id, questions=questions)
            return self._append(tx, case_id, FollowUpClosed(kind), actor=actor, reason=why)

    def reopen_follow_up(self, case_id: str, kind: str, *, reason: str, actor: Actor) -> Recorded:
        """A person opens a settled item again."""
        why = _words(reason)
        if why is None:
            raise InputError(field="reason", given=reason, accepted="a few words why it is opened again")
        with self.ledger.transaction() as tx:
            item = self._item(tx, case_id, kind)
            if item.state is not FollowUpState.SETTLED:
                raise StateError(f"the follow-up of the {kind} is not settled")
            return self._append(tx, case_id, FollowUpReopened(kind), actor=actor, reason=why)

    def keep_contact(self, case_id: str, contact: PatientContact, *, actor: Actor) -> Recorded:
        """How the patient may be reached. A day of death is kept with every case of the patient."""
        _day("died on", contact.died_on)
        with self.ledger.transaction() as tx:
            self._case_entries(tx, case_id)
            recorded = self._append(tx, case_id, contact, actor=actor)
            if contact.died_on is not None:
                for kind in KINDS:
                    row = follow_up_row_of(tx, case_id, kind)
                    if row is not None:
                        self._note_death(
                            tx, item_of(row), contact.died_on, actor=actor, at=self._clock(), beside=case_id
                        )
                        break
            return recorded

    def note_deaths(self, died: Mapping[PatientKey, str], *, actor: Actor = SYSTEM) -> int:
        """Keep days of death told by the patient index with the open items of these patients; how many."""
        noted = 0
        for (patient_id, issuer), day in died.items():
            with self.ledger.transaction() as tx:
                for case_id in follow_up_cases_of_patient(tx, patient_id=patient_id, patient_issuer=issuer):
                    noted += self._keep_death(tx, case_id, day, actor=actor, at=self._clock())
        return noted

    # deciding ------------------------------------------------------------------------------

    def decide_follow_up(self, case_id: str) -> bool:
        """Decide an ended case by what is known now; whether anything new was recorded."""
        with self.ledger.transaction() as tx:
            self._case_entries(tx, case_id)
            return decide_case(tx, self.projector, case_id, actor=SYSTEM, now=self._clock())

    def decide_follow_ups(
        self, case_ids: Sequence[str] | None = None, *, progress: Callable[[int, int], None] | None = None
    ) -> int:
        """Decide ended cases (None: every one) a few at a time; how many got a new decision."""
        if case_ids is None:
            with self.ledger.reading() as reader:
                case_ids = [row.id for row in reader.case_totals(state=("ended", "closed"))]
        new = 0
        for start in range(0, len(case_ids), _CASES_AT_A_TIME):
            part = case_ids[start : start + _CASES_AT_A_TIME]
            with self.ledger.transaction() as tx:
                for one in part:
                    new += decide_case(tx, self.projector, one, actor=SYSTEM, now=self._clock())
            if progress is not None:
                progress(start + len(part), len(case_ids))
        return new

    # -----------------------------------------------------------------------------------------

    def _today(self, settings: Settings) -> date:
        return self._clock().astimezone(zone_of(settings)).date()

    def _item(self, reader: LedgerReader, case_id: str, kind: str) -> FollowUpItem:
        _one_of("kind", kind, KINDS)
        self._case_entries(reader, case_id)
        row = follow_up_row_of(reader, case_id, kind)
        if row is None:
            raise StateError(f"no follow-up of the {kind} was ever asked for in this case")
        return item_of(row)

    def _note_death(
        self,
        tx: Transaction,
        item: FollowUpItem,
        day: str,
        *,
        actor: Actor,
        at: datetime,
        beside: str | None = None,
    ) -> None:
        """Keep the day of death with every case of the patient that has an item."""
        patient = item.patient
        cases = [item.case_id]
        if patient.id is not None:
            cases = list(
                follow_up_cases_of_patient(tx, patient_id=patient.id, patient_issuer=patient.id_issuer)
            )
        for case_id in cases:
            if case_id != beside:
                self._keep_death(tx, case_id, day, actor=actor, at=at)

    def _keep_death(self, tx: Transaction, case_id: str, day: str, *, actor: Actor, at: datetime) -> bool:
        rows = [row for kind in KINDS if (row := follow_up_row_of(tx, case_id, kind)) is not None]
        contact = item_of(rows[0]).contact if rows else None
        if contact is not None and contact.died_on is not None:
            return False
        kept = replace(contact or PatientContact(), died_on=day)
        tx.append(NewEntry(payload=kept, actor=actor, happened_at=at, case=case_id))
        self.projector.refresh(tx, case_id)
        return True


def _still_due(item: FollowUpItem) -> tuple[Question, ...]:
    """What is asked before an item is settled: a normal first look after a high dose is not the last."""
    waiting = [due.day for due in item.due if due.done_on is None]
    if item.decided.estimate_due and item.estimate is None and asks(item.decided):
        waiting.append(f"the physicist's estimate by {item.decided.estimate_due}")
    if not waiting or item.state in (FollowUpState.DECEASED, FollowUpState.NOTHING_DUE):
        return ()
    what = "creatinine" if item.kind == KIDNEY else "skin"
    return (
        Question(
            kind="fit",
            field="settled",
            text=f"Still due for the {what}: {', '.join(waiting)}. Settle all the same?",
        ),
    )


def _escalation(settings: Settings) -> EscalationRules:
    return EscalationRules(
        skin_days=int(settings.number("follow_up.escalate_skin_days")),
        kidney_days=int(settings.number("follow_up.escalate_kidney_days")),
    )


def _words(text: str | None) -> str | None:
    return (text or "").strip() or None


def _one_of(field: str, given: str, accepted: Sequence[str]) -> None:
    if given not in accepted:
        raise InputError(field=field, given=given, accepted=", ".join(accepted))


def _day(field: str, given: str | None) -> None:
    if given is None:
        return
    try:
        is_day = date.fromisoformat(given).isoformat() == given
    except ValueError:
        is_day = False
    if not is_day:
        raise InputError(field=field, given=given, accepted="a day, YYYY-MM-DD")
