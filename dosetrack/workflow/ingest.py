"""Taking files into the ledger: each report once, in the case where it belongs."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import islice
from pathlib import Path

from dosetrack.ledger import Ledger, PackedOriginal, Transaction
from dosetrack.records.entries import NewEntry, ReportReceived
from dosetrack.records.people import Actor
from dosetrack.records.report import DoseReport, RefusedFile
from dosetrack.times import zone_named
from dosetrack.workflow.files import (
    TABLE_SUFFIXES,
    FoundFile,
    ReadFile,
    digested,
    files_under,
    read_in_order,
)
from dosetrack.workflow.joining import placement
from dosetrack.workflow.projector import CaseProjector
from dosetrack.workflow.site import settings_for

Progress = Callable[[int, int], None]
"""Told (files done, files in all) as ingest goes on."""

_REPORTS_A_COMMIT = 25  # a commit costs a disk sync; an interruption repeats at most these


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What became of one report. is_new: False when its bytes were held already."""

    case_id: str
    is_new: bool


@dataclass(slots=True)
class IngestTally:
    """Running result of one ingest. entries: typed entries taken from table files."""

    added: int = 0
    already_held: int = 0
    entries: int = 0
    refused: list[RefusedFile] = field(default_factory=list)
    cases: dict[str, None] = field(default_factory=dict)

    def count(self, taken: TakenIn) -> None:
        """Count one report."""
        self.added += taken.is_new
        self.already_held += not taken.is_new
        self.cases[taken.case_id] = None


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
    merge decides what counts.
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
                file=Path(report.file).name,
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
    projector.refresh(tx, place.case_id, is_report_new=True)
    return TakenIn(case_id=place.case_id, is_new=True)


def ingest_reports(
    ledger: Ledger,
    take_in_one: Callable[[Transaction, DoseReport, bytes | PackedOriginal], TakenIn],
    paths: Sequence[Path],
    *,
    progress: Progress | None = None,
    workers: int | None = None,
) -> tuple[IngestTally, list[FoundFile]]:
    """Take in every dose report under `paths`; typed-entry tables found there are handed back.

    Files already held are told by their digest and not read again, so an interrupted ingest goes
    on where it was. A file that cannot be used is refused with its reason; the rest goes on.
    """
    tally = IngestTally()
    found = files_under(paths)
    tables = [f for f in found if f.path.suffix.lower() in TABLE_SUFFIXES]
    others = [f for f in found if f.path.suffix.lower() not in TABLE_SUFFIXES]
    report_progress = _Counter(total=len(found), progress=progress)

    def unread() -> Iterator[FoundFile]:
        for file in map(digested, others):
            case_id = _held_in(ledger, file)
            if case_id is None:
                yield file
            else:
                tally.count(TakenIn(case_id, is_new=False))
                report_progress.add(1)

    count = workers if workers is not None else min(len(others), os.cpu_count() or 1)
    read = read_in_order(unread(), workers=count)
    while batch := list(islice(read, _REPORTS_A_COMMIT)):
        _commit_batch(ledger, take_in_one, batch, tally)
        report_progress.add(len(batch))
    return tally, tables


@dataclass(slots=True)
class _Counter:
    total: int
    progress: Progress | None
    done: int = 0

    def add(self, files: int) -> None:
        self.done += files
        if self.progress is not None:
            self.progress(self.done, self.total)


def _commit_batch(
    ledger: Ledger,
    take_in_one: Callable[[Transaction, DoseReport, bytes | PackedOriginal], TakenIn],
    batch: Sequence[ReadFile],
    tally: IngestTally,
) -> None:
    taken: list[TakenIn] = []
    with ledger.transaction() as tx:
        for file in batch:
            if file.report is not None and file.original is not None:
                taken.append(take_in_one(tx, file.report, file.original))
    for one in taken:  # only what was committed is counted
        tally.count(one)
    tally.refused.extend(file.refused for file in batch if file.refused is not None)


def _held_in(ledger: Ledger, file: FoundFile) -> str | None:
    if file.sha256 is None:
        return None
    with ledger.reading() as reader:
        rows = reader.find_reports(sha256=file.sha256)
    return rows[0].case_id if rows else None
