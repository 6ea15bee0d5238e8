"""`dosetrack followup`: who must be seen again, why, and when; the call list of a day."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

import typer

from dosetrack.cli._ledger_options import WRONG_USAGE, JsonOption, LedgerOption, fail, opened_to_read
from dosetrack.cli.cases import day_option
from dosetrack.cli.json_out import plain, write_json
from dosetrack.errors import InputError
from dosetrack.followup.on_day import ItemOnDay
from dosetrack.records.follow_up import FollowUpReason
from dosetrack.services.patient_index import ask_patient_index
from dosetrack.workflow import Workflow

_FOLLOW_UP = "follow-up"
_UNKNOWN = "not known"

OnDay = Annotated[
    str | None, typer.Option("--on", callback=day_option, metavar="DATE", help="As on this day; else today.")
]


def followup(
    on: OnDay = None,
    is_list: Annotated[
        bool, typer.Option("--list", help="The call list of the day: everything due until then.")
    ] = False,
    is_all: Annotated[bool, typer.Option("--all", help="Settled items too.")] = False,
    as_json: JsonOption = False,
    ledger: LedgerOption = None,
) -> None:
    """List who must be seen again for skin or kidney, overdue first."""
    workflow = opened_to_read(ledger)
    day = date.fromisoformat(on) if on else None
    if is_list:
        _print_call_list(workflow, day, as_json=as_json)
        return
    items = workflow.follow_up_items(on=day, is_open=None if is_all else True)
    if as_json:
        write_json({"items": [item_document(one) for one in items]})
        return
    _print_items(workflow, items, day)


def item_document(one: ItemOnDay) -> dict[str, Any]:
    """One item of `dosetrack followup --json`."""
    item = one.item
    return {
        "patient_id": item.patient.id,
        "case_id": item.case_id,
        "kind": item.kind,
        # an estimate is asked for where a level may be reached: nobody is called for it yet
        "tier": item.tier or (_FOLLOW_UP if item.decided.estimate_due else None),
        "reasons": [_reason_document(reason) for reason in item.decided.reasons],
        "due": _due_days(one),
        "state": one.state.value,
        "on": one.on.isoformat(),
        "day": item.day,
        "owner": item.owner,
        "is_open": item.is_open,
        "next_due": item.next_due,
        "estimate_due": item.decided.estimate_due,
        "days_overdue": one.days_overdue,
        "escalation": one.escalation,
        "next_step": one.next_step,
        "is_urgent": item.is_urgent,
        "crossed_after_leaving_on": item.crossed_on,
        "attempts": plain(item.attempts),
        "looks": plain(item.looks),
        "injury": plain(item.injury),
        "missing": list(item.decided.missing),
        "changes": plain(item.trace),
    }


def _due_days(one: ItemOnDay) -> list[str]:
    """The days of looks or of the creatinine's window; before them the day of the estimate."""
    item = one.item
    estimate = [item.decided.estimate_due] if item.decided.estimate_due and item.estimate is None else []
    looks = [due.day for due in item.due] if item.kind == "skin" else list(item.decided.due)
    return sorted({*estimate, *looks})


def _reason_document(reason: FollowUpReason) -> dict[str, Any]:
    return {
        "quantity": reason.quantity,
        "value": reason.value,
        "level": reason.level,
        "source": reason.source,
        "text": reason.text,
        "low": reason.low,
        "high": reason.high,
        "plane": reason.plane,
        "basis": reason.basis,
    }


def _print_items(workflow: Workflow, items: tuple[ItemOnDay, ...], day: date | None) -> None:
    from rich.console import Console

    console = Console()
    counts = workflow.follow_up_counts(on=day)
    console.print(
        f"{counts.open} open: {counts.overdue} overdue, {counts.due_this_week} due this week, "
        f"{counts.without_owner} without owner, {counts.to_estimate} to be estimated, "
        f"{counts.kidney_not_assessed} kidney not assessed, "
        f"{counts.crossed} crossed a level after the patient had left.",
        highlight=False,
    )
    for one in items:
        for line in _lines(one):
            console.print(line, markup=False, highlight=False)


def _lines(one: ItemOnDay) -> list[str]:
    item = one.item
    late = f", {one.days_overdue} days overdue" if one.days_overdue else ""
    due = f"due {item.next_due}{late}" if item.next_due else "nothing due"
    head = (
        f"{item.patient.id or _UNKNOWN}  {item.kind}  {one.state}  {due}  owner {item.owner or 'nobody'}"
        f"  case {item.case_id} of {item.day or _UNKNOWN}"
    )
    said = [reason.text for reason in item.decided.reasons]
    if item.crossed_on:
        said.append(f"crossed a level after the patient had left, found on {item.crossed_on}")
    if one.escalation:
        said.append(f"goes to the lead: {one.escalation}")
    return [head, *(f"    {text}" for text in said), f"    {one.next_step}"]


def _print_call_list(workflow: Workflow, day: date | None, *, as_json: bool) -> None:
    try:
        ask_patient_index(workflow)
        found = workflow.call_list(day)
    except InputError as error:
        fail(str(error), WRONG_USAGE)
    if as_json:
        write_json(
            {
                "on": found.on.isoformat(),
                "deaths_checked": found.deaths_checked,
                "items": [item_document(one) | _who(one) for one in found.calls],
                "not_called": [item_document(one) | {"why": why} for one, why in found.not_called],
            }
        )
        return
    print(f"Calls of {found.on.isoformat()}. {found.deaths_checked}")
    for one in found.calls:
        who = _who(one)
        print(
            f"{who['name'] or _UNKNOWN}, born {who['birth_date'] or _UNKNOWN}, "
            f"phone {who['phone'] or _UNKNOWN}, interpreter {who['interpreter'] or 'none asked for'}"
        )
        print("\n".join(f"  {line}" for line in _lines(one)))
    for one, why in found.not_called:
        print(f"Not to be called: {one.item.patient.id or _UNKNOWN}, {one.item.kind}: {why}")


def _who(one: ItemOnDay) -> dict[str, Any]:
    patient, contact = one.item.patient, one.item.contact
    return {
        "name": patient.name,
        "birth_date": patient.birth_date,
        "phone": contact.phone if contact else None,
        "consents_to": list(contact.consents_to) if contact else [],
        "interpreter": contact.interpreter if contact else None,
    }
