"""Findings about how reports and entries make one case."""

from dosetrack.findings.model import FindingKind, Severity


class CaseFindings:
    """Findings about how reports and entries make one case."""

    EVENT_DIFFERS_BETWEEN_REPORTS = FindingKind(
        "event-differs-between-reports",
        Severity.WARNING,
        "Two reports tell this event differently; {kept} counts, {other} is kept.",
    )
    REPORTS_OVERLAP_IN_PART = FindingKind(
        "reports-overlap-in-part",
        Severity.WARNING,
        "{one} and {other} share some events but neither holds all of the other's; "
        "the stated totals of the later one are shown, and the sum of the unique events.",
    )
    SECOND_CHOICE_SET_ASIDE = FindingKind(
        "second-choice-set-aside",
        Severity.INFO,
        "{file} ({source}) is kept; the dose report of the same machine counts in its place.",
    )
    PATIENT_DIFFERS = FindingKind(
        "patient-differs",
        Severity.ERROR,
        "The case was entered for patient {entered}; {file} was sent for {sent}. Ask which is right.",
    )
    CHANGED_AFTER_CLOSING = FindingKind(
        "changed-after-closing",
        Severity.WARNING,
        "The case was closed by {who}; then came: {what}. It is open for reconciling again.",
    )
    TIME_OCCURS_TWICE = FindingKind(
        "time-occurs-twice",
        Severity.INFO,
        "{time} occurs twice in {zone} (clocks set back); the earlier one was taken.",
    )
    MAY_BELONG_TO_OTHER_CASE = FindingKind(
        "may-belong-to-other-case",
        Severity.WARNING,
        "The report may belong to case {other}: {why}. A person decides.",
    )
    MACHINE_ENTRY_WAITS = FindingKind(
        "machine-entry-waits",
        Severity.WARNING,
        "{feed} sent: {sent}. It does not count until a person decides: {why}",
    )
