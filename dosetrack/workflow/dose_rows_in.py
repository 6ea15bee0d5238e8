"""Reports of a table from an old system on their way into cases."""

from __future__ import annotations

from datetime import datetime
from pathlib import PurePath

from dosetrack.ledger import ReportRow, Transaction
from dosetrack.records.entries import NewEntry, ReportMoved, ReportReceived
from dosetrack.records.people import Actor
from dosetrack.records.report import DoseReport
from dosetrack.workflow.projector import CaseProjector
from dosetrack.workflow.taking_in import TakenIn, take_in

_READ_AGAIN = "the table tells this case anew, or its mapping was changed"


def take_in_rows(
    tx: Transaction,
    projector: CaseProjector,
    report: DoseReport,
    document: bytes,
    *,
    actor: Actor,
    at: datetime,
) -> TakenIn:
    """Put one report of a table into its case within the open transaction.

    The same rows under the same mapping change nothing. Told anew (another mapping, a corrected
    export) the report takes the place of the earlier one in the same case, so that no dose counts
    twice; the earlier one stays in the ledger.

    Parameters
    ----------
    document : the bytes it can be made from again
    """
    held = tx.find_reports(sha256=report.sha256)
    if held:
        return TakenIn(case_id=held[0].case_id, is_new=False)
    earlier = _earlier(tx, report)
    if earlier is None:
        return take_in(tx, projector, report, document, actor=actor, at=at)
    brought = tx.entries(case=earlier.case_id, after_seq=earlier.seq - 1, limit=1)[0]
    tx.hold_original(document, report.file)
    tx.append(
        NewEntry(
            payload=ReportReceived(
                sha256=report.sha256,
                file=PurePath(report.file).name,
                source=report.source,
                sop_instance_uid=report.report.sop_instance_uid,
            ),
            actor=actor,
            happened_at=at,
            case=earlier.case_id,
            reason=_READ_AGAIN,
            replaces=brought.id,
        )
    )
    tx.clear_case(earlier.case_id)
    projector.project_case(tx, earlier.case_id)
    return TakenIn(case_id=earlier.case_id, is_new=True)


def _earlier(tx: Transaction, report: DoseReport) -> ReportRow | None:
    """The report that an earlier reading of the same case of a table gave."""
    uid = report.report.sop_instance_uid
    rows = tx.find_reports(sop_instance_uid=uid) if uid else ()
    for row in reversed(rows):
        brought = tx.entries(case=row.case_id, after_seq=row.seq - 1, limit=1)
        if row.source == "table" and brought and isinstance(brought[0].payload, ReportReceived | ReportMoved):
            return row
    return None
