"""Tables of typed entries on their way into cases."""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import PurePath
from zoneinfo import ZoneInfo

from dosetrack.ledger import CaseTotalRow, Transaction
from dosetrack.readers.entry_table import EntryTable, TableEntry, read_entry_table
from dosetrack.records.entries import (
    CaseEnded,
    CaseOpened,
    ConsoleReading,
    Creatinine,
    NewEntry,
    PatientSize,
    TableReceived,
)
from dosetrack.records.people import Actor
from dosetrack.records.report import Patient, RefusedFile
from dosetrack.workflow.projector import CaseProjector
from dosetrack.workflow.questions import questions_about


@dataclass(frozen=True, slots=True)
class TableTakenIn:
    """What became of a table. is_new: False when it was held and brought nothing.

    added : entries recorded
    refused : rows not used, each with its line and reason
    cases : ids touched
    """

    is_new: bool
    added: int = 0
    refused: tuple[RefusedFile, ...] = ()
    cases: tuple[str, ...] = ()


_LONGEST_CASE = timedelta(hours=12)  # an entry this long after a case's start is of another case


def take_in_table(
    tx: Transaction,
    projector: CaseProjector,
    data: bytes,
    *,
    file: str,
    zone: ZoneInfo,
    actor: Actor,
    now: datetime,
) -> TableTakenIn:
    """Put the rows of a table file into their cases, within the open transaction.

    Rows go to the case named, else to the case with that accession number, else to the patient's
    case at that time; where there is none but a room is told, a case is made. A row that its case
    holds already adds nothing, so a corrected table can be sent again whole. A console reading
    that must be asked about is refused with the question, for nobody can answer here.

    Raises
    ------
    ReportRefusedError
        The file is no table of entries.
    """
    table = read_entry_table(data, file=file, zone=zone)
    is_new = not tx.holds_original(hashlib.sha256(data).hexdigest())
    refused = [RefusedFile(file=file, reason=_without_file(str(row), file)) for row in table.refused]
    made: dict[tuple[str | None, ...], str] = {}
    held: dict[str, frozenset[_Fact]] = {}
    touched: dict[str, None] = {}
    added = 0
    for entry in _in_order(table):
        case_id = _case_of(tx, entry, made)
        if case_id is None:
            case_id = _new_case(tx, entry, made, actor=actor, now=now)
        if case_id is None:
            refused.append(RefusedFile(file=file, reason=_no_case(entry)))
            continue
        if case_id not in held:
            held[case_id] = _facts_held(tx, case_id)
        if (entry.payload, entry.at) in held[case_id]:
            continue
        question = _question(tx, projector, case_id, entry)
        if question is not None:
            refused.append(RefusedFile(file=file, reason=f"line {entry.line}: {question}"))
            continue
        tx.append(
            NewEntry(
                payload=entry.payload,
                actor=actor,
                happened_at=entry.at or now,
                case=case_id,
                reason=f"from {PurePath(file).name}, line {entry.line}",
            )
        )
        touched[case_id] = None
        added += 1
    if is_new:
        _note_table(tx, data, file=file, added=added, actor=actor, now=now)
    for case_id in touched:
        projector.refresh(tx, case_id)
    return TableTakenIn(is_new=is_new or added > 0, added=added, refused=tuple(refused), cases=tuple(touched))


def _note_table(tx: Transaction, data: bytes, *, file: str, added: int, actor: Actor, now: datetime) -> None:
    sha256 = tx.hold_original(data, file)
    payload = TableReceived(sha256=sha256, file=PurePath(file).name, entries=added)
    tx.append(NewEntry(payload=payload, actor=actor, happened_at=now))


_Fact = tuple[object, datetime | None]


def _facts_held(tx: Transaction, case_id: str) -> frozenset[_Fact]:
    """What a case holds and when it happened; for facts that need no time also without it.

    Corrected entries count too: the same row sent again must not bring back what was taken back.
    """
    facts: set[_Fact] = set()
    for entry in tx.entries(case=case_id):
        facts.add((entry.payload, entry.happened_at))
        if isinstance(entry.payload, PatientSize | Creatinine):
            facts.add((entry.payload, None))
    return frozenset(facts)


def _question(tx: Transaction, projector: CaseProjector, case_id: str, entry: TableEntry) -> str | None:
    """What a person would be asked about a console reading; None where nothing is."""
    if not isinstance(entry.payload, ConsoleReading) or entry.at is None:
        return None
    case, _ = projector.case(tx, case_id)
    asked = questions_about(tx, case, entry.payload, at=entry.at)
    return f"{asked[0]} Enter it on the page of its room or case, or correct the row" if asked else None


def _in_order(table: EntryTable) -> Iterable[TableEntry]:
    """Sizes first, so that a case made from the table knows its patient."""
    return sorted(table.entries, key=lambda e: not isinstance(e.payload, PatientSize))


def _case_of(tx: Transaction, entry: TableEntry, made: dict[tuple[str | None, ...], str]) -> str | None:
    if entry.case_id is not None:
        return entry.case_id if tx.entries(case=entry.case_id, limit=1) else None
    held = made.get(_key(entry))
    if held is not None:
        return held
    if entry.accession_number is not None:
        matches = tx.matching_cases(
            patient_id=entry.patient_id, patient_issuer=None, accession_number=entry.accession_number
        )
        rows = [tx.case_total(match.case_id) for match in matches]
        for row in rows:
            if row is not None and entry.patient_id in (None, row.patient_id):
                return row.id
        return None
    return _by_patient_and_time(tx, entry)


def _by_patient_and_time(tx: Transaction, entry: TableEntry) -> str | None:
    if entry.patient_id is None or entry.at is None:
        return None
    day = (entry.at - _LONGEST_CASE).date().isoformat(), (entry.at + timedelta(days=1)).date().isoformat()
    rows = [
        row
        for row in tx.case_totals(from_day=day[0], to_day=day[1])
        if row.patient_id == entry.patient_id and _is_during(row, entry.at)
    ]
    newest = max(rows, key=lambda row: row.started_instant or "", default=None)
    return newest.id if newest else None


def _is_during(row: CaseTotalRow, at: datetime) -> bool:
    if row.started_instant is None:
        return False
    start = datetime.fromisoformat(row.started_instant)
    return start - timedelta(hours=1) <= at <= start + _LONGEST_CASE


def _new_case(
    tx: Transaction,
    entry: TableEntry,
    made: dict[tuple[str | None, ...], str],
    *,
    actor: Actor,
    now: datetime,
) -> str | None:
    """A past case for entries that belong to none; None where room or person is not told."""
    if entry.case_id is not None or entry.room is None or entry.patient_id is None or entry.at is None:
        return None
    opening = CaseOpened(
        room=entry.room,
        patient=Patient(id=entry.patient_id),
        operators=(entry.operator,) if entry.operator else (),
        accession_number=entry.accession_number,
    )
    case_id = str(uuid.uuid4())
    new = NewEntry(payload=opening, actor=actor, happened_at=entry.at, case=case_id)
    tx.append(new)
    tx.append(replace(new, payload=CaseEnded(how="table of entries")))
    made[_key(entry)] = case_id
    return case_id


def _key(entry: TableEntry) -> tuple[str | None, ...]:
    """What makes rows without a case of their own belong together: person, order, room, day."""
    day = entry.at.date().isoformat() if entry.at else None
    return (entry.patient_id, entry.accession_number, entry.room, day)


def _no_case(entry: TableEntry) -> str:
    whose = entry.case_id or entry.accession_number or entry.patient_id
    return (
        f"line {entry.line}: no case is held for {whose!r} at that time; "
        "accepted: a case id, accession number or patient with a case, or patient, time and room "
        "so that one can be made"
    )


def _without_file(text: str, file: str) -> str:
    return text.removeprefix(f"{file}, ")
