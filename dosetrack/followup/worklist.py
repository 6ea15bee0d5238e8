"""What stands of each follow-up item: the fold of a case's entries, and how it looks on a day.

An item is one case and one kind, 'skin' or 'kidney'. The fold knows no day: the same entries give
the same item. `on_day` adds what changes by waiting: overdue, escalated, an estimate nobody made.
Only a person settles an item.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from dosetrack.followup.injury import InjuryState
from dosetrack.followup.items import (
    KIDNEY,
    KINDS,
    SKIN,
    Attempt,
    DueDay,
    FollowedCase,
    FollowUpItem,
    FollowUpState,
    Look,
    TraceLine,
    WorklistRules,
)
from dosetrack.followup.profiles import Tier
from dosetrack.records.entries import Creatinine, Entry
from dosetrack.records.follow_up import (
    ContactTried,
    FollowUpAssigned,
    FollowUpClosed,
    FollowUpDecided,
    FollowUpReopened,
    PatientContact,
    SkinDoseEstimated,
    SkinExamined,
)
from dosetrack.records.people import Role

_UNREACHED = ("not reached", "wrong number")


def fold_follow_up(
    entries: Sequence[Entry], case: FollowedCase, rules: WorklistRules
) -> tuple[FollowUpItem, ...]:
    """The items of one case, skin before kidney; none where nothing was ever decided.

    Parameters
    ----------
    entries : those that count, in ledger order
    """
    items = (_Fold(kind, case, rules).item(entries) for kind in KINDS)
    return tuple(item for item in items if item is not None)


def asks(decided: FollowUpDecided | None) -> bool:
    """Whether a decision asks anybody for anything."""
    return decided is not None and (decided.tier is not None or decided.estimate_due is not None)


def asks_for_more(new: FollowUpDecided, old: FollowUpDecided | None) -> bool:
    """Whether `new` asks for more than `old`: a higher tier, or an estimate where none was asked for."""
    if not asks(new):
        return False
    if old is None or not asks(old):
        return True
    return _rank(new.tier) > _rank(old.tier) or (
        new.tier == old.tier and (new.estimate_due or "") > (old.estimate_due or "")
    )


def _rank(tier: str | None) -> int:
    return -1 if tier is None else list(Tier).index(Tier(tier))


class _Fold:
    """Walks the entries of a case once for one kind."""

    def __init__(self, kind: str, case: FollowedCase, rules: WorklistRules) -> None:
        self.kind, self.case, self.rules = kind, case, rules
        self.decided: FollowUpDecided | None = None
        self.decided_at: datetime | None = None
        self.ever_asked = False
        self.first_asked: dict[str, str] = {}
        self.owner: str | None = None
        self.estimate: SkinDoseEstimated | None = None
        self.estimated_by: str | None = None
        self.estimated_at: datetime | None = None
        self.attempts: list[Attempt] = []
        self.looks: list[Look] = []
        self.contact: PatientContact | None = None
        self.died_on: str | None = None
        self.closing: Entry | None = None
        self.trace: list[TraceLine] = []
        self.crossed_on: str | None = None
        self.last_step = ""  # day of the last call or look
        self.results: list[str] = []

    def item(self, entries: Sequence[Entry]) -> FollowUpItem | None:
        for entry in entries:
            self._take(entry)
        if self.decided is None or self.decided_at is None:
            return None
        due = self._due()
        state = self._state(due)
        is_open = self.ever_asked and self.closing is None
        case, closing = self.case, self.closing
        return FollowUpItem(
            case_id=case.case_id,
            kind=self.kind,
            decided=self.decided,
            decided_at=self.decided_at,
            state=state,
            is_open=is_open,
            patient=case.patient,
            day=case.day,
            room=case.room,
            procedure=case.procedure,
            operators=case.operators,
            owner=self.owner,
            due=due,
            next_due=self._next_due(due, state) if is_open else None,
            agreed_on=self._agreed(),
            estimate=self.estimate,
            estimated_by=self.estimated_by,
            estimated_at=self.estimated_at,
            attempts=tuple(self._by_time()),
            unreached=self._unreached(),
            looks=self._looks(),
            is_urgent=is_open and self._is_urgent(),
            injury=case.injury if self.kind == KIDNEY else None,
            contact=self.contact,
            died_on=self.died_on,
            settled_by=closing.actor.name if closing else None,
            settled_at=closing.happened_at if closing else None,
            settled_reason=closing.reason if closing else None,
            trace=tuple(self.trace),
            crossed_on=self.crossed_on if is_open else None,
            was_asked=self.ever_asked,
        )

    # entries -------------------------------------------------------------------------------

    def _take(self, entry: Entry) -> None:
        said = entry.payload
        if isinstance(said, PatientContact):
            self.contact = said
            self.died_on = said.died_on
        elif isinstance(said, Creatinine):
            if self.kind == KIDNEY and said.taken_on:
                self.results.append(said.taken_on)
        elif isinstance(said, (SkinExamined, SkinDoseEstimated)):
            if self.kind == SKIN:
                self._take_skin(entry, said)
        elif getattr(said, "kind", None) == self.kind:
            self._take_own(entry, said)

    def _take_own(self, entry: Entry, said: object) -> None:
        if isinstance(said, FollowUpDecided):
            self._take_decision(entry, said)
        elif isinstance(said, FollowUpAssigned):
            self.owner = said.owner
            self.crossed_on = None
        elif isinstance(said, ContactTried):
            at, by = entry.happened_at, entry.actor.name
            self.attempts.append(Attempt(at, by, said.outcome, said.note, said.next_on))
            self.crossed_on = None
            if said.outcome == "deceased":
                self.died_on = self.died_on or self._day(at)
        elif isinstance(said, FollowUpClosed):
            self.closing = entry
        elif isinstance(said, FollowUpReopened):
            self.closing = None
            day = self._day(entry.recorded_at)
            self.first_asked = dict.fromkeys(self.first_asked, day)  # nobody was late while it was settled
            self._note(entry, f"Opened again: {entry.reason or 'no reason given'}")

    def _take_skin(self, entry: Entry, said: SkinExamined | SkinDoseEstimated) -> None:
        self.crossed_on = None
        if isinstance(said, SkinExamined):
            self.looks.append(Look(entry.happened_at, entry.actor.name, said))
            return
        self.estimate, self.estimated_by, self.estimated_at = said, entry.actor.name, entry.happened_at
        self._note(entry, f"Skin dose estimated: {said.decision}")
        if said.decision == "call":
            for day in self.rules.contact_days:
                self.first_asked.setdefault(day, self._day(entry.recorded_at))

    def _take_decision(self, entry: Entry, said: FollowUpDecided) -> None:
        before, day = self.decided, self._day(entry.recorded_at)
        for due in said.due:
            self.first_asked.setdefault(due, day)
        if before is not None:
            self._note(entry, f"Decided again: {_asked(before)} became {_asked(said)}")
        if asks_for_more(said, before):
            if self._has_left(entry.recorded_at):
                self.crossed_on = day
                self._note(entry, "A level was crossed after the patient had left")
            if said.estimate_due and self.estimate is not None and said.estimate_due > day:
                self.estimate = self.estimated_by = self.estimated_at = None
        self.ever_asked = self.ever_asked or asks(said)
        self.decided, self.decided_at = said, entry.recorded_at

    def _note(self, entry: Entry, text: str) -> None:
        by = "by rule" if entry.actor.role is Role.SYSTEM else entry.actor.name
        self.trace.append(TraceLine(entry.recorded_at, by, text))

    def _has_left(self, at: datetime) -> bool:
        known = self.case.known_from
        return known is not None and at - known >= timedelta(hours=self.rules.left_after_h)

    def _day(self, at: datetime) -> str:
        return at.astimezone(self.case.zone).date().isoformat()

    # what follows --------------------------------------------------------------------------

    def _due(self) -> tuple[DueDay, ...]:
        assert self.decided is not None
        days = self.decided.due
        if self.kind == SKIN and not days and self._is_call():
            days = self.rules.contact_days
            if self.decided.estimate_due and self.estimate is None:  # nobody estimated, and somebody called
                self.first_asked.setdefault(days[0] if days else "", self.decided.estimate_due)
        if self.kind == KIDNEY:
            return self._creatinine_due(days)
        return tuple(
            DueDay(day, max(day, self.first_asked.get(day, day)), self._met_on(day)) for day in sorted(days)
        )

    def _creatinine_due(self, days: Sequence[str]) -> tuple[DueDay, ...]:
        """One window: from its first day on a result counts, by its last day it is due."""
        if not days:
            return ()
        done = min((r[:10] for r in self.results if r[:10] >= days[0]), default=None)
        by = max(days[-1], self.first_asked.get(days[-1], days[-1]))
        return (DueDay(days[-1], by, done),)

    def _met_on(self, day: str) -> str | None:
        earliest = (date.fromisoformat(day) - timedelta(days=self.rules.early_days)).isoformat()
        met = [look.seen.seen_on[:10] for look in self.looks]
        if day in self.rules.contact_days:
            met += [self._day(a.at) for a in self.attempts if a.outcome == "reached"]
        return min((m for m in met if m >= earliest), default=None)

    def _is_call(self) -> bool:
        """Whether a dose that only may be above a level became a call: by decision, or by being made."""
        if self.estimate is not None:
            return self.estimate.decision == "call"
        return bool(self.attempts or self.looks)

    def _looks(self) -> tuple[Look, ...]:
        return tuple(sorted(self.looks, key=lambda look: (look.seen.seen_on, look.at)))

    def _by_time(self) -> list[Attempt]:
        return sorted(self.attempts, key=lambda a: a.at)  # those of one moment as they were recorded

    def _unreached(self) -> int:
        """Attempts in a row that reached nobody, the last ones."""
        count = 0
        for attempt in reversed(self._by_time()):
            if attempt.outcome not in _UNREACHED or self._seen_since(attempt):
                break
            count += 1
        return count

    def _seen_since(self, attempt: Attempt) -> bool:
        day = self._day(attempt.at)
        return any(look.seen.seen_on[:10] >= day for look in self.looks)

    def _last_attempt(self) -> Attempt | None:
        return self._by_time()[-1] if self.attempts else None

    def _agreed(self) -> str | None:
        last = self._last_attempt()
        return None if last is None or self._seen_since(last) else last.next_on

    def _is_urgent(self) -> bool:
        if self.kind == KIDNEY:
            return self.case.injury is not None and self.case.injury.state is InjuryState.INJURY
        looks = self._looks()
        return bool(looks) and looks[-1].seen.is_urgent

    def _state(self, due: Sequence[DueDay]) -> FollowUpState:
        assert self.decided is not None
        last = self._last_attempt()
        if self.closing is not None:
            return FollowUpState.SETTLED
        if self.died_on is not None:
            return FollowUpState.DECEASED
        if last is not None and not self._seen_since(last):
            if last.outcome == "transferred":
                return FollowUpState.TRANSFERRED
            if last.outcome == "declined":
                return FollowUpState.DECLINED
        if not asks(self.decided):
            return FollowUpState.NOTHING_DUE
        if self.kind == KIDNEY:
            return self._kidney_state(due)
        if self.decided.tier is None and self.estimate is None and not self._is_call():
            return FollowUpState.TO_ESTIMATE
        if self.decided.tier is None and not self._is_call():
            return FollowUpState.NOTHING_DUE
        return self._calling(FollowUpState.TO_CALL, has_been_seen=any(d.done_on for d in due))

    def _kidney_state(self, due: Sequence[DueDay]) -> FollowUpState:
        injury = self.case.injury
        if any(d.done_on for d in due) or (injury is not None and injury.state is InjuryState.INJURY):
            return FollowUpState.RESULT_IN
        return self._calling(FollowUpState.CREATININE_DUE, has_been_seen=False)

    def _calling(self, untouched: FollowUpState, *, has_been_seen: bool) -> FollowUpState:
        unreached = self._unreached()
        if unreached >= self.rules.attempts:
            return FollowUpState.CANNOT_REACH
        if self.kind == SKIN and self.looks and not unreached:
            return FollowUpState.SEEN
        if unreached or (self.attempts and not has_been_seen) or self._agreed():
            return FollowUpState.WAITING
        return FollowUpState.SEEN if has_been_seen else untouched

    def _next_due(self, due: Sequence[DueDay], state: FollowUpState) -> str | None:
        assert self.decided is not None
        if state in (FollowUpState.DECEASED, FollowUpState.TRANSFERRED, FollowUpState.DECLINED):
            return None
        if self._is_urgent():
            return self._urgent_day()
        open_days = [d.by for d in due if d.done_on is None]
        if self.kind == SKIN and self.decided.estimate_due and self.estimate is None:
            open_days.append(self.decided.estimate_due)
        if state in (FollowUpState.RESULT_IN, FollowUpState.NOTHING_DUE):
            return None
        return self._agreed() or min(open_days, default=None)

    def _urgent_day(self) -> str | None:
        if self.kind == KIDNEY:
            peak = self.case.injury.peak_on if self.case.injury else None
            return peak.isoformat() if peak else None
        return max(look.seen.seen_on[:10] for look in self.looks)


def _asked(decided: FollowUpDecided) -> str:
    if decided.tier is not None:
        return f"'{decided.tier}'"
    return "'estimate asked for'" if decided.estimate_due else "'nothing due'"
