"""Taking one dose report into the ledger: once, in the case where it belongs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePath

from dosetrack.ledger import PackedOriginal, Transaction
from dosetrack.records.entries import NewEntry, ReportReceived
from dosetrack.records.people import Actor
from dosetrack.records.report import DoseReport
from dosetrack.times import zone_named
from dosetrack.workflow.joining import placement
from dosetrack.workflow.projector import CaseProjector
from dosetrack.workflow.site import settings_for
from dosetrack.workflow.steps import follow_step


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What became of one report. is_new: False when its bytes were held already."""

    case_id: str
    is_new: bool


def take_in(
    tx: Transaction,
    projector: CaseProjector,
    report: DoseReport,
    original: bytes | PackedOriginal,
    *,
    actor: Actor,
    at: datetime,
) -> TakenIn:
    """Put `report` into its case within the open transaction.

    The same bytes again change nothing. The same SOP Instance UID with other bytes is kept; the
    merge decides what counts. A procedure step that ended ends the running case of its room.
    """
    held = tx.find_reports(sha256=report.sha256)
    if held:
        return TakenIn(case_id=held[0].case_id, is_new=False)
    settings = settings_for(tx)
    place = placement(tx, report, settings=settings, zone=zone_named(settings.text("site.time_zone")))
    tx.hold_original(original, report.file)
    entry = tx.append(
        NewEntry(
            payload=ReportReceived(
                sha256=report.sha256,
                file=PurePath(report.file).name,
                source=report.source,
                sop_instance_uid=report.report.sop_instance_uid,
            ),
            actor=actor,
            happened_at=at,
            case=place.case_id,
        )
    )
    projector.put_report(tx, report, case_id=place.case_id, seq=entry.seq)
    if place.proposal is not None:
        tx.append(NewEntry(payload=place.proposal, actor=actor, happened_at=at, case=place.case_id))
    case = projector.refresh(tx, place.case_id, is_report_new=True)
    if follow_step(tx, case, report, settings=settings, actor=actor, at=at):
        projector.refresh(tx, place.case_id)
    return TakenIn(case_id=place.case_id, is_new=True)
