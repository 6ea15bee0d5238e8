"""`dosetrack access`: which gateways may feed a room, and what they sent that waits for a person."""

from __future__ import annotations

import hashlib
import secrets
import sys
from typing import Annotated

import typer

from dosetrack.cli._ledger_options import (
    NOTHING_USABLE,
    WRONG_USAGE,
    ActorOption,
    JsonOption,
    LedgerOption,
    actor_named,
    fail,
    opened,
    opened_to_read,
)
from dosetrack.cli.json_out import plain, write_json
from dosetrack.errors import InputError, StateError, UnknownCaseError

_TOKEN_BYTES = 32

group = typer.Typer(
    help="Which gateways may feed a room over HTTP; what waits for a person.", no_args_is_help=True
)
NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Name of the gateway.")]


@group.command()
def grant(
    room: Annotated[str, typer.Option(help="The room it may feed.")],
    name: Annotated[str, typer.Option(help="Name of the gateway, shown beside what it sends.")],
    sees_patient: Annotated[
        bool, typer.Option("--sees-patient", help="It may also be told who the patient is.")
    ] = False,
    as_json: JsonOption = False,
    actor: ActorOption = None,
    ledger: LedgerOption = None,
) -> None:
    """Let a gateway feed a room. Its token is printed once and kept nowhere."""
    workflow = opened(ledger, create=True)
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    try:
        given = workflow.grant_access(
            name=name,
            room=room,
            token_sha256=hashlib.sha256(token.encode("ascii")).hexdigest(),
            actor=actor_named(actor),
            sees_patient=sees_patient,
        )
    except InputError as error:
        fail(str(error), WRONG_USAGE)
    if given.room not in workflow.rooms():
        print(f"No case and no setting names a room {given.room!r} yet: is it spelt so?", file=sys.stderr)
    if as_json:
        write_json({"name": given.name, "room": given.room, "token": token})
        return
    print(f"{given.name} may feed {given.room}. Its token, shown this once:", file=sys.stderr)
    print(token)


@group.command("list")
def list_grants(as_json: JsonOption = False, ledger: LedgerOption = None) -> None:
    """List the gateways that have access."""
    found = opened_to_read(ledger).grants()
    if as_json:
        write_json({"grants": [plain(one) for one in found]})
        return
    for one in found:
        day = one.granted_at.date().isoformat()
        patient = ", is told the patient" if one.sees_patient else ""
        print(f"{one.room}: {one.name}{patient} (granted {day} by {one.granted_by})")
    if not found:
        print("No gateway has access.", file=sys.stderr)


@group.command()
def withdraw(
    name: NameArgument,
    reason: Annotated[str, typer.Option(help="Why, a few words.")] = "",
    as_json: JsonOption = False,
    actor: ActorOption = None,
    ledger: LedgerOption = None,
) -> None:
    """End the access of a gateway, at once."""
    try:
        gone = opened(ledger).withdraw_access(name, actor=actor_named(actor), reason=reason)
    except InputError as error:
        fail(str(error), NOTHING_USABLE)
    if as_json:
        write_json({"withdrawn": gone.name, "room": gone.room})
    else:
        print(f"{gone.name} may no longer feed {gone.room}.")


@group.command()
def waiting(as_json: JsonOption = False, ledger: LedgerOption = None) -> None:
    """List what gateways sent and nobody has decided about: it counts nowhere until then."""
    found = opened_to_read(ledger).all_held()
    if as_json:
        write_json({"waiting": [plain(one) for one in found]})
        return
    for one in found:
        print(f"{one.entry_id}\n  {one.sent.room}, {one.at.isoformat(timespec='seconds')}: {one.sent.feed}")
        print(f"  {' '.join(one.sent.questions)}\n  answers: {', '.join(one.answers)}")
    if not found:
        print("Nothing waits.", file=sys.stderr)


@group.command()
def decide(
    entry: Annotated[str, typer.Argument(metavar="ID", help="What waits, as `waiting` lists it.")],
    decision: Annotated[str, typer.Argument(metavar="ANSWER", help="One of its answers.")],
    case: Annotated[
        str | None, typer.Option(metavar="ID", help="The case it belongs to, where none ran when it came.")
    ] = None,
    as_json: JsonOption = False,
    actor: ActorOption = None,
    ledger: LedgerOption = None,
) -> None:
    """Decide about what a gateway sent, for whoever answers on the command line."""
    try:
        done = opened(ledger).answer_held(entry, decision, actor=actor_named(actor), case_id=case)
    except (InputError, StateError) as error:
        fail(str(error), WRONG_USAGE)
    except UnknownCaseError as error:
        fail(str(error), NOTHING_USABLE)
    if as_json:
        write_json({"entry_id": done.entry_id, "case_id": done.case_id})
    else:
        print(f"Decided: {decision}.")
