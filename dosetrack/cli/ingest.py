"""`dosetrack ingest`: take dose reports and tables of typed entries into the ledger."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from dosetrack.cli._ledger_options import (
    NOTHING_USABLE,
    ActorOption,
    JsonOption,
    LedgerOption,
    actor_named,
    fail,
    opened,
)
from dosetrack.cli._progress import progress_bar, step_bars
from dosetrack.cli.json_out import write_json
from dosetrack.cli.mapped_tables import mapping_of
from dosetrack.services.follow_up_settle import settle_maps
from dosetrack.services.ingest import ingest as ingest_files
from dosetrack.workflow import IngestResult

SOME_REFUSED = 1
INTERRUPTED = 130


def ingest(
    paths: Annotated[
        list[Path],
        typer.Argument(readable=False, help="Files and folders; folders are walked.", metavar="PATH..."),
    ],
    as_json: JsonOption = False,
    ledger: LedgerOption = None,
    actor: ActorOption = None,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Processes that read files; default: one per core.")
    ] = None,
    mapping: Annotated[
        Path | None,
        typer.Option(metavar="MAP.toml", help="Tables are of an old system, read through this mapping."),
    ] = None,
) -> None:
    """Take dose reports (DICOM) and typed entries (CSV, XLSX) into the ledger, each once.

    Started again after an interruption it goes on where it was. A file that cannot be used is
    named with the reason; the rest goes on.
    """
    table_mapping = mapping_of(mapping) if mapping is not None else None
    workflow = opened(ledger, create=True)
    try:
        with step_bars("reading") as progress:
            result = ingest_files(
                workflow,
                paths,
                actor=actor_named(actor),
                mapping=table_mapping,
                progress=progress,
                workers=workers,
            )
        with progress_bar("skin dose for follow-up", unit="cases") as progress_of_maps:
            settle_maps(workflow, result.cases, progress=progress_of_maps, workers=workers)
    except KeyboardInterrupt:
        fail("Interrupted. What was taken in stays; the same command goes on from there.", INTERRUPTED)
    if not (result.refused or _is_something_used(result)):
        print("Nothing added: no file with anything to take in was found.", file=sys.stderr)
    for refused in result.refused:
        print(f"{refused.file}: {refused.reason}", file=sys.stderr)
    if as_json:
        write_json(document(result))
    else:
        print(
            f"{result.added} reports added, {result.already_held} held already, "
            f"{result.entries_added} typed entries, {len(result.refused)} files refused, "
            f"{len(result.cases)} cases touched."
        )
    raise typer.Exit(_exit_code(result))


def document(result: IngestResult) -> dict[str, object]:
    """The JSON document of the command."""
    return {
        "added": result.added,
        "already_held": result.already_held,
        "entries_added": result.entries_added,
        "refused": [asdict(refused) for refused in result.refused],
        "cases": list(result.cases),
    }


def _exit_code(result: IngestResult) -> int:
    if not result.refused:
        return 0
    return SOME_REFUSED if _is_something_used(result) else NOTHING_USABLE


def _is_something_used(result: IngestResult) -> bool:
    return bool(result.added or result.already_held or result.entries_added)
