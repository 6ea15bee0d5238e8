"""The saved mapping of a table from an old system: which column is what, and how it is written.

A TOML file with three parts, `[table]`, `[columns]` and `[constants]`; README.md describes each key.
Nothing is guessed from it: an unknown key, a field that does not exist or a number without a unit
is refused before any row is read.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, cast, get_args

from dosetrack.errors import InputError
from dosetrack.readers.table_fields import TableField, fields_for
from dosetrack.times import zone_named
from dosetrack.units import accepted_units, parse_quantity

Rows = Literal["cases", "parts", "events"]
PLANES = ("single", "a", "b", "all")
IN_CELL, MINUTES_SECONDS, HOURS_MINUTES_SECONDS = "in cell", "min:s", "h:min:s"
_TABLE_KEYS = {
    "rows": "cases",
    "decimal": ".",
    "thousands": "",
    "date_format": "",
    "time_format": "",
    "time_zone": "",
    "encoding": "",
    "delimiter": "",
    "sheet": "",
    "missing": ["", "-", "n/a"],
    "case_by": [],
    "header_line": 0,
}
_OF_THE_FILE = ("encoding", "delimiter", "sheet", "header_line")
_COLUMN_KEYS = ("field", "unit", "plane", "values", "missing", "separator")


@dataclass(frozen=True, slots=True)
class ColumnMapping:
    """One column: heading as in the file, the field it fills, and how its cells are written.

    unit : of a bare number; 'in cell', 'min:s' and 'h:min:s' as in README.md
    values : what stands in the file -> what it means
    missing : texts that say 'not known', besides those of the table
    """

    heading: str
    field: TableField
    unit: str | None = None
    plane: str | None = None
    values: Mapping[str, str] | None = None
    missing: tuple[str, ...] = ()
    separator: str = ";"


@dataclass(frozen=True, slots=True)
class DoseTableMapping:
    """A mapping that was checked.

    columns : by heading as written in the mapping
    constants : field name -> text, for what the table does not tell because it is always the same
    canonical : what the cells mean, as canonical JSON; equal mappings have equal text
    """

    rows: Rows
    columns: tuple[ColumnMapping, ...]
    constants: Mapping[str, str]
    decimal: str
    thousands: str
    date_format: str
    time_format: str
    time_zone: str
    encoding: str
    delimiter: str
    sheet: str
    header_line: int
    missing: tuple[str, ...]
    case_by: tuple[str, ...]
    canonical: str

    @property
    def of_events(self) -> bool:
        """Whether each row is an irradiation event."""
        return self.rows == "events"


def mapping_from_toml(data: bytes, *, file: str) -> DoseTableMapping:
    """The mapping in the bytes of a TOML file.

    Raises
    ------
    InputError
        Its `field` names the file and the key; `accepted` says what may stand there.
    """
    try:
        content = tomllib.loads(data.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(field=file, given=str(error), accepted="a TOML file in UTF-8") from None
    return mapping_from_content(content, file=file)


def mapping_from_content(content: Mapping[str, Any], *, file: str) -> DoseTableMapping:
    """The mapping that `content` (of a TOML file, or of canonical JSON) describes."""
    _known_keys(content, ("table", "columns", "constants"), place=file)
    table = _section(content, "table", file=file)
    _known_keys(table, tuple(_TABLE_KEYS), place=f"{file}, [table]")
    settings = {key: table.get(key, default) for key, default in _TABLE_KEYS.items()}
    for key, default in _TABLE_KEYS.items():
        _of_type(settings[key], type(default), place=f"{file}, [table] {key}")
    rows = _one_of(settings["rows"], get_args(Rows), place=f"{file}, [table] rows")
    known = fields_for(of_events=rows == "events")
    columns = tuple(
        _column(heading, spec, known, place=f"{file}, [columns] {heading!r}")
        for heading, spec in _section(content, "columns", file=file).items()
    )
    constants = _section(content, "constants", file=file)
    _check_settings(settings, known, place=f"{file}, [table]")
    _check_constants(constants, known, place=f"{file}, [constants]")
    _check_planes(rows, columns, constants, file=file)
    return DoseTableMapping(
        rows=cast(Rows, rows),
        columns=columns,
        constants=dict(constants),
        canonical=_canonical(settings, content),
        missing=tuple(settings.pop("missing")),
        case_by=tuple(settings.pop("case_by")),
        **{key: value for key, value in settings.items() if key != "rows"},
    )


def _canonical(settings: Mapping[str, Any], content: Mapping[str, Any]) -> str:
    """What the cells mean, defaults written out; how the file itself is written stays out of it."""
    meant = {
        "table": {key: value for key, value in settings.items() if key not in _OF_THE_FILE},
        "columns": content["columns"],
        "constants": content.get("constants", {}),
    }
    return json.dumps(meant, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def _section(content: Mapping[str, Any], name: str, *, file: str) -> Mapping[str, Any]:
    found = content.get(name, {})
    if not isinstance(found, Mapping) or (name == "columns" and not found):
        raise InputError(field=f"{file}, [{name}]", given=found, accepted=f"a part [{name}] with keys")
    return found


def _known_keys(content: Mapping[str, Any], known: tuple[str, ...], *, place: str) -> None:
    for key in content:
        if key not in known:
            raise InputError(field=place, given=key, accepted=f"the keys {', '.join(known)}")


def _of_type(value: object, kind: type, *, place: str) -> None:
    is_right = type(value) is kind
    if is_right and isinstance(value, list):
        is_right = all(isinstance(item, str) for item in value)
    if not is_right:
        words = {str: "a text in quotes", list: "a list of texts", int: "a whole number", dict: "a table"}
        raise InputError(field=place, given=value, accepted=words[kind])


def _one_of(value: object, accepted: tuple[str, ...], *, place: str) -> str:
    if value not in accepted:
        raise InputError(field=place, given=value, accepted=f"one of {', '.join(map(repr, accepted))}")
    return str(value)


def _column(heading: str, spec: object, known: Mapping[str, TableField], *, place: str) -> ColumnMapping:
    """`spec` is a table of keys, or just the name of a field."""
    keys = {"field": spec} if isinstance(spec, str) else spec
    if not isinstance(keys, Mapping):
        raise InputError(field=place, given=spec, accepted="a field, or a table with 'field'")
    _known_keys(keys, _COLUMN_KEYS, place=place)
    for key, kind in (("unit", str), ("plane", str), ("separator", str), ("missing", list), ("values", dict)):
        if key in keys:
            _of_type(keys[key], kind, place=f"{place} {key}")
    name = keys.get("field")
    if not isinstance(name, str) or name not in known:
        raise InputError(field=f"{place} field", given=name, accepted=f"one of {', '.join(sorted(known))}")
    field = known[name]
    values = keys.get("values")
    for given, meant in (values or {}).items():
        _of_type(meant, str, place=f"{place} values {given!r}")
    _check_unit(keys.get("unit"), field, place=f"{place} unit")
    if keys.get("plane") is not None:
        _one_of(keys["plane"], PLANES, place=f"{place} plane")
    return ColumnMapping(
        heading=heading,
        field=field,
        unit=keys.get("unit"),
        plane=keys.get("plane"),
        values=values,
        missing=tuple(keys.get("missing", ())),
        separator=keys.get("separator", ";"),
    )


def _check_unit(unit: str | None, field: TableField, *, place: str) -> None:
    """Every number needs its unit; counts have none."""
    kind = field.quantity
    if kind is None or kind == "count":
        if unit is not None:
            raise InputError(field=place, given=unit, accepted=f"no unit: {field.name} has none")
        return
    clocks = (MINUTES_SECONDS, HOURS_MINUTES_SECONDS) if kind == "time" else ()
    if unit == IN_CELL or unit in clocks:
        return
    extra = ", ".join(repr(word) for word in (IN_CELL, *clocks))
    accepted = f"{accepted_units(kind)}; or {extra}"
    if unit is None:
        raise InputError(field=place, given="", accepted=accepted)
    try:
        parse_quantity("1", kind, field=place, default_unit=unit)
    except InputError:
        raise InputError(field=place, given=unit, accepted=accepted) from None


def _check_settings(settings: Mapping[str, Any], known: Mapping[str, TableField], *, place: str) -> None:
    _one_of(settings["decimal"], (".", ","), place=f"{place} decimal")
    _one_of(settings["thousands"], ("", ".", ",", " ", "'"), place=f"{place} thousands")
    if settings["thousands"] == settings["decimal"]:
        accepted = "another sign than the decimal one"
        raise InputError(field=f"{place} thousands", given=settings["thousands"], accepted=accepted)
    if len(settings["delimiter"]) > 1:
        accepted = "one sign such as ';' or a tab"
        raise InputError(field=f"{place} delimiter", given=settings["delimiter"], accepted=accepted)
    for key, day in (("date_format", True), ("time_format", False)):
        text = settings[key]
        if text and not any(part in text for part in (("%d", "%j") if day else ("%H", "%I"))):
            accepted = "'%d.%m.%Y', '%m/%d/%Y' ..." if day else "'%H:%M', '%I:%M %p' ..."
            raise InputError(field=f"{place} {key}", given=text, accepted=accepted)
    if settings["time_zone"]:
        zone_named(settings["time_zone"])
    if settings["encoding"]:
        try:
            "".encode(settings["encoding"])
        except LookupError:
            accepted = "the name of an encoding: 'utf-8', 'cp1252', 'iso8859-2' ..."
            raise InputError(
                field=f"{place} encoding", given=settings["encoding"], accepted=accepted
            ) from None
    for name in settings["case_by"]:
        if name not in known:
            accepted = f"fields: {', '.join(sorted(known))}"
            raise InputError(field=f"{place} case_by", given=name, accepted=accepted)


def _check_constants(constants: Mapping[str, Any], known: Mapping[str, TableField], *, place: str) -> None:
    words = sorted(name for name, field in known.items() if field.quantity is None and field.part != "when")
    for name, value in constants.items():
        _of_type(value, str, place=f"{place} {name}")
        if name not in words:
            raise InputError(field=place, given=name, accepted=f"the keys {', '.join(words)}")


def _check_planes(
    rows: str, columns: tuple[ColumnMapping, ...], constants: Mapping[str, Any], *, file: str
) -> None:
    """A dose whose plane nobody told is refused; 'all' must be said too."""
    planes = PLANES[:3] if rows == "events" else PLANES
    if "plane" in constants:
        _one_of(constants["plane"], planes, place=f"{file}, [constants] plane")
        return
    if any(column.field.part == "plane" for column in columns):
        return
    for column in columns:
        if column.field.part in ("total", "event") and column.field.quantity and column.plane is None:
            accepted = (
                f"plane = one of {', '.join(map(repr, planes))} in the column, as [constants] plane, or a "
                "column with the field 'plane'"
            )
            raise InputError(field=f"{file}, [columns] {column.heading!r} plane", given="", accepted=accepted)
