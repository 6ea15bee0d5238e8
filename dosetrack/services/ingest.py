"""Files into the ledger: found, read on every core, taken in by batches, refused with a reason."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from dosetrack.errors import ReportRefusedError
from dosetrack.readers.dose_table import DoseTable, read_dose_table
from dosetrack.readers.table_mapping import DoseTableMapping
from dosetrack.records.people import Actor
from dosetrack.records.report import RefusedFile
from dosetrack.services.files import FoundFile, content_of, digested, files_under
from dosetrack.services.heads import shown_name
from dosetrack.services.lanes import read_in_order
from dosetrack.workflow import IngestResult, TakenIn, Workflow


@dataclass(frozen=True, slots=True)
class Step:
    """How far ingest is.

    unit : what is counted: 'files', or the 'rows' of a table read through a mapping
    table : name of the table whose rows are counted; None for the files, without such tables
    """

    done: int
    total: int
    unit: str = "files"
    table: str | None = None


Progress = Callable[[Step], None]
"""Told each step as ingest goes on."""

TABLE_SUFFIXES = frozenset({".csv", ".xlsx"})
MAPPED_SUFFIXES = TABLE_SUFFIXES | {".tsv", ".txt", ".xlsm"}
"""Files that are tables where a mapping says how to read them."""
_REPORTS_A_COMMIT = 25  # a commit costs a disk sync; an interruption repeats at most these


def ingest(
    workflow: Workflow,
    paths: Sequence[Path],
    *,
    actor: Actor,
    mapping: DoseTableMapping | None = None,
    progress: Progress | None = None,
    workers: int | None = None,
    is_plain: bool = False,
) -> IngestResult:
    """Take in every dose report and table of typed entries under `paths`.

    Files already held are told by their digest and not read again, so an interrupted ingest goes
    on where it was. A file that cannot be used is refused with its reason; the rest goes on.
    Tables come last, so that their rows find the cases of the reports.

    Parameters
    ----------
    mapping : read tables as dose tables of an old system through it, not as typed entries
    workers : processes that read files; None: one per core
    is_plain : read also cumulative reports whole, for comparison; the result is the same
    """
    tally = _Tally()
    found = files_under(paths)
    suffixes = TABLE_SUFFIXES if mapping is None else MAPPED_SUFFIXES
    tables = [f for f in found if f.path.suffix.lower() in suffixes]
    others = [f for f in found if f.path.suffix.lower() not in suffixes]
    counter = _Counter(total=len(found if mapping is None else others), progress=progress)
    counter.add(0)

    def unread() -> Iterator[FoundFile]:
        for file in map(digested, others):
            case_id = workflow.case_of_report(file.sha256) if file.sha256 else None
            if case_id is None:
                yield file
            else:
                tally.count(TakenIn(case_id, is_new=False))
                counter.add(1)

    count = workers if workers is not None else min(len(others), os.cpu_count() or 1)
    with closing(read_in_order(unread(), workers=count, is_plain=is_plain)) as read:
        while batch := list(islice(read, _REPORTS_A_COMMIT)):
            reports = [(f.report, f.original) for f in batch if f.report and f.original]
            for taken in workflow.take_in_reports(reports, actor=actor):
                tally.count(taken)
            tally.refused.extend(file.refused for file in batch if file.refused is not None)
            counter.add(len(batch))
    for table in tables:
        _take_in_table(workflow, table, tally, mapping=mapping, actor=actor, progress=progress)
        if mapping is None:
            counter.add(1)
    return tally.result()


def _take_in_table(
    workflow: Workflow,
    found: FoundFile,
    tally: _Tally,
    *,
    mapping: DoseTableMapping | None,
    actor: Actor,
    progress: Progress | None,
) -> None:
    file = shown_name(found.path)
    try:
        data = content_of(found.path)
        if mapping is not None:
            dose_table = read_dose_table(data, file=file, mapping=mapping)
            rows = _Counter(_rows_in(dose_table), progress, unit="rows", table=found.path.name)
            _take_in_dose_table(workflow, data, dose_table, tally, actor=actor, rows=rows)
            return
        taken = workflow.take_in_table(data, file=file, actor=actor)
    except ReportRefusedError as error:
        tally.refused.append(RefusedFile(file=file, reason=error.reason))
        return
    tally.already_held += not taken.is_new
    tally.entries += taken.added
    tally.refused.extend(taken.refused)
    tally.cases.update(dict.fromkeys(taken.cases))


def _rows_in(table: DoseTable) -> int:
    return sum(len(found.lines) for found in table.reports)


def _take_in_dose_table(
    workflow: Workflow,
    data: bytes,
    table: DoseTable,
    tally: _Tally,
    *,
    actor: Actor,
    rows: _Counter,
) -> None:
    reports = iter(table.reports)
    rows.add(0)
    while batch := list(islice(reports, _REPORTS_A_COMMIT)):
        for taken in workflow.take_in_rows([(r.report, r.document) for r in batch], actor=actor):
            tally.count(taken)
        rows.add(sum(len(found.lines) for found in batch))
    if table.reports:
        workflow.hold_table(data, file=table.file, reports=len(table.reports), actor=actor)
    tally.refused.extend(RefusedFile(file=table.file, reason=row.reason) for row in table.refused)


@dataclass(slots=True)
class _Tally:
    """Running result of one ingest."""

    added: int = 0
    already_held: int = 0
    entries: int = 0
    refused: list[RefusedFile] = field(default_factory=list)
    cases: dict[str, None] = field(default_factory=dict)

    def count(self, taken: TakenIn) -> None:
        self.added += taken.is_new
        self.already_held += not taken.is_new
        if taken.is_new:
            self.cases[taken.case_id] = None

    def result(self) -> IngestResult:
        return IngestResult(
            added=self.added,
            already_held=self.already_held,
            entries_added=self.entries,
            refused=tuple(self.refused),
            cases=tuple(self.cases),
        )


@dataclass(slots=True)
class _Counter:
    total: int
    progress: Progress | None
    unit: str = "files"
    table: str | None = None
    done: int = 0

    def add(self, number: int) -> None:
        self.done += number
        if self.progress is not None and self.total:
            self.progress(Step(self.done, self.total, self.unit, self.table))
