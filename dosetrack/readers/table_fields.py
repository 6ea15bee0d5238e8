"""What a column of a table from an old system may mean: field names, and the kind of value each holds.

Names are those of the records without their unit: `dose_area_product`, `weight`, `kvp`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache
from typing import Literal

from dosetrack.records.report import DoseTotal, IrradiationEvent

Part = Literal["report", "patient", "equipment", "procedure", "operators", "when", "plane", "total", "event"]
_KIND_BY_ENDING = {
    "_gycm2": "dose_area_product",
    "_mgy": "air_kerma",
    "_cm2": "area",
    "_uas": "charge",
    "_deg": "angle",
    "_hz": "rate",
    "_ma": "current",
    "_ms": "time_ms",
    "_mm": "distance",
    "_kg": "mass",
    "_cm": "length",
    "_s": "time",
}
_KIND_BY_NAME = {"kvp": "voltage", "pulses": "count", "frames": "count"}
_MAY_BE_NEGATIVE = ("_angle", "_angulation", "table_")


@dataclass(frozen=True, slots=True)
class TableField:
    """One meaning of a column.

    part, attribute : where the value goes
    quantity : kind of quantity as in `dosetrack.units.HOUSE_UNITS`, None for words and times
    """

    name: str
    part: Part
    attribute: str
    quantity: str | None = None

    @property
    def may_be_negative(self) -> bool:
        """True for angles and table positions. A distance from the source to the table is none."""
        return any(mark in self.name for mark in _MAY_BE_NEGATIVE)


_WORDS: tuple[tuple[str, Part, str], ...] = (
    ("sop_instance_uid", "report", "sop_instance_uid"),
    ("study_instance_uid", "report", "study_instance_uid"),
    ("accession_number", "report", "accession_number"),
    ("patient_id", "patient", "id"),
    ("patient_id_issuer", "patient", "id_issuer"),
    ("patient_name", "patient", "name"),
    ("sex", "patient", "sex"),
    ("birth_date", "patient", "birth_date"),
    ("manufacturer", "equipment", "manufacturer"),
    ("model", "equipment", "model"),
    ("station", "equipment", "station"),
    ("serial", "equipment", "serial"),
    ("institution", "equipment", "institution"),
    ("procedure", "procedure", "label"),
    ("procedure_code", "procedure", "code"),
    ("procedure_coding_scheme", "procedure", "coding_scheme"),
    ("operators", "operators", ""),
    ("started_at", "when", "started_at"),
    ("date", "when", "date"),
    ("time", "when", "time"),
    ("ended_at", "when", "ended_at"),
    ("end_date", "when", "end_date"),
    ("end_time", "when", "end_time"),
    ("plane", "plane", ""),
)
_EVENT_WORDS = (
    ("event_uid", "uid"),
    ("event_type", "type"),
    ("protocol", "protocol"),
    ("reference_point", "reference_point"),
    ("patient_position", "patient_position"),
)


@cache
def fields_for(*, of_events: bool) -> dict[str, TableField]:
    """Every field by name: of rows that are irradiation events, or of rows with dose totals."""
    found = [TableField(name, part, attribute) for name, part, attribute in _WORDS]
    found += _quantities("patient", ("weight_kg", "height_cm"))
    if of_events:
        found += [TableField(name, "event", attribute) for name, attribute in _EVENT_WORDS]
        found += _quantities("event", [field.name for field in fields(IrradiationEvent)])
    else:
        found += _quantities("total", [field.name for field in fields(DoseTotal)])
    return {field.name: field for field in found}


def _quantities(part: Part, attributes: list[str] | tuple[str, ...]) -> list[TableField]:
    """The numbers among `attributes`, their names without the unit."""
    found = []
    for attribute in attributes:
        ending = next((e for e in _KIND_BY_ENDING if attribute.endswith(e)), None)
        if attribute in _KIND_BY_NAME:
            found.append(TableField(attribute, part, attribute, _KIND_BY_NAME[attribute]))
        elif ending is not None:
            name = attribute.removesuffix(ending)
            found.append(TableField(name, part, attribute, _KIND_BY_ENDING[ending]))
    return found
