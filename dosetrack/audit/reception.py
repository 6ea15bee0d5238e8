"""What was planned beside what came: procedures without case, cases without report, reports unplanned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class ExpectedProcedure:
    """A scheduled procedure whose time has passed.

    case_id : of the case that was opened from it or whose report names it
    matched_by : 'form', 'accession', 'study', 'patient and day'; None without a case
    has_report : whether a dose report of that case is held
    left_list : it went from its worklist after its time: done or cancelled, the worklist does not say
    """

    key: str
    day: date
    scheduled_at: str | None
    room: str | None
    procedure: str | None
    accession_number: str | None
    case_id: str | None = None
    matched_by: str | None = None
    has_report: bool = False
    left_list: bool = False


@dataclass(frozen=True, slots=True)
class ReceivedCase:
    """An ended case of the period. has_report : whether any dose report of it is held."""

    case_id: str
    day: date
    room: str | None
    procedure: str | None
    has_report: bool


@dataclass(frozen=True, slots=True)
class Reception:
    """Counts and lists of a period.

    scheduled : procedures whose time has passed
    with_report, with_case_only : how many of them came to a case with a report, or to a case without
    without_case : the others, each for a person to look into
    cases_without_report : ended cases, scheduled or not, of which no dose report is held
    reports_without_schedule : cases with a report that nothing announced; None where no procedure was
        scheduled in the period, so that nothing could announce them
    """

    scheduled: int
    with_report: int
    with_case_only: int
    without_case: tuple[ExpectedProcedure, ...]
    cases_without_report: tuple[ReceivedCase, ...]
    reports_without_schedule: tuple[ReceivedCase, ...] | None


def reception(expected: Sequence[ExpectedProcedure], received: Sequence[ReceivedCase]) -> Reception:
    """Count what was expected and what was received, and list what does not meet."""
    announced = {one.case_id for one in expected}
    unplanned = tuple(case for case in received if case.has_report and case.case_id not in announced)
    return Reception(
        scheduled=len(expected),
        with_report=sum(one.has_report for one in expected),
        with_case_only=sum(one.case_id is not None and not one.has_report for one in expected),
        without_case=tuple(one for one in expected if one.case_id is None),
        cases_without_report=tuple(case for case in received if not case.has_report),
        reports_without_schedule=unplanned if expected else None,
    )
