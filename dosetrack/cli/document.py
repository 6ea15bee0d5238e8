"""`dosetrack document`: the papers of one case, as PDF and as plain text."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from dosetrack.cli._ledger_options import (
    NOTHING_USABLE,
    WRONG_USAGE,
    JsonOption,
    LedgerOption,
    fail,
    opened_to_read,
)
from dosetrack.cli.json_out import write_json
from dosetrack.errors import UnknownCaseError
from dosetrack.reports.kinds import DocumentKind


def document(
    case_id: Annotated[str, typer.Argument(metavar="ID", help="Id of the case, as `cases` lists it.")],
    kind: Annotated[DocumentKind, typer.Option("--kind", help="Which paper.")],
    pdf: Annotated[Path | None, typer.Option("--pdf", metavar="FILE.pdf", help="Write it as PDF.")] = None,
    as_text: Annotated[
        bool,
        typer.Option("--text", help="Write it as plain text to standard output; so it is without --pdf."),
    ] = False,
    as_json: JsonOption = False,
    ledger: LedgerOption = None,
) -> None:
    """Write a paper of one case: for the record, the patient, the family doctor, the physicist or the peers.

    Exit code 0: done; 2: an option cannot be used, or the file cannot be written; 3: there is no such case.
    """
    from dosetrack.reports.case_documents import case_document, case_pdf  # the libraries of paper
    from dosetrack.reports.plain_text import text_of

    try:
        facts = opened_to_read(ledger).case_document(case_id)
    except UnknownCaseError as error:
        fail(str(error), NOTHING_USABLE)
    made = case_document(facts, kind)
    if pdf is not None:
        try:
            pdf.write_bytes(case_pdf(facts, kind))
        except OSError as error:
            fail(f"{pdf} cannot be written: {error.strerror or error}", WRONG_USAGE)
        print(f"{made.title}: {pdf}", file=sys.stderr)
    if as_json:
        write_json(
            {
                "case": case_id,
                "kind": kind.value,
                "title": made.title,
                "text": text_of(made),
                "pdf": None if pdf is None else str(pdf),
                "cautions": list(made.cautions),
            }
        )
    elif as_text or pdf is None:
        print(text_of(made), end="")
