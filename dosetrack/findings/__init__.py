"""The closed list of findings: what was unusual in the data, how serious, and how it is said.

A finding is data, not an exception: the result goes on and carries it. One module of this package
holds the kinds of one area; `FindingCode` joins them. Each is documented in README.md.
"""

from __future__ import annotations

from dosetrack.findings.cases import CaseFindings
from dosetrack.findings.dose import DoseFindings
from dosetrack.findings.entries import EntryFindings
from dosetrack.findings.kidney import KidneyFindings
from dosetrack.findings.model import Finding, FindingKind, Severity, figures, finding
from dosetrack.findings.reports import ReportFindings

__all__ = ["Finding", "FindingCode", "FindingKind", "Severity", "figures", "finding", "finding_kinds"]


class FindingCode(ReportFindings, CaseFindings, EntryFindings, KidneyFindings, DoseFindings):
    """Every kind of finding dosetrack can make, by name."""


def finding_kinds() -> dict[str, FindingKind]:
    """Name -> kind, the whole closed list."""
    return {
        name: value
        for area in reversed(FindingCode.__mro__)
        for name, value in vars(area).items()
        if isinstance(value, FindingKind)
    }
