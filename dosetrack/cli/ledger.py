"""`dosetrack ledger`: prove the ledger whole, make its projections again."""

from __future__ import annotations

import sys
from dataclasses import asdict
from typing import Annotated

import typer

from dosetrack.cli._ledger_options import (
    NOTHING_USABLE,
    WRONG_USAGE,
    JsonOption,
    LedgerOption,
    fail,
    opened_to_read,
    opened_to_rebuild,
)
from dosetrack.cli._progress import progress_bar
from dosetrack.cli.json_out import write_json
from dosetrack.errors import InputError, LedgerError
from dosetrack.ledger import Anchor, ChainReport, ProjectionReport, check_projections, verify_chain
from dosetrack.ledger import rebuild as rebuild_projections

NOT_WHOLE = 1

group = typer.Typer(help="Prove the ledger whole; make its projections again.", no_args_is_help=True)


@group.command()
def verify(
    as_json: JsonOption = False,
    anchor: Annotated[
        str | None,
        typer.Option(metavar="SEQ:DIGEST", help="Head noted earlier; the chain must still pass through it."),
    ] = None,
    entries_only: Annotated[
        bool, typer.Option("--entries-only", help="Leave out the projections, which take longest.")
    ] = False,
    ledger: LedgerOption = None,
) -> None:
    """Check entries, payloads and originals against the chain of digests, and the projections against them.

    Nothing is written. Note the anchor it prints outside the ledger and give it the next time: a
    tail that was cut off, or a chain made anew, shows against it.
    """
    try:
        noted = Anchor.from_text(anchor) if anchor is not None else None
    except InputError as error:
        fail(str(error), WRONG_USAGE)
    workflow = opened_to_read(ledger)
    projections: ProjectionReport | None = None
    try:
        with workflow.ledger.reading() as reader:
            chain = verify_chain(reader, anchor=noted)
            if chain.first_break is None and not entries_only:
                with progress_bar("projections", unit="cases") as progress:
                    projections = check_projections(reader, workflow.projector, progress=progress)
    except LedgerError as error:
        fail(str(error), NOTHING_USABLE)
    if as_json:
        write_json(document(chain, projections))
    else:
        _print_whole(chain, projections)
    if _print_faults(chain, projections):
        raise typer.Exit(NOT_WHOLE)


def document(chain: ChainReport, projections: ProjectionReport | None) -> dict[str, object]:
    """The JSON document of `dosetrack ledger verify`; `projections` null where they were not compared."""
    return asdict(chain) | {
        "anchor": str(chain.head) if chain.head else None,
        "projections": asdict(projections) if projections else None,
    }


def _print_whole(chain: ChainReport, projections: ProjectionReport | None) -> None:
    if chain.first_break is None:
        deleted = f", {chain.deleted_payloads} deleted on purpose" if chain.deleted_payloads else ""
        print(f"The chain holds: {chain.entries} entries{deleted}, {chain.originals} originals.")
    if projections is not None and not projections.differences:
        print(f"The projections of {projections.cases} cases are what a rebuild gives.")
    if chain.head is not None:
        print(f"anchor {chain.head}")


def _print_faults(chain: ChainReport, projections: ProjectionReport | None) -> bool:
    """Whether there were any; each is told on standard error."""
    if chain.first_break is not None:
        at = f" at entry {chain.first_break.seq}" if chain.first_break.seq else ""
        print(f"The chain is broken{at}: {chain.first_break.reason}", file=sys.stderr)
        return True
    if projections is None or not projections.differences:
        return False
    for one in projections.first:
        case = f", case {one.case_id}" if one.case_id else ""
        print(f"projection {one.table}{case}: {one.reason}", file=sys.stderr)
    more = projections.differences - len(projections.first)
    if more:
        print(f"and {more} more", file=sys.stderr)
    print("The entries hold; 'dosetrack ledger rebuild' makes the projections again.", file=sys.stderr)
    return True


@group.command()
def rebuild(as_json: JsonOption = False, ledger: LedgerOption = None) -> None:
    """Make every projection again from the entries and the original files."""
    workflow = opened_to_rebuild(ledger)
    with progress_bar("projections", unit="cases") as progress:
        count = rebuild_projections(workflow.ledger, workflow.projector, progress=progress)
    if as_json:
        write_json({"cases": count})
    else:
        print(f"{count} cases projected again.")
