"""`dosetrack schedule`: what is planned, from a table or from a DICOM modality worklist."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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
)
from dosetrack.cli.cases import day_option
from dosetrack.cli.json_out import plain, write_json
from dosetrack.errors import DosetrackError, ReportRefusedError
from dosetrack.records.entries import ProcedureScheduled
from dosetrack.workflow.scheduling import ScheduleTakenIn

if TYPE_CHECKING:
    from dosetrack.records.people import Actor
    from dosetrack.services.worklist import WorklistAddress, WorklistQuestion
    from dosetrack.workflow import Workflow

SOME_REFUSED = 1
ANY_MODALITY = "any"
_SECONDS_PER_MINUTE = 60.0


@dataclass(frozen=True, slots=True)
class _Outcome:
    """What one table or one question led to. problems : each with its reason."""

    source: str
    taken: ScheduleTakenIn
    procedures: tuple[ProcedureScheduled, ...]
    refused: tuple[Mapping[str, object], ...]
    notes: tuple[str, ...] = ()


def schedule(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="FILE", help="Table of planned procedures (CSV, XLSX).", readable=False),
    ] = None,
    worklist: Annotated[
        str | None,
        typer.Option(metavar="HOST:PORT", help="Ask the DICOM modality worklist there instead."),
    ] = None,
    called: Annotated[str | None, typer.Option(metavar="AE", help="AE title of the worklist.")] = None,
    calling: Annotated[str, typer.Option(metavar="AE", help="Our AE title.")] = "DOSE",
    station: Annotated[
        str | None,
        typer.Option(metavar="AE", help="Only steps of this station (its AE title); default: of every one."),
    ] = None,
    modality: Annotated[
        str, typer.Option(help=f"Only steps of this modality; '{ANY_MODALITY}': of every one.")
    ] = "XA",
    first: Annotated[
        str | None,
        typer.Option(
            "--from", callback=day_option, metavar="DATE", help="First day asked for; default: today."
        ),
    ] = None,
    last: Annotated[
        str | None,
        typer.Option(
            "--to", callback=day_option, metavar="DATE", help="Last day asked for; default: the first."
        ),
    ] = None,
    every: Annotated[
        float | None,
        typer.Option(metavar="MINUTES", min=0.1, help="Ask again and again, until stopped with Ctrl-C."),
    ] = None,
    as_json: JsonOption = False,
    ledger: LedgerOption = None,
    actor: ActorOption = None,
) -> None:
    """Take in what is planned: from a table, or from a DICOM modality worklist.

    The same again changes nothing; a changed procedure takes the place of what it was, with a trace; what
    is gone from the worklist is taken back. Times are of the room's zone where no offset is told.
    """
    if (file is None) == (worklist is None):
        fail("Give either a table or --worklist HOST:PORT", WRONG_USAGE)
    if file is not None:
        if every is not None:
            fail("--every goes with --worklist; a table is read once", WRONG_USAGE)
        _end(_of_table(file, ledger, actor_named(actor)), as_json=as_json)
    if every is not None and (as_json or first or last):
        fail("--every goes on without end and asks for today: not with --json, --from or --to", WRONG_USAGE)
    address = _address(worklist or "", called, calling)
    workflow = opened(ledger, create=True)
    wanted = None if modality.lower() == ANY_MODALITY else modality
    if every is not None:
        _ask_again_and_again(workflow, address, station, wanted, minutes=every, actor=actor_named(actor))
        return
    question = _question(workflow, first, last, station, wanted)
    _end(_of_worklist(workflow, address, question, actor_named(actor)), as_json=as_json)


def document(outcome: _Outcome) -> dict[str, object]:
    """The JSON document of the command."""
    return {
        "source": outcome.source,
        **{name: list(keys) for name, keys in plain(outcome.taken).items()},
        "procedures": plain(outcome.procedures),
        "refused": list(outcome.refused),
    }


def _of_table(file: Path, ledger: str | None, actor: Actor) -> _Outcome:
    try:
        data = file.read_bytes()
    except OSError as error:
        fail(f"{file}: {error.strerror or error}", NOTHING_USABLE)
    workflow = opened(ledger, create=True)
    try:
        taken, table = workflow.take_in_schedule_table(data, file=str(file), actor=actor)
    except ReportRefusedError as error:
        fail(f"{file}: {error.reason}", NOTHING_USABLE)
    refused = tuple(
        {"file": str(file), "line": row.line, "column": row.column, "reason": str(row)}
        for row in table.refused
    )
    return _Outcome(file.name, taken, table.procedures, refused, notes=tuple(f.text for f in table.findings))


def _of_worklist(
    workflow: Workflow, address: WorklistAddress, question: WorklistQuestion, actor: Actor
) -> _Outcome:
    from dosetrack.services.worklist import WorklistError, take_in_worklist

    try:
        taken, answer = take_in_worklist(workflow, address, question, actor=actor)
    except WorklistError as error:
        fail(str(error), NOTHING_USABLE)
    reasons = [*answer.refused, *([answer.failure] if answer.failure else [])]
    refused = tuple(
        {"file": address.source, "line": None, "column": None, "reason": reason} for reason in reasons
    )
    return _Outcome(address.source, taken, answer.procedures, refused)


def _end(outcome: _Outcome, *, as_json: bool) -> None:
    """Print what became of it and end with its exit code."""
    for words in (*outcome.notes, *(f"{r['file']}, {r['reason']}" for r in outcome.refused)):
        print(words, file=sys.stderr)
    if as_json:
        write_json(document(outcome))
    else:
        print(_words(outcome))
    if not outcome.refused:
        raise typer.Exit(0)
    taken = outcome.taken
    something = outcome.procedures or taken.withdrawn or taken.unchanged or taken.kept
    raise typer.Exit(SOME_REFUSED if something else NOTHING_USABLE)


def _words(outcome: _Outcome) -> str:
    taken = outcome.taken
    return (
        f"{outcome.source}: {len(taken.added)} planned procedures new, {len(taken.changed)} changed, "
        f"{len(taken.unchanged)} as they were, {len(taken.withdrawn)} taken back, "
        f"{len(outcome.refused)} refused."
    )


def _address(place: str, called: str | None, calling: str) -> WorklistAddress:
    from dosetrack.services.admission import is_ae_title
    from dosetrack.services.worklist import WorklistAddress

    host, _, port = place.rpartition(":")
    if not host or not port.isdigit() or not 0 < int(port) <= 65535:
        fail(f"--worklist {place!r}: HOST:PORT is accepted, such as ris.example:104", WRONG_USAGE)
    if called is None:
        fail("--worklist needs --called, the AE title of the worklist", WRONG_USAGE)
    for option, title in (("--called", called), ("--calling", calling)):
        if not is_ae_title(title):
            fail(f"{option} {title!r}: 1 to 16 plain characters are accepted", WRONG_USAGE)
    return WorklistAddress(host.strip("[]"), int(port), called, calling)


def _question(
    workflow: Workflow, first: str | None, last: str | None, station: str | None, modality: str | None
) -> WorklistQuestion:
    from dosetrack.services.worklist import WorklistQuestion

    start = first or workflow.today()
    end = last or start
    if start > end:
        fail(f"--from {start} is after --to {end}", WRONG_USAGE)
    return WorklistQuestion(start, end, station=station, modality=modality)


def _ask_again_and_again(
    workflow: Workflow,
    address: WorklistAddress,
    station: str | None,
    modality: str | None,
    *,
    minutes: float,
    actor: Actor,
) -> None:
    from dosetrack.services.worklist import take_in_worklist

    stopped = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stopped.set())
    print(f"Asking {address.called} every {minutes:g} min - stop with Ctrl-C", file=sys.stderr, flush=True)
    while not stopped.is_set():
        question = _question(workflow, None, None, station, modality)
        try:
            taken, answer = take_in_worklist(workflow, address, question, actor=actor)
        except DosetrackError as error:  # not now; the next time perhaps
            print(str(error), file=sys.stderr, flush=True)
        else:
            if taken.added or taken.changed or taken.withdrawn or answer.refused or answer.failure:
                told = [*answer.refused, *([answer.failure] if answer.failure else [])]
                refused = tuple({"reason": reason} for reason in told)
                outcome = _Outcome(address.source, taken, answer.procedures, refused)
                print("\n".join([*told, _words(outcome)]), file=sys.stderr, flush=True)
        stopped.wait(minutes * _SECONDS_PER_MINUTE)
