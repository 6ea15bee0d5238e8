"""The columns of a table file of typed entries: their names, units, and one row's cells."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from dosetrack.errors import InputError, ReportRefusedError
from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.readers.sheet import SheetLine

COLUMNS: dict[str, tuple[str, ...]] = {
    "kind": ("kind", "entry", "type"),
    "patient id": ("patient id", "patient", "patient number"),
    "accession": ("accession", "accession number"),
    "case id": ("case id", "case"),
    "time": ("time", "when", "date time", "datetime"),
    "date": ("date", "day"),
    "room": ("room",),
    "operator": ("operator",),
    "weight": ("weight",),
    "height": ("height",),
    "sex": ("sex",),
    "birth date": ("birth date", "date of birth", "born"),
    "creatinine": ("creatinine", "scr", "serum creatinine"),
    "creatinine date": ("creatinine date", "creatinine on", "creatinine taken on"),
    "volume": ("volume", "contrast", "contrast volume"),
    "concentration": ("concentration", "iodine concentration"),
    "dilution": ("dilution",),
    "agent": ("agent",),
    "site": ("site", "injection site"),
    "power": ("power", "from injector", "power injector"),
    "Ka,r": ("ka,r", "kar", "ak", "air kerma", "reference air kerma"),
    "DAP": ("dap", "kap", "pka", "dose area product", "dose-area product"),
    "fluoroscopy time": ("fluoroscopy time", "fluoroscopy", "fluoro time", "screening time"),
    "plane": ("plane",),
}
_UNIT_ENDINGS = {
    "kg": "kg",
    "cm": "cm",
    "ml": "mL",
    "mgi ml": "mg/mL",
    "mg dl": "mg/dL",
    "umol l": "umol/L",
    "mgy": "mGy",
    "gycm2": "Gy.cm2",
    "s": "s",
    "min": "min",
}
_COLUMN_OF_NAME = {name: column for column, names in COLUMNS.items() for name in names}
WHO = ("patient id", "accession", "case id")
_BRACKETED = re.compile(r"(.*?)\s*[\[(](.+)[\])]\s*")


@dataclass(frozen=True, slots=True)
class Column:
    """heading : as in the file; unit : from its brackets or ending, None when it names none."""

    index: int
    heading: str
    unit: str | None


@dataclass(frozen=True, slots=True)
class Header:
    """The known columns by our names, and how many cells the header line has."""

    columns: Mapping[str, Column]
    width: int


@dataclass(frozen=True, slots=True)
class TableRow:
    """The cells of one line by our column names, and its units."""

    line: int
    cells: Mapping[str, str]
    units: Mapping[str, str | None]
    zone: ZoneInfo

    def text(self, column: str) -> str | None:
        """The cell of a column, None when it is empty or missing."""
        return self.cells.get(column) or None

    @property
    def case_key(self) -> str:
        """Whose row it is, as one text."""
        return "|".join(self.cells.get(column, "") for column in WHO)


def header_of(header: SheetLine, *, file: str) -> tuple[Header, list[Finding]]:
    """The columns of a header line, and a finding for each that is not known.

    Raises
    ------
    ReportRefusedError
        A column stands twice, or none tells whose the entries are.
    """
    columns: dict[str, Column] = {}
    findings: list[Finding] = []
    for index, heading in enumerate(header.cells):
        name, unit = _name_and_unit(heading)
        if name is None:
            if heading:
                known = ", ".join(COLUMNS)
                findings.append(
                    finding(FindingCode.ENTRY_COLUMN_UNKNOWN, file=file, column=heading, known=known)
                )
        elif name in columns:
            reason = (
                f"line {header.number}: two columns for {name}, {columns[name].heading!r} and {heading!r}"
            )
            raise ReportRefusedError(file=file, reason=f"{reason}; accepted: one")
        else:
            columns[name] = Column(index, heading, unit)
    if not any(column in columns for column in WHO):
        reason = (
            f"line {header.number} has no column {', '.join(WHO)}; accepted columns: {', '.join(COLUMNS)}"
        )
        raise ReportRefusedError(file=file, reason=reason)
    return Header(columns, len(header.cells)), findings


def _name_and_unit(heading: str) -> tuple[str | None, str | None]:
    """Our name of a heading, None when unknown, and the unit it names.

    >>> _name_and_unit("Creatinine [µmol/L]")
    ('creatinine', 'µmol/L')
    >>> _name_and_unit("weight_kg")
    ('weight', 'kg')
    """
    bracketed = _BRACKETED.fullmatch(heading)
    words, unit = (bracketed.group(1), bracketed.group(2).strip()) if bracketed else (heading, None)
    name = " ".join(words.lower().replace("_", " ").split())
    if name in _COLUMN_OF_NAME:
        return _COLUMN_OF_NAME[name], unit
    for ending, meant in _UNIT_ENDINGS.items():
        plain = name.removesuffix(f" {ending}")
        if plain != name and plain in _COLUMN_OF_NAME:
            return _COLUMN_OF_NAME[plain], unit or meant
    return None, None


def row_of(line: SheetLine, header: Header, *, zone: ZoneInfo) -> TableRow:
    """The cells of a line under their columns.

    Raises
    ------
    InputError
        More cells than columns, or nobody named; its `field` is one of our column names, or ''.
    """
    if len(line.cells) > header.width:
        raise InputError(
            field="",
            given=f"{len(line.cells)} cells under {header.width} columns",
            accepted='as many cells as columns; a decimal comma between commas needs quotes: "1,2"',
        )
    columns = header.columns
    cells = {
        name: line.cells[column.index] for name, column in columns.items() if column.index < len(line.cells)
    }
    row = TableRow(line.number, cells, {name: column.unit for name, column in columns.items()}, zone)
    if not any(row.text(column) for column in WHO):
        raise InputError(field="", given="nobody named", accepted=f"one of {', '.join(WHO)}")
    return row
