"""A mapping guessed from the head of a table, as TOML for a person to check. Never used by itself."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from datetime import datetime

from dosetrack.errors import InputError
from dosetrack.readers.sheet import SheetForm, sheet_lines
from dosetrack.readers.table_fields import TableField, fields_for
from dosetrack.units import accepted_units, parse_quantity

_ROWS_LOOKED_AT = 50
_NAMES = {
    "accession_number": ("accession", "accession no", "acc no", "order number", "exam no", "exam id"),
    "patient_id": ("patient id", "patient", "patient no", "patient number", "mrn", "pid"),
    "patient_name": ("patient name", "name", "surname"),
    "study_instance_uid": ("study uid", "study instance uid"),
    "sex": ("sex", "gender"),
    "birth_date": ("birth date", "date of birth", "dob", "born"),
    "weight": ("weight", "body weight"),
    "height": ("height", "body height"),
    "station": ("room", "station", "lab", "machine", "system", "unit", "suite"),
    "model": ("model",),
    "manufacturer": ("manufacturer", "vendor"),
    "serial": ("serial", "serial number"),
    "institution": ("institution", "hospital", "site"),
    "procedure": ("procedure", "exam", "examination", "study description", "description", "protocol name"),
    "operators": ("operator", "operators", "physician", "performed by", "doctor", "radiologist"),
    "date": ("date", "exam date", "study date", "procedure date", "day"),
    "time": ("time", "start time", "exam time", "study time"),
    "started_at": ("start", "started", "started at", "date time", "datetime", "date and time"),
    "end_time": ("end time", "end"),
    "plane": ("plane",),
    "dose_area_product": ("dap", "kap", "pka", "dose area product", "total dap", "kerma area product"),
    "reference_air_kerma": ("kar", "ka r", "air kerma", "ak", "reference air kerma", "cumulative air kerma",
                            "total air kerma", "rak"),
    "fluoroscopy_time": ("fluoroscopy time", "fluoro time", "screening time", "fluoro", "ft"),
    "fluoroscopy_dose_area_product": ("fluoro dap", "fluoroscopy dap"),
    "fluoroscopy_reference_air_kerma": ("fluoro air kerma", "fluoroscopy air kerma"),
    "acquisition_dose_area_product": ("acquisition dap", "cine dap", "exposure dap"),
    "acquisition_reference_air_kerma": ("acquisition air kerma", "cine air kerma"),
    "acquisition_time": ("acquisition time", "cine time"),
}  # fmt: skip
_DATE_FORMATS = ("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%Y%m%d", "%Y/%m/%d", "%d.%m.%y", "%d/%m/%y")
_PLANE_WORDS = {"frontal": "a", "plane a": "a", "lateral": "b", "plane b": "b"}
_NUMBER = re.compile(r"\d{1,3}(?:([.,' ])\d{3})+(?:([.,])\d+)?|\d+(?:([.,])\d+)?")
_CLOCK = re.compile(r"\d{1,2}:\d\d(:\d\d)?")
_BRACKETED = re.compile(r"(.*?)\s*[\[(](.+?)[\])]\s*")


def suggested_mapping(data: bytes, *, file: str) -> str:
    """TOML text to be checked and completed; what was not recognised stands there as a comment.

    Raises
    ------
    ReportRefusedError
        Not a table.
    """
    lines = sheet_lines(data, file=file, form=SheetForm())
    header, rows = lines[0], [line.cells for line in lines[1 : 1 + _ROWS_LOOKED_AT]]
    columns: list[str] = []
    taken: set[tuple[str, str | None]] = set()
    numbers: list[str] = []
    days: list[Sequence[str]] = []
    for index, heading in enumerate(header.cells):
        if not heading:
            continue
        cells = [row[index] for row in rows if index < len(row) and row[index]]
        name, unit, plane = _recognised(heading, cells)
        if name is None or (name, plane) in taken:
            why = "not recognised" if name is None else f"{name} stands there already"
            columns.append(f'# {_quoted(heading)} = ""    # {why}')
            continue
        taken.add((name, plane))
        field = fields_for(of_events=False)[name]
        columns.append(f"{_quoted(heading)} = {_spec(field, unit, plane, cells)}{_example(field, cells)}")
        numbers += cells if field.quantity else []
        days += [cells] if name in ("date", "birth_date", "started_at") else []
    return "\n".join([*_head(numbers, days), "", "[columns]", *columns, "", *_CONSTANTS, ""])


_CONSTANTS = (
    "[constants]",
    '# plane = "single"      # of doses whose column does not say it: "single", "a", "b" or "all"',
    '# station = ""          # the machine, where no column tells it',
)


def _head(numbers: Sequence[str], days: Sequence[Sequence[str]]) -> list[str]:
    lines = [
        "# Guessed from the head of the table. Check every line against the old system's description,",
        "# the units above all, and compare a dry run (dosetrack read FILE --mapping THIS) with it.",
        "[table]",
        'rows = "cases"          # "cases": a row is a case; "parts": several rows are one; "events"',
        *_signs(numbers),
    ]
    fits = list(dict.fromkeys(form for cells in days for form in _formats(cells)))
    if fits:
        others = f"    # or {', '.join(map(_quoted, fits[1:]))}: not certain" if fits[1:] else ""
        lines.append(f"date_format = {_quoted(fits[0])}{others}")
    lines.append('# time_zone = "Europe/Lisbon"    # where the old system gives local times')
    return lines


def _signs(numbers: Sequence[str]) -> list[str]:
    """The decimal sign and that of thousands, where the numbers leave no doubt."""
    found = [match.groups() for text in numbers if (match := _NUMBER.fullmatch(text))]
    decimals = {part or plain for group, part, plain in found if part or plain}
    groups = {group for group, part, _ in found if group and part}
    if len(decimals) != 1 or len(groups) > 1 or decimals & groups:
        return ['decimal = "."           # not certain']
    return [
        f"decimal = {_quoted(decimals.pop())}",
        *(f"thousands = {_quoted(group)}" for group in groups),
    ]


def _recognised(heading: str, cells: Sequence[str]) -> tuple[str | None, str | None, str | None]:
    """The field a heading seems to mean, the unit and the plane it names."""
    bracketed = _BRACKETED.fullmatch(heading)
    words, unit = (bracketed.group(1), bracketed.group(2)) if bracketed else (heading, None)
    plain = " ".join(re.sub(r"[^a-z0-9]+", " ", words.lower()).split())
    plane = None
    for word, named in _PLANE_WORDS.items():
        shorter = " ".join(plain.replace(word, " ").split())
        if shorter != plain:
            plain, plane = shorter, named
    for name, names in _NAMES.items():
        if plain == name.replace("_", " ") or plain in names:
            is_clock = name == "started_at" and cells and all(_CLOCK.fullmatch(cell) for cell in cells)
            return ("time" if is_clock else name), unit, plane
    return None, unit, plane


def _spec(field: TableField, unit: str | None, plane: str | None, cells: Sequence[str]) -> str:
    if field.quantity is None:
        return _quoted(field.name)
    known = unit if unit and _is_unit(unit, field.quantity) else None
    if known is None and field.quantity == "time" and any(":" in cell for cell in cells):
        known = "h:min:s" if any(cell.count(":") == 2 for cell in cells) else "min:s"
    of_plane = f", plane = {_quoted(plane)}" if plane else ""
    note = "" if known else f"    # its unit is needed: {accepted_units(field.quantity)}"
    return f"{{ field = {_quoted(field.name)}, unit = {_quoted(known or '')}{of_plane} }}{note}"


def _is_unit(unit: str, kind: str) -> bool:
    try:
        parse_quantity("1", kind, field="unit", default_unit=unit)
    except InputError:
        return False
    return True


def _formats(cells: Sequence[str]) -> list[str]:
    """The date formats that fit every cell; none where all are ISO 8601."""
    days = [cell.split()[0] for cell in cells]
    return [form for form in _DATE_FORMATS if days and all(_fits(day, form) for day in days)]


def _fits(day: str, form: str) -> bool:
    try:
        datetime.strptime(day, form)  # noqa: DTZ007  a day
    except ValueError:
        return False
    return True


def _example(field: TableField, cells: Sequence[str]) -> str:
    """A cell to compare with, as a comment; of times and doses alone, for nobody shall be named."""
    if not cells or field.part not in ("total", "when"):
        return ""
    return f"    # e.g. {json.dumps(cells[0][:30], ensure_ascii=False)}"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
