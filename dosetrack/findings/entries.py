"""Findings about what a person typed, and about tables."""

from dosetrack.findings.model import FindingKind, Severity


class EntryFindings:
    """Findings about what a person typed, and about tables."""

    ENTRY_QUESTION = FindingKind("entry-question", Severity.WARNING, "{place}{field}: {text}")
    ENTRY_STANDS_TWICE = FindingKind(
        "entry-stands-twice",
        Severity.WARNING,
        "{place}the same entry stands in line {first}; both were read. Was it typed twice?",
    )
    ENTRY_COLUMN_UNKNOWN = FindingKind(
        "entry-column-unknown",
        Severity.WARNING,
        "{file}, column {column}: not known and not read; known columns: {known}.",
    )
    TABLE_SOURCE = FindingKind(
        "table-source",
        Severity.INFO,
        "Read from a table of an old system through a saved column mapping; "
        "it tells only what its columns hold.",
    )
    TABLE_IDENTITY_DERIVED = FindingKind(
        "table-identity-derived",
        Severity.INFO,
        "The table gives no {what}; one was derived from {origin}.",
    )
    TABLE_COLUMN_NOT_READ = FindingKind(
        "table-column-not-read",
        Severity.INFO,
        "{file}, column {column}: not in the mapping and not read.",
    )
    TABLE_LINE_STANDS_TWICE = FindingKind(
        "table-line-stands-twice",
        Severity.WARNING,
        "{place}the same line stands in line {first}; it was read once.",
    )
    TABLE_PARTS_ALIKE = FindingKind(
        "table-parts-alike",
        Severity.WARNING,
        "{count} rows of this case are the same in every column read; all were counted. "
        "Was one exported twice?",
    )
    TABLE_TIME_OCCURS_TWICE = FindingKind(
        "table-time-occurs-twice",
        Severity.WARNING,
        "{time} occurs twice in {zone} (clocks set back); the earlier one was taken.",
    )
