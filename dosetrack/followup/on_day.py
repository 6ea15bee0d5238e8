"""How an item of the worklist stands on a day: overdue, escalated, what comes next."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from dosetrack.followup.items import KIDNEY, FollowUpItem, FollowUpState


@dataclass(frozen=True, slots=True)
class EscalationRules:
    """Days overdue after which an item goes to the lead, by kind."""

    skin_days: int
    kidney_days: int


@dataclass(frozen=True, slots=True)
class ItemOnDay:
    """An item as it stands on a day of the site.

    days_overdue : 0 where it is not
    escalation : why it goes to the lead; None where it does not
    may_call : False for a patient who died, was handed over, or declined
    """

    item: FollowUpItem
    on: date
    state: FollowUpState
    days_overdue: int
    escalation: str | None
    next_step: str
    may_call: bool

    @property
    def is_escalated(self) -> bool:
        """Whether it goes to the lead."""
        return self.escalation is not None


_NO_CALL = (
    FollowUpState.DECEASED,
    FollowUpState.TRANSFERRED,
    FollowUpState.DECLINED,
    FollowUpState.SETTLED,
    FollowUpState.NOTHING_DUE,
    FollowUpState.TO_ESTIMATE,
)


def on_day(item: FollowUpItem, on: date, rules: EscalationRules) -> ItemOnDay:
    """How `item` stands on the local day `on`."""
    state = state_on(item, on)
    overdue = days_overdue(item.next_due, on)
    escalation = _escalation(item, state, overdue, rules)
    return ItemOnDay(
        item=item,
        on=on,
        state=state,
        days_overdue=overdue,
        escalation=escalation,
        next_step=_next_step(item, state),
        may_call=state not in _NO_CALL,
    )


def state_on(item: FollowUpItem, on: date) -> FollowUpState:
    """The state on a day: an estimate that nobody made by its day is a call from that day on."""
    due = item.decided.estimate_due
    if item.state is FollowUpState.TO_ESTIMATE and due is not None and on.isoformat() >= due:
        return FollowUpState.TO_CALL
    return item.state


def days_overdue(next_due: str | None, on: date) -> int:
    """Whole days since `next_due` passed; 0 before and on it.

    Examples
    --------
    >>> days_overdue("2028-02-28", date(2028, 3, 1))
    2
    """
    return max(0, (on - date.fromisoformat(next_due)).days) if next_due else 0


def _escalation(item: FollowUpItem, state: FollowUpState, overdue: int, rules: EscalationRules) -> str | None:
    if not item.is_open:
        return None
    if state is FollowUpState.CANNOT_REACH:
        return f"{item.unreached} calls reached nobody"
    allowed = rules.kidney_days if item.kind == KIDNEY else rules.skin_days
    return f"{overdue} days overdue" if overdue > allowed else None


_STEPS = {
    FollowUpState.TO_ESTIMATE: "A physicist estimates the skin dose and decides about a call.",
    FollowUpState.TO_CALL: "Call the patient.",
    FollowUpState.CREATININE_DUE: "Creatinine is repeated.",
    FollowUpState.WAITING: "Call again.",
    FollowUpState.CANNOT_REACH: "Send the letter, tell the owner, try another way.",
    FollowUpState.RESULT_IN: "Read the result, then settle with a reason.",
    FollowUpState.DECLINED: "Write to the family doctor, then settle with a reason.",
    FollowUpState.TRANSFERRED: "Write to who treats the patient now, then settle with a reason.",
    FollowUpState.DECEASED: "No call. Settle with a reason.",
    FollowUpState.SETTLED: "Settled.",
    FollowUpState.NOTHING_DUE: "The rules ask for nothing.",
}


def _next_step(item: FollowUpItem, state: FollowUpState) -> str:
    if item.is_urgent and item.is_open and state is not FollowUpState.DECEASED:
        return "A doctor is told today." if item.kind == KIDNEY else "A doctor sees the skin today."
    if state is FollowUpState.SEEN:
        return "Look again." if item.next_due else "Settle with a reason, or agree on another look."
    if state is FollowUpState.NOTHING_DUE and item.is_open:
        return "The rules ask for nothing any more: settle with a reason."
    if state is FollowUpState.TO_CALL and item.state is FollowUpState.TO_ESTIMATE:
        return "Nobody estimated in time: call the patient."
    return _STEPS[state]


def in_order(items: Iterable[ItemOnDay]) -> tuple[ItemOnDay, ...]:
    """Urgent and crossed first, then the longest overdue, then by the next day; settled last."""

    def key(one: ItemOnDay) -> tuple[object, ...]:
        item = one.item
        return (
            not item.is_open,
            not (item.is_urgent or item.crossed_on),
            item.next_due is None,
            item.next_due or "",
            item.day or "",
            item.case_id,
            item.kind,
        )

    return tuple(sorted(items, key=key))
