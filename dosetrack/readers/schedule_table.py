"""A schedule typed into a table file: one row per procedure that is planned.

Columns, in any order; spelling is free in case, blanks and underscores:

======================  ========================================================================
patient id              needed; beside it issuer, name, birth date, sex, weight, height
date, time              or both in one column 'date and time'; with or without offset
room                    empty: whichever room takes it
procedure, accession    as ordered
operators               several separated by ; or /
step                    what names the row at its source, where there is such a name
study                   Study Instance UID
status                  'cancelled' takes the procedure back
======================  ========================================================================

A day may be written 2026-03-02, 20260302, 02.03.2026 or 02/03/2026; of the last the order is found
from the other rows, and a row is refused where nothing tells. A row that cannot be used is refused
whole, naming line and column; the others go on.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dosetrack.entry import patient_size_from_text, sex_from_text
from dosetrack.errors import InputError, ReportRefusedError
from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.readers.sheet import SheetLine, sheet_lines
from dosetrack.readers.written_days import (
    DayOrder,
    day_from_text,
    day_order_of,
    moment_from_text,
    time_from_text,
)
from dosetrack.records.entries import ProcedureScheduled
from dosetrack.records.report import Patient

COLUMNS: dict[str, tuple[str, ...]] = {
    "patient id": ("patient id", "patient number", "patient", "id", "mrn", "hospital number"),
    "issuer": ("issuer", "patient id issuer", "issuer of patient id", "assigning authority"),
    "name": ("name", "patient name"),
    "birth date": ("birth date", "date of birth", "born", "dob"),
    "sex": ("sex", "gender"),
    "weight": ("weight",),
    "height": ("height",),
    "date and time": ("date and time", "date time", "datetime", "scheduled at", "scheduled", "start"),
    "date": ("date", "day", "scheduled date", "start date"),
    "time": ("time", "scheduled time", "start time", "hour"),
    "room": ("room", "lab", "suite", "location"),
    "procedure": ("procedure", "examination", "exam", "description", "procedure description"),
    "accession": ("accession", "accession number", "accession no", "order", "order number"),
    "operators": ("operators", "operator", "physician", "performing physician"),
    "step": ("step", "step id", "scheduled step", "scheduled procedure step id", "key"),
    "study": ("study", "study uid", "study instance uid"),
    "status": ("status", "state"),
}
_COLUMN_OF_NAME = {name: column for column, names in COLUMNS.items() for name in names}
_UNIT = re.compile(r"(.*?)\s*(?:[\[(](.+)[\])]|[ _](kg|cm))\s*", re.IGNORECASE)
_CANCELLED = frozenset({"cancelled", "canceled", "withdrawn", "discontinued"})
_SEPARATOR = re.compile(r"\s*[;/]\s*")
Cells = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class RefusedLine:
    """A row that was not used. column : as headed in the file; None when no one column is at fault."""

    line: int
    column: str | None
    reason: str

    def __str__(self) -> str:
        place = f"line {self.line}, column {self.column}" if self.column else f"line {self.line}"
        return f"{place}: {self.reason}"


@dataclass(frozen=True, slots=True)
class ScheduleTable:
    """What a file tells. cancelled : keys of procedures that its rows take back."""

    procedures: tuple[ProcedureScheduled, ...]
    cancelled: tuple[str, ...] = ()
    refused: tuple[RefusedLine, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class _Heading:
    index: int
    text: str
    unit: str | None


def read_schedule_table(data: bytes, *, file: str) -> ScheduleTable:
    """The planned procedures of a CSV or XLSX file.

    Raises
    ------
    ReportRefusedError
        The file is no table, or has no column for the patient or for the day.
    """
    lines = sheet_lines(data, file=file)
    headings, findings = _headings(lines[0], file=file)
    rows = [(line.number, _cells(line, headings)) for line in lines[1:]]
    orders = {
        name: day_order_of(cells.get(name, "") for _, cells in rows)
        for name in ("date", "date and time", "birth date")
    }
    found: dict[str, ProcedureScheduled] = {}
    cancelled: dict[str, None] = {}
    refused: list[RefusedLine] = []
    lines_of: dict[str, int] = {}
    for number, cells in rows:
        try:
            procedure = _procedure(cells, headings, orders, source=file)
        except InputError as error:
            heading = headings.get(error.field)
            reason = f"{str(error.given)!r} cannot be used; accepted: {error.accepted}"
            refused.append(RefusedLine(number, heading.text if heading else None, reason))
            continue
        if procedure.key in lines_of:
            reason = f"the same procedure ({procedure.key}) as line {lines_of[procedure.key]}, which was used"
            refused.append(RefusedLine(number, None, reason))
            continue
        lines_of[procedure.key] = number
        if cells.get("status", "").lower() in _CANCELLED:
            cancelled[procedure.key] = None
        else:
            found[procedure.key] = procedure
    return ScheduleTable(tuple(found.values()), tuple(cancelled), tuple(refused), tuple(findings))


def _headings(line: SheetLine, *, file: str) -> tuple[dict[str, _Heading], list[Finding]]:
    found: dict[str, _Heading] = {}
    findings: list[Finding] = []
    known = ", ".join(COLUMNS)
    for index, text in enumerate(line.cells):
        name, unit = _name_and_unit(text)
        if name is None:
            if text:
                findings.append(
                    finding(FindingCode.ENTRY_COLUMN_UNKNOWN, file=file, column=text, known=known)
                )
        elif name in found:
            reason = f"line {line.number}: two columns for {name}, {found[name].text!r} and {text!r}"
            raise ReportRefusedError(file=file, reason=f"{reason}; accepted: one")
        else:
            found[name] = _Heading(index, text, unit)
    has_day = "date" in found or "date and time" in found
    if "patient id" not in found or not has_day:
        missing = "patient id" if "patient id" not in found else "date"
        reason = f"line {line.number} has no column {missing!r}; accepted columns: {known}"
        raise ReportRefusedError(file=file, reason=reason)
    return found, findings


def _name_and_unit(heading: str) -> tuple[str | None, str | None]:
    """Our name of a heading, None when unknown, and the unit it names.

    >>> _name_and_unit("Weight [kg]")
    ('weight', 'kg')
    """
    name = _plain(heading)
    if name in _COLUMN_OF_NAME:
        return _COLUMN_OF_NAME[name], None
    parted = _UNIT.fullmatch(heading)
    if parted is None:
        return None, None
    return _COLUMN_OF_NAME.get(_plain(parted.group(1))), (parted.group(2) or parted.group(3)).strip()


def _plain(heading: str) -> str:
    return " ".join(heading.lower().replace("_", " ").split())


def _cells(line: SheetLine, headings: Mapping[str, _Heading]) -> dict[str, str]:
    cells = {
        name: line.cells[heading.index]
        for name, heading in headings.items()
        if heading.index < len(line.cells)
    }
    return {name: text for name, text in cells.items() if text}


def _procedure(
    cells: Cells, headings: Mapping[str, _Heading], orders: Mapping[str, DayOrder], *, source: str
) -> ProcedureScheduled:
    if "patient id" not in cells:
        raise InputError(field="patient id", given="", accepted="the patient's number")
    patient = _patient(cells, headings, orders["birth date"])
    at = _scheduled_at(cells, orders)
    accession, step = cells.get("accession"), cells.get("step")
    return ProcedureScheduled(
        key=key_of(patient, at, accession=accession, step=step, procedure=cells.get("procedure")),
        patient=patient,
        scheduled_at=at,
        room=cells.get("room"),
        procedure=cells.get("procedure"),
        operators=_people(cells.get("operators", "")),
        accession_number=accession,
        study_instance_uid=cells.get("study"),
        source=source,
    )


def key_of(
    patient: Patient, at: str | None, *, accession: str | None, step: str | None, procedure: str | None
) -> str:
    """What names a planned procedure from one sending to the next.

    Step ids begin anew for each order at some places, so the accession number stands before them.

    >>> key_of(Patient(id="P1"), "2026-03-02T08:30:00", accession="A-1", step="1", procedure=None)
    'A-1/1'
    """
    told = [part for part in (accession, step) if part]
    if told:
        return "/".join(told)
    return " ".join(part for part in (patient.id, (at or "")[:10], procedure) if part)


def _patient(cells: Cells, headings: Mapping[str, _Heading], order: DayOrder) -> Patient:
    born = cells.get("birth date")
    units = {name: heading.unit for name, heading in headings.items()}
    weight = patient_size_from_text(weight=cells.get("weight"), weight_unit=units.get("weight"))
    height = patient_size_from_text(height=cells.get("height"), height_unit=units.get("height"))
    return Patient(
        id=cells["patient id"],
        id_issuer=cells.get("issuer"),
        name=cells.get("name"),
        sex=sex_from_text(cells.get("sex")),
        birth_date=day_from_text(born, order, field="birth date").isoformat() if born else None,
        weight_kg=weight.value.weight_kg,
        height_cm=height.value.height_cm,
    )


def _scheduled_at(cells: Cells, orders: Mapping[str, DayOrder]) -> str:
    whole, day, clock = cells.get("date and time"), cells.get("date"), cells.get("time")
    if whole is not None:
        return moment_from_text(whole, orders["date and time"], field="date and time")
    if day is None:
        raise InputError(field="date", given="", accepted="the day it is planned for")
    if clock is None:
        return moment_from_text(day, orders["date"], field="date")
    found = day_from_text(day, orders["date"], field="date")
    return f"{found.isoformat()}T{time_from_text(clock, field='time')}"


def _people(text: str) -> tuple[str, ...]:
    names: Sequence[str] = _SEPARATOR.split(text.strip())
    return tuple(name for name in names if name)
