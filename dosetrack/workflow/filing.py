"""Files and their reports on the way in."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import datetime
from pathlib import PurePath

from dosetrack.ledger import PackedOriginal, Transaction
from dosetrack.readers import read_report
from dosetrack.readers.head import kept_bytes
from dosetrack.records.entries import FileQuarantined, NewEntry, TableReceived
from dosetrack.records.people import Actor
from dosetrack.records.report import DoseReport
from dosetrack.times import zone_named
from dosetrack.workflow.base import SYSTEM, LedgerUser
from dosetrack.workflow.dose_rows_in import take_in_rows
from dosetrack.workflow.prompting import raise_due_prompts
from dosetrack.workflow.site import settings_for
from dosetrack.workflow.tables_in import TableTakenIn, take_in_table
from dosetrack.workflow.taking_in import TakenIn, take_in


class Filing(LedgerUser):
    """Calls by which files and machines change a case."""

    def take_in_bytes(
        self, data: bytes, *, file: str, actor: Actor = SYSTEM, happened_at: datetime | None = None
    ) -> TakenIn:
        """Take in one dose report from its bytes; ReportRefusedError when it cannot be read.

        Of an image only the header is kept.
        """
        data = kept_bytes(data)
        report = read_report(data, file=file)
        with self.ledger.transaction() as tx:
            return self._take_in(tx, report, data, actor=actor, at=happened_at or self._clock())

    def take_in_reports(
        self, reports: Sequence[tuple[DoseReport, bytes | PackedOriginal]], *, actor: Actor
    ) -> tuple[TakenIn, ...]:
        """Take in reports that were read already, with their bytes, in one transaction."""
        with self.ledger.transaction() as tx:
            return tuple(
                self._take_in(tx, report, original, actor=actor, at=self._clock())
                for report, original in reports
            )

    def take_in_table(self, data: bytes, *, file: str, actor: Actor) -> TableTakenIn:
        """Take in a table of typed entries (CSV, XLSX); ReportRefusedError when it is none."""
        with self.ledger.transaction() as tx:
            zone = zone_named(settings_for(tx).text("site.time_zone"))
            return take_in_table(
                tx, self.projector, data, file=file, zone=zone, actor=actor, now=self._clock()
            )

    def take_in_rows(
        self, reports: Sequence[tuple[DoseReport, bytes]], *, actor: Actor
    ) -> tuple[TakenIn, ...]:
        """Take in reports of a table from an old system, each with its document, in one transaction."""
        with self.ledger.transaction() as tx:
            return tuple(
                take_in_rows(tx, self.projector, report, document, actor=actor, at=self._clock())
                for report, document in reports
            )

    def hold_table(self, data: bytes, *, file: str, reports: int, actor: Actor) -> None:
        """Hold the bytes of a table whose reports were taken in, once, and record that it came."""
        with self.ledger.transaction() as tx:
            if tx.holds_original(hashlib.sha256(data).hexdigest()):
                return
            sha256 = tx.hold_original(data, file)
            received = TableReceived(sha256=sha256, file=PurePath(file).name, entries=reports)
            tx.append(NewEntry(payload=received, actor=actor, happened_at=self._clock()))

    def quarantine(self, data: bytes, *, file: str, reason: str, actor: Actor = SYSTEM) -> None:
        """Hold the bytes of an object that could not be read, once, and record why."""
        with self.ledger.transaction() as tx:
            if tx.holds_original(hashlib.sha256(data).hexdigest()):
                return
            sha256 = tx.hold_original(data, file)
            kept = FileQuarantined(sha256=sha256, file=PurePath(file).name, reason=reason)
            tx.append(NewEntry(payload=kept, actor=actor, happened_at=self._clock()))

    def case_of_report(self, sha256: str) -> str | None:
        """The case that holds the report with this digest of its bytes, None when it is not held."""
        with self.ledger.reading() as reader:
            rows = reader.find_reports(sha256=sha256)
        return rows[0].case_id if rows else None

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
