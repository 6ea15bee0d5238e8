"""Which case a report belongs to.

It joins the case that has the same patient and the same event UID, Study UID or accession number.
Else, when the same patient was in the same room within the join window, the join is proposed to a
person. Else it makes a case of its own.

The messages of one performed procedure step share its SOP Instance UID. The first (N-CREATE) tells
patient and study, the later ones (N-SET) must not (PS3.4 table F.7.2-1): they join the first by it.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from dosetrack.cases import room_of_equipment
from dosetrack.ledger import CaseTotalRow, Transaction
from dosetrack.ledger.rows import CaseMatch
from dosetrack.records.entries import JoinProposed
from dosetrack.records.report import DoseReport
from dosetrack.settings import Settings
from dosetrack.times import instant_of


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a report goes. proposal: a join that a person must decide."""

    case_id: str
    is_new: bool
    proposal: JoinProposed | None = None


def placement(tx: Transaction, report: DoseReport, *, settings: Settings, zone: ZoneInfo) -> Placement:
    """The case for `report`: one that is held, or a new one, perhaps with a join to propose."""
    step = _case_of_step(tx, report)
    matches = _matches(tx, report)
    for match in matches:
        if match.is_same_patient or _is_same_person(tx.case_total(match.case_id), report, by=match.by):
            is_apart = step is not None and step != match.case_id
            proposal = JoinProposed(step, "same performed procedure step") if step and is_apart else None
            return Placement(case_id=match.case_id, is_new=False, proposal=proposal)
    if step is not None:
        return Placement(case_id=step, is_new=False)
    new_id = str(uuid.uuid4())
    if matches:
        why = f"same {_IDENTIFIER[matches[0].by]}, but another patient number"
        return Placement(new_id, is_new=True, proposal=JoinProposed(matches[0].case_id, why))
    neighbour = _neighbour(tx, report, settings=settings, zone=zone)
    if neighbour is not None:
        why = f"same patient and room within {settings.number('case.join_window_h'):g} h"
        return Placement(new_id, is_new=True, proposal=JoinProposed(neighbour, why))
    return Placement(new_id, is_new=True)


_IDENTIFIER = {"event": "irradiation event", "study": "study", "accession": "accession number"}


def _matches(tx: Transaction, report: DoseReport) -> tuple[CaseMatch, ...]:
    return tx.matching_cases(
        patient_id=report.patient.id,
        patient_issuer=report.patient.id_issuer,
        study_instance_uid=report.report.study_instance_uid,
        accession_number=report.report.accession_number or None,
        event_uids=[event.uid for event in report.events if event.uid],
    )


def _case_of_step(tx: Transaction, report: DoseReport) -> str | None:
    """The case that holds another message of the performed procedure step `report`; else None.

    Messages that tell two patients are of two steps, whatever their UID.
    """
    uid = report.report.sop_instance_uid
    if report.source != "mpps" or uid is None:
        return None
    for row in tx.find_reports(sop_instance_uid=uid):
        is_one_patient = None in (row.patient_id, report.patient.id) or row.patient_id == report.patient.id
        if row.source == "mpps" and is_one_patient:
            return row.case_id
    return None


def _is_same_person(row: CaseTotalRow | None, report: DoseReport, *, by: str) -> bool:
    """The weaker test: equal numbers with an issuer on one side only, or no number on either side.

    A typed case rarely names the issuer. Without any number only a shared event UID will do.
    """
    if row is None:
        return False
    if row.patient_id is None and report.patient.id is None:
        return by == "event"
    issuers = (row.patient_issuer, report.patient.id_issuer)
    return row.patient_id == report.patient.id and None in issuers


def _neighbour(tx: Transaction, report: DoseReport, *, settings: Settings, zone: ZoneInfo) -> str | None:
    """The case of the same patient in the same room nearest in time, inside the window."""
    if report.patient.id is None:
        return None
    spans = _span(report, zone)
    room = room_of_equipment([report.equipment], settings.pairs("site.rooms"))
    if spans is None or room is None:
        return None
    window = timedelta(hours=settings.number("case.join_window_h"))
    rows = tx.cases_of_patient(patient_id=report.patient.id, patient_issuer=report.patient.id_issuer)
    near = [
        (gap, row.id)
        for row in rows
        if row.room == room and (gap := _gap(row, spans)) is not None and gap <= window
    ]
    return min(near)[1] if near else None


def _span(report: DoseReport, zone: ZoneInfo) -> tuple[datetime, datetime] | None:
    texts: Iterable[str | None] = (
        report.procedure.started_at,
        report.procedure.ended_at,
        *(event.started_at for event in report.events),
    )
    instants = [found.utc for text in texts if text and (found := instant_of(text, zone))]
    return (min(instants), max(instants)) if instants else None


def _gap(row: CaseTotalRow, span: tuple[datetime, datetime]) -> timedelta | None:
    if row.started_instant is None:
        return None
    start = datetime.fromisoformat(row.started_instant)
    end = datetime.fromisoformat(row.ended_at) if row.ended_at else start
    if span[0] > end:
        return span[0] - end
    if span[1] < start:
        return start - span[1]
    return timedelta(0)
