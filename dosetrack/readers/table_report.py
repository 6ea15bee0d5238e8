"""The rows of one case of a table as one dose report."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import fields, replace
from math import fsum
from typing import Any
from zoneinfo import ZoneInfo

from dosetrack.errors import InputError
from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.readers.consistency import inconsistencies
from dosetrack.readers.table_cells import Row, RowValues
from dosetrack.readers.table_fields import fields_for
from dosetrack.readers.table_mapping import DoseTableMapping
from dosetrack.records.report import (
    DoseReport,
    DoseTotal,
    Equipment,
    IrradiationEvent,
    Patient,
    PlaneName,
    Procedure,
    ReportIdentity,
)
from dosetrack.records.totals import summed_totals
from dosetrack.times import instant_of, zone_named

CaseKey = tuple[tuple[str, str], ...]
"""(field, text as it stands in the file): what tells cases apart."""

_PLANES: tuple[PlaneName, ...] = ("single", "a", "b", "all")
_EVENT_ATTRIBUTES = frozenset(field.name for field in fields(IrradiationEvent))
_WHO = ("study_instance_uid", "accession_number")


def case_key(row: Row, mapping: DoseTableMapping) -> CaseKey:
    """Which case a row belongs to: by the mapping's `case_by`, else by study, order, or person and time.

    Raises
    ------
    InputError
        The row does not tell.
    """
    missing = mapping.missing
    told = {
        column.field.name: row[column.heading]
        for column in mapping.columns
        if column.heading in row and row[column.heading] not in (*missing, *column.missing)
    }
    if mapping.case_by:
        key = tuple((name, told[name]) for name in mapping.case_by if name in told)
        if len(key) == len(mapping.case_by):
            return key
        raise InputError(field="", given="no case told", accepted=f"{' and '.join(mapping.case_by)} filled")
    if (name := next((name for name in _WHO if name in told), None)) is not None:
        return ((name, told[name]),)
    moments = ("date",) if mapping.of_events else ("started_at", "date", "time", "station")
    when = tuple((name, told[name]) for name in moments if name in told)
    if "patient_id" not in told or (mapping.of_events and not when):
        accepted = "a study UID, an accession number or patient number and date (or case_by in the mapping)"
        raise InputError(field="", given="no case told", accepted=accepted)
    return (("patient_id", told["patient_id"]), *when)


def key_text(key: CaseKey) -> str:
    """The key for a message."""
    return ", ".join(f"{name} {text!r}" for name, text in key)


def has_dose(values: RowValues) -> bool:
    """Whether the row tells any quantity of its exposure."""
    return bool(values.numbers)


def report_of_rows(
    rows: Sequence[Row],
    values: Sequence[RowValues],
    mapping: DoseTableMapping,
    *,
    sha256: str,
    file: str,
) -> DoseReport:
    """The report that the rows of one case make.

    Parameters
    ----------
    rows, values : cells and values of the same rows, in order of the file
    sha256 : of the document that holds them
    """
    words = _first_told(values)
    key = key_text(case_key(rows[0], mapping))
    findings = [finding(FindingCode.TABLE_SOURCE), *_ambiguous_times(values, mapping)]
    uid = words.get("sop_instance_uid")
    if uid is None:
        uid = _derived_uid("table report", mapping.rows, key)
        findings.append(
            finding(FindingCode.TABLE_IDENTITY_DERIVED, what="SOP Instance UID", origin=f"its case ({key})")
        )
    alike = len(rows) - len({tuple(sorted(row.items())) for row in rows})
    if alike:
        findings.append(finding(FindingCode.TABLE_PARTS_ALIKE, count=alike + 1))
    events: tuple[IrradiationEvent, ...] = ()
    if mapping.of_events:
        events, derived = _events(values, key)
        findings += derived
        totals = summed_totals(events)
    else:
        totals = _stated(values)
    with_dose = [t for t in totals if t.dose_area_product_gycm2 or t.reference_air_kerma_mgy]
    findings += inconsistencies(events=events, totals=with_dose, reported_at=None)
    started = sorted(v.started_at for v in values if v.started_at)
    ended = sorted(v.ended_at for v in values if v.ended_at)
    return DoseReport(
        file=file,
        sha256=sha256,
        source="table",
        report=ReportIdentity(
            sop_instance_uid=uid,
            study_instance_uid=words.get("study_instance_uid"),
            accession_number=words.get("accession_number"),
        ),
        patient=_patient(words, values),
        equipment=_filled(Equipment, words, "equipment"),
        procedure=Procedure(
            label=words.get("procedure"),
            code=words.get("procedure_code"),
            coding_scheme=words.get("procedure_coding_scheme"),
            started_at=started[0] if started else None,
            ended_at=ended[-1] if ended else None,
        ),
        operators=tuple(dict.fromkeys(name for v in values for name in v.operators)),
        totals=totals,
        events=events,
        findings=tuple(findings),
    )


def _derived_uid(*parts: str) -> str:
    """A UID that is the same for the same parts (PS3.5 annex B.2, root 2.25)."""
    digest = hashlib.sha256("\x1f".join(parts).encode("utf-8")).digest()
    return f"2.25.{int.from_bytes(digest[:16], 'big')}"


def _first_told(values: Sequence[RowValues]) -> dict[str, str]:
    """Each word as the first row that has it says it."""
    words: dict[str, str] = {}
    for value in values:
        for name, text in value.words.items():
            words.setdefault(name, text)
    return words


def _filled(record: Any, words: dict[str, str], part: str) -> Any:
    known = fields_for(of_events=False)
    return record(
        **{known[n].attribute: text for n, text in words.items() if n in known and known[n].part == part}
    )


def _patient(words: dict[str, str], values: Sequence[RowValues]) -> Patient:
    told: Patient = _filled(Patient, words, "patient")
    size: dict[str, float] = {}
    for value in values:
        size = value.patient | size
    return replace(told, weight_kg=size.get("weight_kg"), height_cm=size.get("height_cm"))


def _ambiguous_times(values: Sequence[RowValues], mapping: DoseTableMapping) -> list[Finding]:
    """A finding for each time of the hour that the clocks repeat; without a zone the site's tells."""
    if not mapping.time_zone:
        return []
    zone: ZoneInfo = zone_named(mapping.time_zone)
    length = len("2026-03-02T10:41:00")
    texts = {v.started_at[:length] for v in values if v.started_at and len(v.started_at) > length}
    return [
        finding(FindingCode.TABLE_TIME_OCCURS_TWICE, time=text, zone=zone.key)
        for text in sorted(texts)
        if (found := instant_of(text, zone)) and found.is_ambiguous
    ]


def _stated(values: Sequence[RowValues]) -> tuple[DoseTotal, ...]:
    """The totals the table states, per plane; those of several rows added."""
    told: dict[str, dict[str, list[float]]] = {}
    for value in values:
        for (plane, attribute), number in value.numbers.items():
            of_plane = told.setdefault(plane or value.words["plane"], {})
            of_plane.setdefault(attribute, []).append(number)
    return tuple(
        DoseTotal(plane, "stated", **{name: fsum(numbers) for name, numbers in told[plane].items()})
        for plane in _PLANES
        if plane in told
    )


def _events(values: Sequence[RowValues], key: str) -> tuple[tuple[IrradiationEvent, ...], list[Finding]]:
    """Each row as an event; UIDs that are missing derived from case, start, plane and place among equals."""
    events: list[IrradiationEvent] = []
    count: Counter[tuple[str, ...]] = Counter()
    derived = 0
    for value in values:
        words = {
            name.removeprefix("event_"): text
            for name, text in value.words.items()
            if name.removeprefix("event_") in _EVENT_ATTRIBUTES
        }
        planes = {plane for plane, _ in value.numbers if plane}
        plane = words.pop("plane", None) or next(iter(planes), None)
        numbers = {attribute: number for (_, attribute), number in value.numbers.items()}
        if "uid" not in words:
            facts = (value.started_at or "", plane or "", words.get("type", ""))
            count[facts] += 1
            derived += 1
            words["uid"] = _derived_uid("table event", key, *facts, str(count[facts]))
        told: dict[str, Any] = {"started_at": value.started_at, "plane": plane, **words, **numbers}
        events.append(IrradiationEvent(**told))
    if not derived:
        return tuple(events), []
    origin = "case, start, plane and order of the row"
    what = f"UID for {derived} events"
    return tuple(events), [finding(FindingCode.TABLE_IDENTITY_DERIVED, what=what, origin=origin)]
