"""What the worklist shows: rows by patient, reasons with values, days over, words of each state."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from dashboards import view_models as vm
from dashboards.router import Query, path_of, search_of
from dosetrack.followup.injury import InjuryState
from dosetrack.followup.items import KIDNEY, FollowUpItem, FollowUpState
from dosetrack.skin.wording import range_words

if TYPE_CHECKING:
    from dosetrack.followup.on_day import ItemOnDay
    from dosetrack.records.follow_up import FollowUpReason
    from dosetrack.records.report import Patient
    from dosetrack.workflow import Workflow

PATH = "/follow-up"
MOST_ITEMS = 400
NOBODY = "-"
NOT_ASSESSED = "no"
KIND_WORDS = {"skin": "Skin", "kidney": "Kidney"}
TIERS = ("follow-up", "physicist", "review")
ORDERS: dict[str, str] = {"patient": "by name", "owner": "by owner", "day": "by day of the case"}
DUE: dict[str, str] = {"over": "overdue", "week": "overdue or due within 7 days"}
OPEN_STATES = tuple(
    state for state in FollowUpState if state not in (FollowUpState.SETTLED, FollowUpState.NOTHING_DUE)
)


@dataclass(frozen=True, slots=True)
class Reason:
    """Why somebody is followed up. value : in words, '' where the reason is no number."""

    text: str
    value: str
    is_estimated: bool
    source: str | None


@dataclass(frozen=True, slots=True)
class Line:
    """One item of a patient: a case and a kind.

    shape, standing : how urgent, by shape and words: '▲', '5 days overdue'
    """

    key: str
    case_id: str
    kind: str
    what: str
    state: str
    shape: str
    standing: str
    reasons: tuple[Reason, ...]
    last: str
    next_step: str
    owner: str
    warning: str | None


@dataclass(frozen=True, slots=True)
class Row:
    """One patient with every item that the filter found."""

    name: str
    identity: str
    where: str
    day: str
    href: str
    lines: tuple[Line, ...]

    @property
    def keys(self) -> str:
        """The items of the row, as one value of a choice."""
        return ";".join(line.key for line in self.lines)


@dataclass(frozen=True, slots=True)
class HeadCount:
    """One number of the head with the address that lists it."""

    number: int
    words: str
    href: str


@dataclass(frozen=True, slots=True)
class Worklist:
    """The page for one address. is_cut : more items fit the filter than are listed."""

    head: tuple[HeadCount, ...]
    rows: tuple[Row, ...]
    items: tuple[ItemOnDay, ...]
    owners: tuple[str, ...]
    rooms: tuple[str, ...]
    is_cut: bool


def worklist(workflow: Workflow, query: Query) -> Worklist:
    """The rows that the address asks for, and the head over all open items."""
    items = items_of(workflow, query, limit=MOST_ITEMS + 1)
    is_cut = len(items) > MOST_ITEMS
    shown = items[:MOST_ITEMS]
    owners = {i.item.owner for i in shown if i.item.owner} | set(workflow.people())
    return Worklist(
        head=_head(workflow),
        rows=_ordered(rows_of(shown), query.get("order")),
        items=shown,
        owners=tuple(sorted(owners)),
        rooms=workflow.rooms(),
        is_cut=is_cut,
    )


def items_of(workflow: Workflow, query: Query, *, limit: int | None = None) -> tuple[ItemOnDay, ...]:
    """The items that the filters of an address ask for; what cannot be meant filters nothing."""
    state = query.get("state")
    today = date.fromisoformat(workflow.today())
    owner = query.get("owner")
    found = workflow.follow_up_items(
        kind=_known(query.get("kind"), KIND_WORDS),
        states=(FollowUpState(state),) if state in list(FollowUpState) else None,
        tier=_known(query.get("tier"), TIERS),
        owner="" if owner == NOBODY else owner,
        room=query.get("room"),
        text=query.get("text"),
        is_open=None if query.get("all") else True,
        only_overdue=query.get("due") == "over",
        due_until=week_end(today) if query.get("due") == "week" else None,
        limit=None if query.get("assessed") else limit,
    )
    if query.get("assessed") == NOT_ASSESSED:
        return tuple(one for one in found if _is_not_assessed(one.item))
    return found


def _known(text: str | None, known: Iterable[str]) -> str | None:
    return text if text in tuple(known) else None


def week_end(today: date) -> str:
    """The last of seven days that begin today, YYYY-MM-DD."""
    return date.fromordinal(today.toordinal() + 6).isoformat()


def _is_not_assessed(item: FollowUpItem) -> bool:
    return item.injury is not None and item.injury.state is InjuryState.NOT_ASSESSED


def _head(workflow: Workflow) -> tuple[HeadCount, ...]:
    counts = workflow.follow_up_counts()
    always = (
        (counts.overdue, "overdue", {"due": "over"}),
        (counts.due_this_week, "this week", {"due": "week"}),
        (counts.without_owner, "without owner", {"owner": NOBODY}),
        (counts.kidney_not_assessed, "kidney not assessed", {"kind": KIDNEY, "assessed": NOT_ASSESSED}),
    )
    when_any = (
        (counts.to_estimate, "to be estimated", {"state": FollowUpState.TO_ESTIMATE.value}),
        (counts.cannot_reach, "cannot be reached", {"state": FollowUpState.CANNOT_REACH.value}),
    )
    shown = [*always, *(one for one in when_any if one[0])]
    return tuple(HeadCount(n, words, PATH + search_of(dict(asked))) for n, words, asked in shown)


# rows ------------------------------------------------------------------------------------


def rows_of(items: Sequence[ItemOnDay]) -> tuple[Row, ...]:
    """One row for each patient, in the order of the most urgent item of each."""
    found: dict[tuple[str | None, ...], list[ItemOnDay]] = {}
    for one in items:
        patient = one.item.patient
        key = (patient.id, patient.id_issuer) if patient.id else (None, None, one.item.case_id)
        found.setdefault(key, []).append(one)
    return tuple(_row(of_patient) for of_patient in found.values())


def _row(items: Sequence[ItemOnDay]) -> Row:
    first = items[0].item
    return Row(
        name=vm.person_name(first.patient.name) or "name not known",
        identity=identity(first.patient),
        where=vm.joined(*dict.fromkeys(where(one.item) for one in items), by="; "),
        day=min((one.item.day or "" for one in items), default=""),
        href=card_href(first.case_id),
        lines=tuple(line_of(one) for one in items),
    )


def card_href(case_id: str) -> str:
    """The address of the call card of a case's patient."""
    return path_of("follow-up", case_id)


def identity(patient: Patient) -> str:
    """'born 1958-07-12, number P1'."""
    return vm.joined(
        f"born {patient.birth_date}" if patient.birth_date else "day of birth not known",
        f"number {patient.id}" if patient.id else "number not known",
        by=", ",
    )


def where(item: FollowUpItem) -> str:
    """Day, procedure and room of the case."""
    return vm.joined(vm.day(item.day), item.procedure or "procedure not told", item.room, by=", ")


def line_of(one: ItemOnDay) -> Line:
    """One item in words."""
    item = one.item
    shape, standing = standing_of(one)
    return Line(
        key=f"{item.case_id}|{item.kind}",
        case_id=item.case_id,
        kind=item.kind,
        what=vm.joined(
            KIND_WORDS[item.kind], item.tier if item.tier not in (None, "follow-up") else None, by=", "
        ),
        state=one.state.value,
        shape=shape,
        standing=standing,
        reasons=tuple(reason_of(reason) for reason in item.decided.reasons),
        last=last_words(item),
        next_step=one.next_step,
        owner=item.owner or "nobody",
        warning=warning_of(one),
    )


def standing_of(one: ItemOnDay) -> tuple[str, str]:
    """Shape and words: '▲ 5 days overdue', '● due 3 Nov 2026', '○ no day set'."""
    due = one.item.next_due
    if not one.item.is_open:
        return "□", one.state.value
    if one.days_overdue:
        return (
            "▲",
            f"{one.days_overdue} {'day' if one.days_overdue == 1 else 'days'} overdue, since {vm.day(due)}",
        )
    if due is None:
        return "○", "no day set"
    return "●", "due today" if due == one.on.isoformat() else f"due {vm.day(due)}"


def warning_of(one: ItemOnDay) -> str | None:
    """What must be seen before anything else."""
    if one.item.is_urgent:
        return "wound, blister or pain told" if one.item.kind != KIDNEY else "kidney injury told"
    if one.item.crossed_on:
        return f"level crossed after the patient had left ({vm.day(one.item.crossed_on)})"
    return f"to the lead: {one.escalation}" if one.escalation else None


def last_words(item: FollowUpItem) -> str:
    """The last attempt or look: 'not reached, 3 Nov 2026, Ines'."""
    last = item.attempts[-1] if item.attempts else None
    look = item.looks[-1] if item.looks else None
    if look is not None and (last is None or look.at >= last.at):
        return vm.joined(grade_words(look.seen.grade), vm.day(look.seen.seen_on), look.by, by=", ")
    if last is None:
        return "none yet"
    return vm.joined(last.outcome, vm.day(last.at.isoformat()), vm.person_name(last.by), by=", ")


def grade_words(grade: int | None) -> str:
    """'grade 2', 'not graded'."""
    return "looked at, not graded" if grade is None else f"grade {grade}"


# reasons ---------------------------------------------------------------------------------


def reason_of(reason: FollowUpReason) -> Reason:
    """A reason with its value, or its range where it is estimated."""
    return Reason(
        text=reason.text,
        value=reason_value(reason),
        is_estimated=reason.basis in ("map", "accumulated map", "estimated"),
        source=reason.source,
    )


def reason_value(reason: FollowUpReason) -> str:
    """'5.20 Gy', 'range 3.5–5.6 Gy', '261 mL'; '' where it is no number."""
    levels = () if reason.level is None else (reason.level,)
    told = [] if reason.value is None else [_amount(reason.quantity, reason.value, levels)]
    if reason.low is not None and reason.high is not None:
        told.append(f"range {range_words(reason.low, reason.high)}")
    if reason.quantity == "contrast_ml" and reason.level is not None:  # the text names the limit alone
        told.append(f"limit {vm.limit_ml(reason.level)} mL")
    return ", ".join(told)


def _amount(quantity: str, value: float, levels: tuple[float, ...]) -> str:
    words: dict[str, Callable[[], str]] = {
        "dose_area_product_gycm2": lambda: " ".join(vm.dose_area_product(value, levels=levels)),
        "fluoroscopy_time_s": lambda: " ".join(vm.minutes(value, levels_s=levels)),
        "contrast_ml": lambda: f"{vm.used_ml(value)} mL",
        "iodine_g": lambda: f"{vm.iodine_g(value)} g iodine",
        "egfr_ml_min_173m2": lambda: f"{vm.down(value, 1)} mL/min/1.73 m²",
    }
    return words.get(quantity, lambda: vm.kerma_words(value, levels=levels))()


# order -----------------------------------------------------------------------------------


def _ordered(rows: Sequence[Row], order: str | None) -> tuple[Row, ...]:
    """The rows as asked for; else as the worklist orders them, the most urgent first."""
    keys: dict[str, Callable[[Row], str]] = {
        "patient": lambda row: row.name.casefold(),
        "owner": lambda row: " ".join(line.owner for line in row.lines).casefold(),
        "day": lambda row: row.day,
    }
    return tuple(sorted(rows, key=keys[order])) if order in keys else tuple(rows)
