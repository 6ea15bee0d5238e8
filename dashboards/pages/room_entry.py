"""Entry in the hand view: an injection in two touches, a reading by keypad, undo, prompts, the end."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from dash import no_update

from dashboards import ids
from dashboards import view_models as vm
from dashboards.components import entry_pad
from dosetrack.alerts import GO_ON
from dosetrack.entry import Question, carried_over, injection_from_text, reading_from_text
from dosetrack.errors import DosetrackError, InputError
from dosetrack.records.entries import Agent, ConsoleReading, Injection, InjectionSite
from dosetrack.records.people import Actor, Role
from dosetrack.times import zone_named

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import CaseView, TimelineRow

MOST_BUTTONS = 6
UNDO = "undo"
WHO_MISSING = "Name the person who decides."
REASON_MISSING = "A few words why: they are recorded with the decision."
RESET, CARRIED = "reset", "carried-over"
_UNDOABLE = ("injection", "console-reading")
_YES = {RESET: "The console began again", CARRIED: "Carried over", "": "Yes, record it"}
_NO = {RESET: "Typing error, change it", CARRIED: "This patient's", "": "No"}


@dataclass(frozen=True, slots=True)
class Typed:
    """What stands in the pads when something is touched; text as typed."""

    volume: str | None = None
    agent: str | None = None
    concentration: str | None = None
    dilution_percent: str | None = None
    site: str | None = None
    what: str = entry_pad.KERMA
    plane: str = "single"
    number: str | None = None
    unit: str = "Gy"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a touch led to.

    message : an error or the question asked; '' when there is none
    asking : '', 'yes' or the kind of question; decides the words of the two answers
    pending : the payload that waits for the answer, as data
    entry_id, words : what was recorded last on this screen, for undo
    """

    message: str = ""
    question: str | None = None
    pending: dict[str, Any] | None = None
    entry_id: str | None = None
    words: str | None = None
    is_recorded: bool = False


# what the pads start from ----------------------------------------------------------------


def volumes(view: CaseView) -> list[float]:
    """The volumes offered: those used last first, then the usual ones of the room."""
    by_hand = [s.injection for s in reversed(view.stairs) if not s.injection.from_injector]
    used = [given.volume_ml for given in by_hand if given.agent is Agent.IODINATED]
    usual = [float(text) for text in view.settings.text("room.usual_volumes_ml").split()]
    return list(dict.fromkeys([*used, *usual]))[:MOST_BUTTONS]


def context_of(view: CaseView) -> Injection:
    """Agent, concentration, dilution and site as last used in the case, else as the form told."""
    if view.stairs:
        return view.stairs[-1].injection
    opening = view.case.opening.value if view.case.opening else None
    strength = opening.concentration_mgi_ml if opening else None
    return Injection(
        volume_ml=0.0,
        concentration_mgi_ml=strength or view.settings.number_or_none("room.concentration_mgi_ml"),
        site=opening.injection_site if opening else InjectionSite.UNKNOWN,
    )


def plane_of(view: CaseView) -> str:
    """The plane read last; 'single' where the case has one."""
    if view.case.readings:
        return view.case.readings[-1].value.plane
    worst = view.radiation.worst_plane
    return worst.plane if worst and worst.plane in entry_pad.PLANES else "single"


def last_entry(view: CaseView) -> TimelineRow | None:
    """The newest injection or reading that still stands."""
    rows = [r for r in view.timeline if r.kind in _UNDOABLE and not r.replaced_by]
    return max(rows, key=lambda r: r.seq, default=None)


def last_id(view: CaseView) -> str | None:
    """The entry that one touch takes back."""
    row = last_entry(view)
    return row.entry_id if row else None


def last_words(view: CaseView) -> str:
    """'10:41 Injection: 10 mL …', or that nothing was entered yet."""
    row = last_entry(view)
    if row is None:
        return "nothing entered yet"
    return f"{vm.clock_time(row.at, zone_named(view.time_zone))} {row.text}"


def actor_of(name: str | None, room: str | None) -> Actor:
    """The person named on the page, as claimed; the room's team when nobody is."""
    text = (name or "").strip()
    return Actor(name=text or f"team in {room or 'the room'}", role=Role.ROOM, is_claimed=True)


# touches ---------------------------------------------------------------------------------


def give(workflow: Workflow, case_id: str, typed: Typed, *, actor: Actor) -> Outcome:
    """Record an injection of the chosen volume with the product on the table."""
    return _record(workflow, case_id, actor, lambda view: _injection(view, typed))


def read(workflow: Workflow, case_id: str, typed: Typed, *, actor: Actor) -> Outcome:
    """Record what the keypad holds: a console reading, or a volume that has no button."""
    if typed.what == entry_pad.CONTRAST:
        return give(workflow, case_id, replace(typed, volume=typed.number), actor=actor)
    return _record(workflow, case_id, actor, lambda _: _reading(typed))


def confirm(
    workflow: Workflow, case_id: str, pending: dict[str, Any], *, actor: Actor, is_yes: bool
) -> Outcome:
    """Answer the question about a pending entry."""
    payload = payload_of(pending)
    kind = pending.get("question", "")
    if isinstance(payload, ConsoleReading) and kind == RESET:
        if not is_yes:
            return Outcome(message="")
        payload = replace(payload, is_reset=True)
    elif isinstance(payload, ConsoleReading) and kind == CARRIED:
        if is_yes:
            payload = carried_over(payload, workflow.last_reading_in_room(case_id, payload.plane))
    elif not is_yes:
        return Outcome(message="")
    return _recorded(workflow, case_id, payload, actor, is_confirmed=True)


def undo(workflow: Workflow, case_id: str, entry_id: str | None, *, actor: Actor) -> Outcome:
    """Take back the entry shown as last."""
    if not entry_id:
        return Outcome(message="Nothing to undo.")
    try:
        workflow.correct(entry_id, None, actor=actor, reason=UNDO)
    except DosetrackError as error:
        return Outcome(message=str(error))
    return _after(workflow, case_id)


def _record(
    workflow: Workflow,
    case_id: str,
    actor: Actor,
    parse: Callable[[CaseView], tuple[Injection | ConsoleReading, tuple[Question, ...]]],
) -> Outcome:
    view = workflow.case_view(case_id)
    try:
        payload, asked = parse(view)
    except InputError as error:
        return Outcome(message=input_words(error))
    if asked:
        return _ask(payload, asked)
    return _recorded(workflow, case_id, payload, actor)


def _recorded(
    workflow: Workflow,
    case_id: str,
    payload: Injection | ConsoleReading,
    actor: Actor,
    *,
    is_confirmed: bool = False,
) -> Outcome:
    try:
        result = workflow.record(case_id, payload, actor=actor, is_confirmed=is_confirmed)
    except DosetrackError as error:
        return Outcome(message=str(error))
    if result.entry_id is None:
        return _ask(payload, result.questions)
    return _after(workflow, case_id)


def _ask(payload: Injection | ConsoleReading, asked: Sequence[Question]) -> Outcome:
    kind = question_kind(asked)
    pending = {**payload_data(payload), "question": kind}
    return Outcome(message=" ".join(q.text for q in asked), question=kind, pending=pending)


def _after(workflow: Workflow, case_id: str) -> Outcome:
    view = workflow.case_view(case_id)
    row = last_entry(view)
    return Outcome(entry_id=row.entry_id if row else None, words=last_words(view), is_recorded=True)


def question_kind(asked: Sequence[Question]) -> str:
    """'reset' or 'carried-over' where the answer changes what is recorded, else ''."""
    return next((q.kind for q in asked if q.kind in (RESET, CARRIED)), "")


def _injection(view: CaseView, typed: Typed) -> tuple[Injection, tuple[Question, ...]]:
    found = injection_from_text(
        typed.volume or "",
        volume_unit="mL",
        concentration=typed.concentration if typed.agent in (None, Agent.IODINATED.value) else None,
        dilution=_percent(typed.dilution_percent),
        agent=typed.agent,
        site=typed.site,
        given_so_far_ml=view.kidney.given.now.contrast_ml,
    )
    return found.value, found.questions


def _percent(text: str | None) -> str | None:
    """A dilution as typed without its sign; None where nothing was typed."""
    number = (text or "").rstrip(" %")
    return f"{number} %" if number else None


def _reading(typed: Typed) -> tuple[ConsoleReading, tuple[Question, ...]]:
    if not (typed.number or "").strip():
        raise InputError(field=typed.what, given="", accepted=f"a number in {typed.unit}")
    text = f"{typed.number} {typed.unit}"
    found = reading_from_text(
        plane=typed.plane,
        reference_air_kerma=text if typed.what == entry_pad.KERMA else None,
        dose_area_product=text if typed.what == entry_pad.DAP else None,
        fluoroscopy_time=text if typed.what == entry_pad.TIME else None,
    )
    return found.value, found.questions


def input_words(error: InputError) -> str:
    """An input error for the place beside its field."""
    given = str(error.given).strip()
    lead = f"{error.field}: {given} cannot be used." if given else f"{error.field}: nothing given."
    return f"{lead} Accepted: {error.accepted}."


def payload_data(payload: Injection | ConsoleReading) -> dict[str, Any]:
    """A payload as data for the page to hold while a question is open."""
    return {"kind": type(payload).__name__, "fields": asdict(payload)}


def payload_of(data: dict[str, Any]) -> Injection | ConsoleReading:
    """The payload that `payload_data` wrote."""
    fields = dict(data["fields"])
    if data["kind"] == ConsoleReading.__name__:
        return ConsoleReading(**fields)
    fields["agent"], fields["site"] = Agent(fields["agent"]), InjectionSite(fields["site"])
    return Injection(**fields)


def decide(
    workflow: Workflow, case_id: str, prompt_id: str, *, decision: str, who: str | None, reason: str | None
) -> str:
    """Record the decision on a prompt; what is missing or wrong, '' when recorded."""
    if not (who or "").strip():
        return WHO_MISSING
    if decision == GO_ON and not (reason or "").strip():
        return REASON_MISSING
    actor = Actor(name=(who or "").strip(), role=Role.OPERATOR, is_claimed=True)
    try:
        workflow.answer_prompt(
            case_id, prompt_id, decision=decision, reason=(reason or "").strip() or None, actor=actor
        )
    except DosetrackError as error:
        return str(error)
    return ""


def act(
    workflow: Workflow,
    touched: Any,
    case_id: str,
    typed: Typed,
    *,
    actor: Actor,
    pending: dict[str, Any] | None,
    last: str | None,
) -> Outcome:
    """The outcome of the button `touched` (its id)."""
    if touched == ids.ENTRY_GIVEN:
        return give(workflow, case_id, typed, actor=actor)
    if touched in (ids.KEYPAD_RECORD, ids.KEYPAD_TEXT):
        return read(workflow, case_id, typed, actor=actor)
    if touched == ids.ENTRY_UNDO:
        return undo(workflow, case_id, last, actor=actor)
    if pending is None:
        return Outcome()
    return confirm(workflow, case_id, pending, actor=actor, is_yes=touched == ids.ENTRY_CONFIRM_YES)


def shown(outcome: Outcome, done: int | None) -> tuple[Any, ...]:
    """An outcome as the values of the page."""
    kind = outcome.question or ""
    is_new = outcome.is_recorded
    return (
        outcome.message,
        outcome.question is None,
        _YES[kind],
        _NO[kind],
        outcome.pending,
        outcome.words if is_new else no_update,
        outcome.entry_id if is_new else no_update,
        outcome.entry_id is None if is_new else no_update,
        (done or 0) + 1 if is_new else no_update,
        "" if is_new else no_update,
    )


def product_words(*, agent: str, concentration: str, dilution_percent: str, site: str) -> str:
    """The product as the next injection will be recorded, or what is wrong with it."""
    try:
        found = injection_from_text(
            "1 mL",
            concentration=concentration if agent == Agent.IODINATED.value else None,
            dilution=_percent(dilution_percent),
            agent=agent,
            site=site,
        )
    except InputError as error:
        return input_words(error)
    return entry_pad.context_words(found.value)
