"""Entries typed into a table file: one row per entry, units in the header or beside the value.

Columns, in any order; spelling is free in case, blanks and underscores, and a unit may stand in
brackets behind the name, e.g. ``creatinine [µmol/L]``:

=====================  =========================================================================
kind                   'injection', 'reading', 'creatinine', 'size'; without it a row gives every
                       entry its filled columns speak of
patient id             or accession, or case id: at least one must be filled
time                   2026-03-02T10:41, with or without offset; or 10:41 beside a column date.
                       Needed for injections and readings
date, room, operator   optional
weight, height         with units
sex, birth date        F, M, O; YYYY-MM-DD
creatinine             with unit
creatinine date        YYYY-MM-DD
volume                 of one injection, with unit
concentration          of the undiluted product; a bare number is mg I/mL
dilution               '1:1', '50 %', 'half-strength'
agent, site            'iodinated', 'CO2' ...; 'first-pass', 'coronary' ...
power                  'yes' where a power injector gave it
Ka,r, DAP, fluoroscopy cumulative console reading of one plane, with units; time as minutes:seconds too
plane                  single, A, B
=====================  =========================================================================

A decimal comma is read as one. A row that cannot be used is refused whole, naming line and column;
the others go on.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from dosetrack.entry import (
    Question,
    Typed,
    check_reading,
    creatinine_from_text,
    injection_from_text,
    patient_size_from_text,
    reading_from_text,
)
from dosetrack.errors import InputError
from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.readers.entry_columns import Header, TableRow, header_of, row_of
from dosetrack.readers.sheet import SheetLine, sheet_lines
from dosetrack.records.entries import Agent, ConsoleReading, Creatinine, Injection, PatientSize
from dosetrack.times import Instant, instant_of

TypedPayload = Injection | ConsoleReading | Creatinine | PatientSize

_COLUMN_OF_FIELD = {
    "reference air kerma": "Ka,r",
    "dose-area product": "DAP",
    "injection site": "site",
    "date of creatinine": "creatinine date",
    "contrast of this case": "volume",
    "weight and height": "weight",
}
_KINDS = {
    "injection": "injection",
    "contrast": "injection",
    "reading": "reading",
    "console reading": "reading",
    "console-reading": "reading",
    "creatinine": "creatinine",
    "size": "size",
    "patient size": "size",
    "patient-size": "size",
}
_TRIGGERS = {
    "size": ("weight", "height", "sex", "birth date"),
    "creatinine": ("creatinine",),
    "injection": ("volume",),
    "reading": ("Ka,r", "DAP", "fluoroscopy time"),
}
_CLOCK_ONLY = re.compile(r"\d{1,2}:\d{2}(:\d{2})?")
_TIME_ACCEPTED = "a day and time such as 2026-03-02T10:41, or 10:41 beside a column 'date'"


@dataclass(frozen=True, slots=True)
class TableEntry:
    """One entry of the file.

    payload : as for the ledger
    at : instant in UTC; None where none was given and none is needed
    at_text : the time as typed
    line : in the file, counted from 1
    questions : what a person should be asked before it counts
    """

    payload: TypedPayload
    at: datetime | None
    at_text: str | None
    patient_id: str | None
    accession_number: str | None
    case_id: str | None
    room: str | None
    operator: str | None
    line: int
    questions: tuple[Question, ...] = ()


@dataclass(frozen=True, slots=True)
class RefusedRow:
    """A row that was not used. column : as headed in the file; None when no one column is at fault."""

    file: str
    line: int
    column: str | None
    reason: str

    def __str__(self) -> str:
        place = f"{self.file}, line {self.line}"
        return f"{place}, column {self.column}: {self.reason}" if self.column else f"{place}: {self.reason}"


@dataclass(frozen=True, slots=True)
class EntryTable:
    """What a table file held."""

    file: str
    entries: tuple[TableEntry, ...]
    refused: tuple[RefusedRow, ...]
    findings: tuple[Finding, ...]


@dataclass(slots=True)
class _Memory:
    """What earlier rows of the file said, by case."""

    given_ml: dict[str, float] = field(default_factory=dict)
    creatinine: dict[str, Creatinine] = field(default_factory=dict)
    seen: dict[TableEntry, int] = field(default_factory=dict)


def read_entry_table(data: bytes, *, file: str, zone: ZoneInfo) -> EntryTable:
    """The entries of a CSV or XLSX file; see the module for its columns.

    Parameters
    ----------
    file : name for messages
    zone : of times without an offset

    Raises
    ------
    ReportRefusedError
        Not a table, or one without a column that tells whose the entries are.
    """
    lines = sheet_lines(data, file=file)
    header, findings = header_of(lines[0], file=file)
    entries: list[TableEntry] = []
    refused: list[RefusedRow] = []
    memory = _Memory()
    for line in lines[1:]:
        try:
            found, said = _entries_of(line, header, zone=zone, file=file, memory=memory)
        except InputError as error:
            refused.append(_refused(error, line, header, file=file))
        else:
            entries += found
            findings += said
    entries, asked = _readings_checked(entries, file=file)
    return EntryTable(file, tuple(entries), tuple(refused), (*findings, *asked))


def _refused(error: InputError, line: SheetLine, header: Header, *, file: str) -> RefusedRow:
    """The row under its heading as the file has it."""
    column = _COLUMN_OF_FIELD.get(error.field, error.field)
    heading = header.columns[column].heading if column in header.columns else column or None
    found = f"{error.given!r} cannot be used" if error.given else "empty"
    return RefusedRow(file, line.number, heading, f"{found}; accepted: {error.accepted}")


def _entries_of(
    line: SheetLine, header: Header, *, zone: ZoneInfo, file: str, memory: _Memory
) -> tuple[list[TableEntry], list[Finding]]:
    """The entries of one line and what to say of them; a line is used whole or not at all."""
    row = row_of(line, header, zone=zone)
    instant, at_text = _time_of(row)
    place = f"{file}, line {line.number}: "
    entries: list[TableEntry] = []
    findings: list[Finding] = []
    for kind in _kinds_of(row):
        if instant is None and kind in ("injection", "reading"):
            raise InputError(field="time", given="", accepted=_TIME_ACCEPTED)
        typed = _typed(kind, row, instant=instant, memory=memory)
        findings += typed.all_findings(place=place)
        entries.append(
            TableEntry(
                payload=typed.value,
                at=instant.utc if instant else None,
                at_text=at_text,
                patient_id=row.text("patient id"),
                accession_number=row.text("accession"),
                case_id=row.text("case id"),
                room=row.text("room"),
                operator=row.text("operator"),
                line=line.number,
                questions=typed.questions,
            )
        )
    if instant is not None and instant.is_ambiguous:
        findings.append(finding(FindingCode.TIME_OCCURS_TWICE, time=at_text, zone=row.zone.key))
    for entry in entries:
        findings += _twice(entry, place, memory)
        _remember(row, entry, memory)
    return entries, findings


def _kinds_of(row: TableRow) -> tuple[str, ...]:
    named = (row.text("kind") or "").strip().lower()
    filled = tuple(kind for kind, cells in _TRIGGERS.items() if any(row.text(cell) for cell in cells))
    if not named:
        if not filled:
            raise InputError(field="", given="", accepted="a volume, reading, creatinine or size")
        return filled
    if named not in _KINDS:
        raise InputError(field="kind", given=named, accepted="injection, reading, creatinine, size")
    kind = _KINDS[named]
    if kind not in filled:
        needed = " or ".join(_TRIGGERS[kind])
        raise InputError(field=_TRIGGERS[kind][0], given="", accepted=f"for {kind}: {needed}")
    return (kind,)


def _typed(kind: str, row: TableRow, *, instant: Instant | None, memory: _Memory) -> Typed[TypedPayload]:
    on = None if instant is None else instant.utc.astimezone(row.zone).date()
    if kind == "size":
        return _widened(_size(row, on))
    if kind == "creatinine":
        return _widened(_creatinine(row, on, memory))
    if kind == "injection":
        return _widened(_injection(row, memory))
    return _widened(_reading(row))


def _widened(
    typed: Typed[Injection] | Typed[ConsoleReading] | Typed[Creatinine] | Typed[PatientSize],
) -> Typed[TypedPayload]:
    return Typed(typed.value, typed.findings, typed.questions)


def _size(row: TableRow, on: date | None) -> Typed[PatientSize]:
    return patient_size_from_text(
        weight=row.text("weight"),
        height=row.text("height"),
        sex=row.text("sex"),
        birth_date=row.text("birth date"),
        on=on,
        weight_unit=row.units.get("weight"),
        height_unit=row.units.get("height"),
    )


def _creatinine(row: TableRow, on: date | None, memory: _Memory) -> Typed[Creatinine]:
    return creatinine_from_text(
        row.cells["creatinine"],
        taken_on=row.text("creatinine date"),
        on=on,
        default_unit=row.units.get("creatinine"),
        previous=memory.creatinine.get(row.case_key),
    )


def _injection(row: TableRow, memory: _Memory) -> Typed[Injection]:
    concentration, unit = row.text("concentration"), row.units.get("concentration")
    if concentration is not None and unit is not None and re.fullmatch(r"[\d.,]+", concentration):
        concentration = f"{concentration} {unit}"
    return injection_from_text(
        row.cells["volume"],
        concentration=concentration,
        dilution=row.text("dilution"),
        agent=row.text("agent"),
        site=row.text("site"),
        from_injector=_yes(row, "power"),
        volume_unit=row.units.get("volume"),
        given_so_far_ml=memory.given_ml.get(row.case_key, 0.0),
    )


def _reading(row: TableRow) -> Typed[ConsoleReading]:
    return reading_from_text(
        plane=row.text("plane"),
        reference_air_kerma=row.text("Ka,r"),
        dose_area_product=row.text("DAP"),
        fluoroscopy_time=row.text("fluoroscopy time"),
        reference_air_kerma_unit=row.units.get("Ka,r"),
        dose_area_product_unit=row.units.get("DAP"),
        fluoroscopy_time_unit=row.units.get("fluoroscopy time"),
    )


def _yes(row: TableRow, column: str) -> bool:
    text = (row.text(column) or "no").lower()
    if text not in ("yes", "no", "y", "n", "1", "0", "true", "false"):
        raise InputError(field=column, given=text, accepted="yes or no")
    return text in ("yes", "y", "1", "true")


def _time_of(row: TableRow) -> tuple[Instant | None, str | None]:
    """The instant of a row and its text; (None, None) where no time is given."""
    day, moment = row.text("date"), row.text("time")
    if moment is None:
        return None, None
    text = moment
    if _CLOCK_ONLY.fullmatch(moment):
        if day is None:
            raise InputError(field="time", given=moment, accepted=_TIME_ACCEPTED)
        text = f"{day}T{moment.zfill(len('00:00') if moment.count(':') == 1 else len('00:00:00'))}"
    instant = instant_of(text, row.zone) if len(text) > len("2026-03-02") else None
    if instant is None:
        raise InputError(field="time", given=text, accepted=_TIME_ACCEPTED)
    return instant, text


def _twice(entry: TableEntry, place: str, memory: _Memory) -> tuple[Finding, ...]:
    same = replace(entry, line=0, questions=())
    first = memory.seen.setdefault(same, entry.line)
    if first == entry.line:
        return ()
    return (finding(FindingCode.ENTRY_STANDS_TWICE, place=place, first=first),)


def _remember(row: TableRow, entry: TableEntry, memory: _Memory) -> None:
    payload = entry.payload
    if isinstance(payload, Injection) and payload.agent is Agent.IODINATED:
        memory.given_ml[row.case_key] = memory.given_ml.get(row.case_key, 0.0) + payload.volume_ml
    elif isinstance(payload, Creatinine):
        memory.creatinine[row.case_key] = payload


def _readings_checked(
    entries: list[TableEntry], *, file: str
) -> tuple[list[TableEntry], tuple[Finding, ...]]:
    """The entries with the question a reading lower than the one before raises, in order of time.

    A first reading is not asked about: a file often holds one final reading per case.
    """
    before: dict[tuple[str | None, ...], list[ConsoleReading]] = {}
    asked: dict[int, tuple[Question, ...]] = {}
    findings: list[Finding] = []
    timed = [(entry.at, index, entry) for index, entry in enumerate(entries) if entry.at is not None]
    for _, index, entry in sorted(timed, key=lambda one: (one[0], one[1])):
        if not isinstance(entry.payload, ConsoleReading):
            continue
        who = (entry.patient_id, entry.accession_number, entry.case_id, entry.room, entry.payload.plane)
        earlier = before.setdefault(who, [])
        if earlier:
            asked[index] = check_reading(earlier, entry.payload)
            place = f"{file}, line {entry.line}: "
            findings += Typed(entry.payload, questions=asked[index]).all_findings(place=place)
        earlier.append(entry.payload)
    checked = [
        replace(entry, questions=(*entry.questions, *asked.get(index, ())))
        for index, entry in enumerate(entries)
    ]
    return checked, tuple(findings)
