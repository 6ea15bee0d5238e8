"""The closed list of findings: what was unusual in the data, how serious, and how it is said.

A finding is data, not an exception: the result goes on and carries it. Each code is documented
in README.md. Codes are grouped by the module that raises them; the text is a template whose
fields are given at the place of use.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Severity(Enum):
    """How much a finding matters to the reader of the result."""

    INFO = "info"
    WARNING = "warning"
    ERROR = "error"


class FindingCode(Enum):
    """(code, severity, template) of every finding dosetrack can make."""

    # readers
    # cases, reconcile
    EVENT_DIFFERS_BETWEEN_REPORTS = (
        "event-differs-between-reports",
        Severity.WARNING,
        "Two reports tell this event differently; {kept} counts, {other} is kept.",
    )
    REPORTS_OVERLAP_IN_PART = (
        "reports-overlap-in-part",
        Severity.WARNING,
        "{one} and {other} share some events but neither holds all of the other's; "
        "the stated totals of the later one are shown, and the sum of the unique events.",
    )
    PATIENT_DIFFERS = (
        "patient-differs",
        Severity.ERROR,
        "The case was entered for patient {entered}; {file} was sent for {sent}. Ask which is right.",
    )
    TIME_OCCURS_TWICE = (
        "time-occurs-twice",
        Severity.INFO,
        "{time} occurs twice in {zone} (clocks set back); the earlier one was taken.",
    )
    MAY_BELONG_TO_OTHER_CASE = (
        "may-belong-to-other-case",
        Severity.WARNING,
        "The report may belong to case {other}: {why}. A person decides.",
    )
    # entry
    # kidney
    # radiation, skin
    # workflow, ledger

    def __init__(self, code: str, severity: Severity, template: str) -> None:
        self.code = code
        self.severity = severity
        self.template = template


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing worth a person's attention.

    Attributes
    ----------
    code : from `FindingCode`
    severity : 'info', 'warning' or 'error'
    text : a plain sentence
    event_uid : the irradiation event it speaks of, if one
    """

    code: str
    severity: str
    text: str
    event_uid: str | None = None


def finding(code: FindingCode, /, *, event_uid: str | None = None, **facts: object) -> Finding:
    """The finding `code` with its template filled from `facts`."""
    return Finding(
        code=code.code,
        severity=code.severity.value,
        text=code.template.format(**facts),
        event_uid=event_uid,
    )
