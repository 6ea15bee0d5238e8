"""Tables from old systems on the command line: the mapping's file, the dry run, the suggestion."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

import typer

from dosetrack.cli.read import NOTHING_USABLE, ReadResult
from dosetrack.errors import InputError, ReportRefusedError
from dosetrack.readers.dose_table import read_dose_table
from dosetrack.readers.table_mapping import DoseTableMapping, mapping_from_toml
from dosetrack.readers.table_suggestion import suggested_mapping
from dosetrack.records.report import RefusedFile
from dosetrack.services.files import content_of

_WRONG_USAGE = 2


def mapping_of(path: Path) -> DoseTableMapping:
    """The mapping in a file; ends the command with exit code 2 and the reason when it is none."""
    try:
        return mapping_from_toml(content_of(path), file=str(path))
    except (InputError, ReportRefusedError) as error:
        print(error, file=sys.stderr)
        raise typer.Exit(_WRONG_USAGE) from None


def read_tables(files: Iterable[Path], mapping: DoseTableMapping) -> ReadResult:
    """The reports that `files` would give, and every row refused; nothing is stored."""
    result = ReadResult()
    for path in files:
        try:
            table = read_dose_table(content_of(path), file=str(path), mapping=mapping)
        except ReportRefusedError as refused:
            result.refused.append(RefusedFile(file=refused.file, reason=refused.reason))
            continue
        result.reports.extend(found.report for found in table.reports)
        result.refused.extend(RefusedFile(file=row.file, reason=row.reason) for row in table.refused)
        for found in table.findings:
            print(f"{found.severity}: {found.text}", file=sys.stderr)
    return result


def print_suggestion(files: Iterable[Path]) -> None:
    """Print a mapping for each of `files`, to be checked by a person; ends the command."""
    code = 0
    for path in files:
        try:
            print(suggested_mapping(content_of(path), file=str(path)))
        except ReportRefusedError as refused:
            print(f"{refused.file}: {refused.reason}", file=sys.stderr)
            code = NOTHING_USABLE
    raise typer.Exit(code)
