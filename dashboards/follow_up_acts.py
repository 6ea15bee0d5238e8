"""What the call card records: each act reads what was typed, calls the workflow, and says what was done."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from dashboards.components.follow_up_forms import NOT_GRADED
from dashboards.components.who import checked_actor
from dosetrack.entry import creatinine_from_text
from dosetrack.errors import DosetrackError
from dosetrack.records.follow_up import ContactTried, PatientContact, SkinDoseEstimated, SkinExamined
from dosetrack.records.people import Actor, Role
from dosetrack.skin.grades import SCALE
from dosetrack.units import parse_quantity

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

ASKED_TWICE = ("deceased", "declined")
"""Outcomes after which nobody calls again: touched twice."""
ABOUT_MISSING = "Say what the call was about."
RECORDED = "Recorded."
AGAIN = "Asked: {text} Confirm below the value, then record again."


@dataclass(frozen=True, slots=True)
class Said:
    """What is told of an act; is_done: something was recorded."""

    is_done: bool
    text: str


@dataclass(frozen=True, slots=True)
class Reach:
    """How the patient may be reached, as typed."""

    phone: str | None
    consents_to: tuple[str, ...]
    interpreter: str | None
    family_doctor: str | None


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen of the skin, as typed and chosen."""

    grade: str | None = NOT_GRADED
    place: str | None = None
    is_predicted: str | None = ""
    photo: str | None = None
    seen_on: str | None = None
    examiner: str | None = None
    note: str | None = None
    urgent: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Estimated:
    """A physicist's estimate, as typed with units."""

    peak: str | None = None
    low: str | None = None
    high: str | None = None
    method: str | None = None
    reason: str | None = None


def ask_again(outcome: str) -> str:
    """What is said before an outcome that ends all calls."""
    return f"'{outcome}' ends the calls. Touch '{outcome}' once more to record it."


def call(
    workflow: Workflow,
    about: Sequence[str] | None,
    *,
    outcome: str,
    note: str | None,
    next_on: str | None,
    who: str | None,
) -> Said:
    """Record one call, with each item it was about."""

    def act(actor: Actor) -> str:
        if not about:
            return ABOUT_MISSING
        for key in about:
            case_id, kind = key.split("|", 1)
            tried = ContactTried(kind, outcome, _words(note), next_on)
            workflow.try_contact(case_id, tried, actor=actor)
        return f"Recorded: {outcome}."

    return _done(act, who, Role.FOLLOW_UP, not_done=(ABOUT_MISSING,))


def keep_contact(workflow: Workflow, case_id: str, told: Reach, *, who: str | None) -> Said:
    """Keep how the patient may be reached; a known day of death stays."""

    def act(actor: Actor) -> str:
        items = workflow.follow_up_items(case_id=case_id, is_open=None)
        died = next((one.item.died_on for one in items if one.item.died_on), None)
        contact = PatientContact(
            phone=_words(told.phone),
            consents_to=told.consents_to,
            interpreter=_words(told.interpreter),
            family_doctor=_words(told.family_doctor),
            died_on=died,
        )
        workflow.keep_contact(case_id, contact, actor=actor)
        return RECORDED

    return _done(act, who, Role.FOLLOW_UP)


def see(workflow: Workflow, case_id: str, told: Seen, *, who: str | None) -> Said:
    """Record what was seen of the skin."""

    def act(actor: Actor) -> str:
        grade = told.grade or NOT_GRADED
        seen = SkinExamined(
            seen_on=_words(told.seen_on) or workflow.today(),
            examiner=_words(told.examiner) or actor.name,
            grade=None if grade == NOT_GRADED else int(grade),
            scale=SCALE,
            place=_words(told.place),
            is_at_predicted_site={"yes": True, "no": False}.get(told.is_predicted or ""),
            photo=_words(told.photo),
            is_urgent=bool(told.urgent),
            note=_words(told.note),
        )
        workflow.skin_examined(case_id, seen, actor=actor)
        return (
            "Recorded. Wound, blister or pain: tell the named doctor today." if seen.is_urgent else RECORDED
        )

    return _done(act, who, Role.FOLLOW_UP)


def estimate(workflow: Workflow, case_id: str, decision: str, told: Estimated, *, who: str | None) -> Said:
    """Record a physicist's estimate and decision."""

    def act(actor: Actor) -> str:
        found = SkinDoseEstimated(
            decision=decision,
            peak_skin_dose_mgy=_dose(told.peak, "peak skin dose"),
            low_mgy=_dose(told.low, "lowest likely"),
            high_mgy=_dose(told.high, "highest likely"),
            method=_words(told.method),
        )
        workflow.skin_estimated(case_id, found, actor=actor, reason=_words(told.reason))
        return f"Recorded: {decision}."

    return _done(act, who, Role.PHYSICS)


def creatinine(
    workflow: Workflow,
    case_id: str,
    *,
    value: str | None,
    taken_on: str | None,
    is_sure: bool,
    who: str | None,
) -> Said:
    """Record a creatinine; asks once where it looks like another unit or day."""
    asked: list[str] = []

    def act(actor: Actor) -> str:
        unit = workflow.settings().text("kidney.creatinine_unit") or None
        typed = creatinine_from_text(
            value or "", taken_on=_words(taken_on), on=date.fromisoformat(workflow.today()), default_unit=unit
        )
        asked.extend(question.text for question in typed.questions)
        if asked and not is_sure:
            return AGAIN.format(text=" ".join(asked))
        recorded = workflow.creatinine_result(case_id, typed.value, actor=actor, is_confirmed=is_sure)
        if recorded.entry_id is None:
            asked.extend(question.text for question in recorded.questions)
            return AGAIN.format(text=" ".join(asked))
        asked.clear()
        return RECORDED

    said = _done(act, who, Role.FOLLOW_UP)
    return Said(said.is_done and not asked, said.text)


def end(
    workflow: Workflow,
    key: str,
    *,
    is_opening: bool,
    reason: str | None,
    is_sure: bool,
    who: str | None,
) -> Said:
    """Settle an item, or open it again, with a reason."""
    case_id, kind = key.split("|", 1)
    asked: list[str] = []

    def act(actor: Actor) -> str:
        why = reason or ""
        if is_opening:
            workflow.reopen_follow_up(case_id, kind, reason=why, actor=actor)
            return "Opened again."
        done = workflow.settle_follow_up(case_id, kind, reason=why, actor=actor, is_confirmed=is_sure)
        asked.extend(question.text for question in done.questions if done.entry_id is None)
        return " ".join(asked) if asked else "Settled."

    said = _done(act, who, Role.FOLLOW_UP)
    return Said(said.is_done and not asked, said.text)


def own(workflow: Workflow, key: str, *, owner: str | None, who: str | None) -> Said:
    """Give an item to an owner."""
    case_id, kind = key.split("|", 1)

    def act(actor: Actor) -> str:
        workflow.assign_follow_up(case_id, kind, _words(owner), actor=actor)
        return f"Owner: {_words(owner) or 'nobody'}."

    return _done(act, who, Role.FOLLOW_UP)


def _done(
    act: Callable[[Actor], str], who: str | None, role: Role, *, not_done: tuple[str, ...] = ()
) -> Said:
    """Do it under the name picked; an error is said in its own words."""
    actor, wrong = checked_actor(who, role.value)
    if actor is None:
        return Said(False, wrong)
    try:
        text = act(actor)
    except DosetrackError as error:
        return Said(False, str(error))
    return Said(text not in not_done, text)


def _words(text: str | None) -> str | None:
    return (text or "").strip() or None


def _dose(text: str | None, field: str) -> float | None:
    return parse_quantity(text, "air_kerma", field=field) if text and text.strip() else None
