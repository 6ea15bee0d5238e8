"""Files and their reports on the way in."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from dosetrack.errors import ReportRefusedError
from dosetrack.ledger import PackedOriginal, Transaction
from dosetrack.readers import read_report
from dosetrack.records.people import Actor
from dosetrack.records.report import DoseReport, RefusedFile
from dosetrack.times import zone_named
from dosetrack.workflow.base import SYSTEM, LedgerUser
from dosetrack.workflow.files import FoundFile, digested
from dosetrack.workflow.ingest import IngestTally, Progress, TakenIn, ingest_reports, take_in
from dosetrack.workflow.prompting import raise_due_prompts
from dosetrack.workflow.results import (
    IngestResult,
)
from dosetrack.workflow.site import settings_for
from dosetrack.workflow.tables_in import take_in_table


class Filing(LedgerUser):
    """Calls by which files and machines change a case."""

    def take_in_bytes(
        self, data: bytes, *, file: str, actor: Actor = SYSTEM, happened_at: datetime | None = None
    ) -> TakenIn:
        """Take in one dose report from its bytes; ReportRefusedError when it cannot be read."""
        report = read_report(data, file=file)
        with self.ledger.transaction() as tx:
            return self._take_in(tx, report, data, actor=actor, at=happened_at or self._clock())

    def ingest(
        self,
        paths: Sequence[Path],
        *,
        actor: Actor,
        progress: Progress | None = None,
        workers: int | None = None,
    ) -> IngestResult:
        """Take in every dose report and table of typed entries under `paths`."""

        def take_in_one(tx: Transaction, report: DoseReport, original: bytes | PackedOriginal) -> TakenIn:
            return self._take_in(tx, report, original, actor=actor, at=self._clock())

        tally, tables = ingest_reports(self.ledger, take_in_one, paths, progress=progress, workers=workers)
        for table in tables:
            self._ingest_table(table, tally, actor=actor)
        return IngestResult(
            added=tally.added,
            already_held=tally.already_held,
            entries_added=tally.entries,
            refused=tuple(tally.refused),
            cases=tuple(tally.cases),
        )

    def _ingest_table(self, found: FoundFile, tally: IngestTally, *, actor: Actor) -> None:
        file = digested(found)
        if file.error is not None or file.sha256 is None:
            tally.refused.append(RefusedFile(file=str(file.path), reason=file.error or "cannot be opened"))
            return
        try:
            with self.ledger.transaction() as tx:
                if tx.holds_original(file.sha256):
                    tally.already_held += 1
                    return
                cases, added, refused = take_in_table(
                    tx,
                    self.projector,
                    file.path.read_bytes(),
                    file=str(file.path),
                    zone=zone_named(settings_for(tx).text("site.time_zone")),
                    actor=actor,
                    now=self._clock(),
                )
        except ReportRefusedError as error:
            tally.refused.append(RefusedFile(file=error.file, reason=error.reason))
            return
        tally.entries += added
        tally.refused.extend(refused)
        tally.cases.update(dict.fromkeys(cases))

    def _take_in(
        self,
        tx: Transaction,
        report: DoseReport,
        original: bytes | PackedOriginal,
        *,
        actor: Actor,
        at: datetime,
    ) -> TakenIn:
        taken = take_in(tx, self.projector, report, original, actor=actor, at=at)
        row = tx.case_total(taken.case_id)
        if taken.is_new and row is not None and row.state == "running":
            case, settings = self.projector.case(tx, taken.case_id)
            if raise_due_prompts(tx, case, settings, now=self._clock(), actor=SYSTEM):
                self.projector.refresh(tx, taken.case_id)
        return taken
