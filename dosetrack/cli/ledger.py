"""`dosetrack ledger`: prove the ledger whole, make its projections again."""

from __future__ import annotations

import sys
from dataclasses import asdict

import typer

from dosetrack.cli._ledger_options import JsonOption, LedgerOption, opened, opened_to_read
from dosetrack.cli.json_out import write_json
from dosetrack.ledger import rebuild as rebuild_projections
from dosetrack.ledger import verify_chain

CHAIN_BROKEN = 1

group = typer.Typer(help="Prove the ledger whole; make its projections again.", no_args_is_help=True)


@group.command()
def verify(as_json: JsonOption = False, ledger: LedgerOption = None) -> None:
    """Check every entry, payload and original against the chain of digests.

    Note the head it prints somewhere outside the ledger: a tail cut off later shows against it.
    """
    workflow = opened_to_read(ledger)
    with workflow.ledger.reading() as reader:
        report = verify_chain(reader)
    if as_json:
        write_json(asdict(report))
    elif report.first_break is None:
        head = f"; head {report.head.seq} {report.head.digest}" if report.head else ""
        print(f"The chain holds: {report.entries} entries, {report.originals} originals{head}")
    if report.first_break is not None:
        at = f" at entry {report.first_break.seq}" if report.first_break.seq else ""
        print(f"The chain is broken{at}: {report.first_break.reason}", file=sys.stderr)
        raise typer.Exit(CHAIN_BROKEN)


@group.command()
def rebuild(as_json: JsonOption = False, ledger: LedgerOption = None) -> None:
    """Make every projection again from the entries and the original files."""
    workflow = opened(ledger, migrate=True)
    count = rebuild_projections(workflow.ledger, workflow.projector)
    if as_json:
        write_json({"cases": count})
    else:
        print(f"{count} cases projected again.")
