"""Published reference levels, and what a local median says beside one.

A reference level is for the median of a department, never for one patient. Medians, means, local
values, superseded and remembered values are context: they are never a level to be above.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from functools import cache
from math import isclose

from dosetrack.audit.cases import AuditCase
from dosetrack.audit.typical import statistics
from dosetrack.errors import InputError, TableError
from dosetrack.tables import rows, sources
from dosetrack.units import unit_factor

_KINDS = {
    "reference_air_kerma_mgy": "air_kerma",
    "dose_area_product_gycm2": "dose_area_product",
    "fluoroscopy_time_s": "time",
    "peak_skin_dose_mgy": "air_kerma",
    "images": "count",
}


class Verdict(StrEnum):
    """What the local median says beside the reference level. Equal is not above."""

    TOO_FEW = "too few to compare"
    ABOVE = "above"
    NOT_ABOVE = "not above"


@dataclass(frozen=True, slots=True)
class ReferenceLevel:
    """One published value. value : in the unit of the quantity's name.

    country, year : '' and None where the source does not tell
    usable : whether it may be chosen as the level to compare with
    """

    key: str
    procedure: str
    quantity: str
    statistic: str
    value: float
    population: str
    country: str
    year: int | None
    source: str
    usable: bool


@dataclass(frozen=True, slots=True)
class Comparison:
    """The local median of a rolling window beside a chosen reference level.

    n, median : of the window's cases that have the quantity
    first_day, last_day : the window, both included
    """

    procedure: str
    quantity: str
    reference: ReferenceLevel
    n: int
    median: float | None
    first_day: date
    last_day: date
    verdict: Verdict


@cache
def reference_levels() -> dict[str, ReferenceLevel]:
    """Every published value by key, context rows included."""
    return {row["key"]: _level(row) for row in rows("reference_levels")}


def chosen_reference(key: str, *, quantity: str) -> ReferenceLevel:
    """The reference level `key`, for comparing `quantity`.

    Raises
    ------
    InputError
        No such row, one of another quantity, or one that is context only.
    """
    found = reference_levels().get(key)
    if found is None:
        raise InputError(
            field="reference level", given=key, accepted="a row of the table of reference levels"
        )
    if found.quantity != quantity:
        raise InputError(field="reference level", given=key, accepted=f"a row for {quantity}")
    return _usable(found)


def _usable(reference: ReferenceLevel) -> ReferenceLevel:
    if not reference.usable:
        raise InputError(
            field="reference level",
            given=reference.key,
            accepted="a published reference level that is in force; this row is context only",
        )
    return reference


def compare(
    cases: Sequence[AuditCase],
    reference: ReferenceLevel,
    *,
    procedure: str,
    first_day: date,
    last_day: date,
    minimum_n: int,
) -> Comparison:
    """The median of `cases` (those of the window) beside `reference`.

    Raises
    ------
    InputError
        The row is context only; nothing can be above it.
    """
    _usable(reference)
    found = statistics(c.value(reference.quantity) for c in cases)
    return Comparison(
        procedure=procedure,
        quantity=reference.quantity,
        reference=reference,
        n=found.n,
        median=found.median,
        first_day=first_day,
        last_day=last_day,
        verdict=_verdict(found.median, reference.value, enough=found.n >= minimum_n),
    )


def _verdict(median: float | None, level: float, *, enough: bool) -> Verdict:
    if median is None or not enough:
        return Verdict.TOO_FEW
    is_above = median > level and not isclose(median, level, rel_tol=1e-9)
    return Verdict.ABOVE if is_above else Verdict.NOT_ABOVE


def _level(row: dict[str, str]) -> ReferenceLevel:
    unit = unit_factor(row["unit"], _KINDS[row["quantity"]])
    if unit is None:
        raise TableError(f"reference_levels.csv: {row['key']}: no unit {row['unit']!r}")
    source = sources()[row["source"]]
    warning = " (from memory, confirm against the original)" if row["checked"] == "memory" else ""
    return ReferenceLevel(
        key=row["key"],
        procedure=row["procedure"],
        quantity=row["quantity"],
        statistic=row["statistic"],
        value=float(row["value"]) * unit.factor,
        population=row["population"],
        country=row["country"],
        year=int(row["year"]) if row["year"] else None,
        source=f"{source.authors} {source.year}, {source.identifier}, {row['locator']}{warning}",
        usable=row["usable_as_reference"] == "yes",
    )
