"""Dose reports from a table of an old system (CSV, XLSX) through a saved column mapping.

With `rows = "cases"` every row is one report with stated totals. With "parts" the rows of one case
(one per plane, per machine) make one report, their totals added per plane. With "events" the rows
of one case are its irradiation events. A row that cannot be used is refused; the other rows of the
same case are then refused with it, so that no case is read in part.

What identifies a report is kept as a small document of its own: the mapping and the cells read
(`row_document`). Its digest is the report's `sha256`, so the same row under the same mapping is the
same report whatever the file is called, and the report can be made again from that document alone.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from dosetrack.errors import InputError, ReportRefusedError
from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.readers.sheet import SheetForm, SheetLine, sheet_lines
from dosetrack.readers.table_cells import Row, RowValues, row_values
from dosetrack.readers.table_mapping import DoseTableMapping, mapping_from_content
from dosetrack.readers.table_report import CaseKey, case_key, has_dose, key_text, report_of_rows
from dosetrack.records.report import DoseReport

ROWS_MARK = b'{"dose table rows":1,'


@dataclass(frozen=True, slots=True)
class RefusedTableRow:
    """A row that was not used.

    column : as headed in the file, None when no one column is at fault
    found, accepted : what stands there and what may stand there
    """

    file: str
    line: int
    column: str | None
    found: str
    accepted: str

    @property
    def reason(self) -> str:
        """One sentence with the place, without the file."""
        place = f"line {self.line}, column {self.column}" if self.column else f"line {self.line}"
        return f"{place}: {self.found or 'empty'} cannot be used; accepted: {self.accepted}"


@dataclass(frozen=True, slots=True)
class TableReport:
    """One report of a table. document : the bytes it can be made from again; lines : in the file."""

    report: DoseReport
    document: bytes
    lines: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class DoseTable:
    """What a table held. sha256 : of the file's bytes."""

    file: str
    sha256: str
    reports: tuple[TableReport, ...]
    refused: tuple[RefusedTableRow, ...]
    findings: tuple[Finding, ...]


@dataclass(slots=True)
class _Group:
    """The rows of one case on their way."""

    lines: list[int] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    values: list[RowValues] = field(default_factory=list)
    fault: int | None = None  # line of a row of the case that was refused


def read_dose_table(data: bytes, *, file: str, mapping: DoseTableMapping) -> DoseTable:
    """The reports of a CSV or XLSX file.

    Raises
    ------
    ReportRefusedError
        Not a table, or one without a column that the mapping names.
    """
    form = SheetForm(mapping.encoding, mapping.delimiter, mapping.sheet, mapping.decimal)
    lines = sheet_lines(data, file=file, form=form)
    header, body = _header_and_body(lines, mapping, file=file)
    places = _places(header, mapping, file=file)
    groups: dict[CaseKey, _Group] = {}
    refused: list[RefusedTableRow] = []
    findings = _not_read(header, places, file=file)
    seen: dict[tuple[str, ...], int] = {}
    for line in body:
        first = seen.setdefault(line.cells, line.number)
        if first != line.number and mapping.rows == "cases":
            place = f"{file}, line {line.number}: "
            findings.append(finding(FindingCode.TABLE_LINE_STANDS_TWICE, place=place, first=first))
            continue
        try:
            _add(line, len(header.cells), places, mapping, groups)
        except InputError as error:
            found = repr(error.given) if error.given else ""
            refused.append(RefusedTableRow(file, line.number, error.field or None, found, error.accepted))
    reports, incomplete = _reports(groups, mapping, file=file)
    refused = sorted([*refused, *incomplete], key=lambda row: row.line)
    sha256 = hashlib.sha256(data).hexdigest()
    return DoseTable(file, sha256, tuple(reports), tuple(refused), tuple(findings))


def is_row_document(data: bytes) -> bool:
    """Whether `data` is a document of `row_document`."""
    return data.startswith(ROWS_MARK)


def report_of_document(data: bytes, *, file: str) -> DoseReport:
    """The report that `row_document` gave these bytes for.

    Raises
    ------
    ReportRefusedError
        The document was altered.
    """
    try:
        content = json.loads(data)
        mapping = mapping_from_content(content["mapping"], file=file)
        rows: list[Row] = [dict(row) for row in content["rows"]]
        return report_of_rows(
            rows, [row_values(row, mapping) for row in rows], mapping, sha256=_digest(data), file=file
        )
    except (KeyError, TypeError, ValueError) as error:
        reason = f"rows of a table that cannot be read again: {error}"
        raise ReportRefusedError(file=file, reason=reason) from None


def row_document(rows: Sequence[Row], mapping: DoseTableMapping) -> bytes:
    """The mapping and the cells read of one case, as canonical JSON."""
    text = json.dumps([dict(sorted(row.items())) for row in rows], ensure_ascii=False, separators=(",", ":"))
    return ROWS_MARK + f'"mapping":{mapping.canonical},"rows":{text}}}'.encode()


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _header_and_body(
    lines: list[SheetLine], mapping: DoseTableMapping, *, file: str
) -> tuple[SheetLine, list[SheetLine]]:
    number = mapping.header_line or lines[0].number
    for at, line in enumerate(lines):
        if line.number == number:
            return line, lines[at + 1 :]
    raise ReportRefusedError(file=file, reason=f"line {number} is empty; accepted: the line of headings")


def _places(header: SheetLine, mapping: DoseTableMapping, *, file: str) -> dict[str, int]:
    """Heading as in the mapping -> index of its column."""
    headings: dict[str, list[int]] = {}
    for index, cell in enumerate(header.cells):
        headings.setdefault(_plain(cell), []).append(index)
    places: dict[str, int] = {}
    for column in mapping.columns:
        at = headings.get(_plain(column.heading), [])
        if len(at) != 1:
            what = f"{len(at)} columns {column.heading!r}" if at else f"no column {column.heading!r}"
            found = ", ".join(repr(cell) for cell in header.cells if cell)
            reason = f"line {header.number}: {what}, which the mapping names; found: {found}; accepted: one"
            raise ReportRefusedError(file=file, reason=reason)
        places[column.heading] = at[0]
    return places


def _plain(heading: str) -> str:
    return " ".join(heading.casefold().split())


def _not_read(header: SheetLine, places: Mapping[str, int], *, file: str) -> list[Finding]:
    read = set(places.values())
    return [
        finding(FindingCode.TABLE_COLUMN_NOT_READ, file=file, column=repr(cell))
        for index, cell in enumerate(header.cells)
        if cell and index not in read
    ]


def _add(
    line: SheetLine,
    width: int,
    places: Mapping[str, int],
    mapping: DoseTableMapping,
    groups: dict[CaseKey, _Group],
) -> None:
    """Put a line into its case; a faulty one marks its case, where that can be told."""
    if len(line.cells) > width:
        given = f"{len(line.cells)} cells under {width} columns"
        accepted = "as many cells as columns; a text that holds the delimiter stands in quotes"
        raise InputError(field="", given=given, accepted=accepted)
    row = {
        heading: line.cells[index]
        for heading, index in places.items()
        if index < len(line.cells) and line.cells[index]
    }
    key = case_key(row, mapping)
    group = groups.setdefault(key, _Group())
    group.lines.append(line.number)
    try:
        values = row_values(row, mapping)
        if not has_dose(values):
            raise InputError(
                field="", given="a row without any dose or time", accepted="at least one of them"
            )
        if mapping.rows == "cases" and group.values:
            first = group.lines[0]
            given = f"{key_text(key)} again (as in line {first})"
            accepted = (
                "one row per case; where several rows make one case: rows = 'parts' in the mapping; where "
                "they are different cases: more fields in case_by"
            )
            raise InputError(field="", given=given, accepted=accepted)
    except InputError:
        group.lines.pop()
        group.fault = group.fault or line.number
        raise
    group.rows.append(row)
    group.values.append(values)


def _reports(
    groups: Mapping[CaseKey, _Group], mapping: DoseTableMapping, *, file: str
) -> tuple[list[TableReport], list[RefusedTableRow]]:
    reports: list[TableReport] = []
    refused: list[RefusedTableRow] = []
    for group in groups.values():
        if group.fault is not None:
            given = f"part of a case whose line {group.fault}"
            accepted = "cases with every row usable, so that none is read in part"
            refused += [RefusedTableRow(file, line, None, given, accepted) for line in group.lines]
            continue
        document = row_document(group.rows, mapping)
        report = report_of_rows(
            group.rows, group.values, mapping, sha256=_digest(document), file=_named(file, group.lines)
        )
        reports.append(TableReport(report, document, tuple(group.lines)))
    return reports, refused


def _named(file: str, lines: Sequence[int]) -> str:
    """How the report is called: the file and its lines."""
    if len(lines) == 1:
        return f"{file}, line {lines[0]}"
    return f"{file}, lines {lines[0]} to {lines[-1]}"
