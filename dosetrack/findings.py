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
    TRANSFER_SYNTAX_MISMATCH = (
        "transfer-syntax-mismatch",
        Severity.WARNING,
        "The file says transfer syntax {declared} but is written otherwise; it was read as written.",
    )
    ITEMS_UNKNOWN = (
        "items-unknown",
        Severity.INFO,
        "{count} content items are not of the dose report's template and were not read: {codes}.",
    )
    CHARACTER_SET_GUESSED = (
        "character-set-guessed",
        Severity.INFO,
        "Some text is not in the character set the file declares ({declared}); names may show wrong letters.",
    )
    OFFSET_INVALID = (
        "offset-invalid",
        Severity.WARNING,
        "The offset from UTC {offset!r} cannot be; times were read without one.",
    )
    BIRTH_DATE_UNREADABLE = (
        "birth-date-unreadable",
        Severity.WARNING,
        "The date of birth sent is no date; it is not known.",
    )
    PATIENT_SIZE_IMPOSSIBLE = (
        "patient-size-impossible",
        Severity.WARNING,
        "Patient {what} {number} {unit} cannot be; it is not known.",
    )
    NUMBER_EMPTY = ("number-empty", Severity.INFO, "{what} was sent without a number; it is not known.")
    NUMBER_QUALIFIED_AS_ABSENT = (
        "number-qualified-as-absent",
        Severity.INFO,
        "{what} is not known; the machine says why: {why}.",
    )
    NUMBER_UNREADABLE = (
        "number-unreadable",
        Severity.WARNING,
        "{what} {number!r} is no number; it is not known.",
    )
    NUMBER_IMPOSSIBLE = (
        "number-impossible",
        Severity.ERROR,
        "{what} of {number} cannot be; it is not known.",
    )
    NUMBER_IMPLAUSIBLE = (
        "number-implausible",
        Severity.WARNING,
        "{what} of {number} is hard to believe; it was read as sent. Check the unit.",
    )
    DECIMAL_COMMA = (
        "decimal-comma",
        Severity.INFO,
        "{what} was written with a decimal comma: {number}.",
    )
    UNIT_UNKNOWN = (
        "unit-unknown",
        Severity.ERROR,
        "{what} {number} came in the unit {unit!r}, which is not known for it; the value is not known.",
    )
    UNIT_MISSING = (
        "unit-missing",
        Severity.ERROR,
        "{what} {number} came without a unit; the value is not known.",
    )
    EVENT_UID_MISSING = (
        "event-uid-missing",
        Severity.WARNING,
        "Event {number} has no UID: a repetition of it cannot be recognised.",
    )
    EVENT_PLANE_UNKNOWN = (
        "event-plane-unknown",
        Severity.WARNING,
        "Event {number} does not say its plane; it counts in the sum over all planes only.",
    )
    EVENT_TIME_UNREADABLE = (
        "event-time-unreadable",
        Severity.WARNING,
        "The start of event {number} ({sent!r}) is no time; it is not known.",
    )
    EVENT_TYPE_UNKNOWN = (
        "event-type-unknown",
        Severity.WARNING,
        "Event {number} is of a type that is not known ({sent}); "
        "it counts as neither fluoroscopy nor acquisition.",
    )
    EVENT_REPEATED = (
        "event-repeated",
        Severity.WARNING,
        "This event stands twice in the report (same UID, plane and start); {how}, and the first counts.",
    )
    EVENT_UID_REUSED = (
        "event-uid-reused",
        Severity.WARNING,
        "Two events of one plane with different starts have the same UID; both count.",
    )
    EVENTS_MISSING = (
        "events-missing",
        Severity.WARNING,
        "The report holds totals but no irradiation events: nothing can be summed or mapped.",
    )
    TOTALS_MISSING = (
        "totals-missing",
        Severity.WARNING,
        "The report states no totals; those shown are summed from its events.",
    )
    TOTALS_PLANE_UNKNOWN = (
        "totals-plane-unknown",
        Severity.WARNING,
        "Stated totals do not say their plane; {how}.",
    )
    TOTALS_REPEATED = (
        "totals-repeated",
        Severity.WARNING,
        "{what} (plane {plane}) is stated twice with different values; the first counts.",
    )
    TOTALS_DISAGREE = (
        "totals-disagree",
        Severity.WARNING,
        "{what}, plane {plane}: {stated} stated, {summed} summed from the events: "
        "they differ by more than rounding.",
    )
    CALIBRATION_STATED = (
        "calibration-stated",
        Severity.INFO,
        "The report states a calibration factor of {factor} (plane {plane}); "
        "values are as sent, it is not applied.",
    )
    SCOPE_SO_FAR = (
        "scope-so-far",
        Severity.INFO,
        "The report covers the procedure up to this point; more may follow.",
    )
    FILTER_THICKNESS_REVERSED = (
        "filter-thickness-reversed",
        Severity.WARNING,
        "{count} of {of} events: a filter from {least} mm down to {greatest} mm thick; read as sent.",
    )
    COPPER_TOO_THICK = (
        "copper-too-thick",
        Severity.WARNING,
        "{count} of {of} events: copper of up to {thickness} mm, as if sent in µm; read as sent.",
    )
    FIELD_AREA_DISAGREES = (
        "field-area-disagrees",
        Severity.WARNING,
        "{count} of {of} events: DAP over Ka,r, carried to the detector, is up to {ratio} times the field.",
    )
    DOSE_SCALE_SUSPECT = (
        "dose-scale-suspect",
        Severity.ERROR,
        "DAP over Ka,r, carried to the detector, is {ratio} times the field told (median of {count} events): "
        "as if a number were {power} times what it should be. Check the units; read as sent.",
    )
    SCALE_SUSPECT = (
        "scale-suspect",
        Severity.WARNING,
        "{what} of {value} {unit} (median) is outside {least} to {most}. Check the unit; read as sent.",
    )
    REFERENCE_POINT_DISAGREES = (
        "reference-point-disagrees",
        Severity.WARNING,
        "{count} of {of} events: reference point told {stated} mm from the source, by definition {expected}.",
    )
    FIELD_ZERO = (
        "field-zero",
        Severity.WARNING,
        "{count} of {of} events: the collimated field is 0, with DAP of up to {most} Gy·cm².",
    )
    TABLE_AT_ZERO = (
        "table-at-zero",
        Severity.WARNING,
        "All table positions of all {count} events are exactly 0: the table likely tells none.",
    )
    KERMA_ZERO_WITH_DAP = (
        "kerma-zero-with-dap",
        Severity.WARNING,
        "Ka,r is 0 in {count} of {of} {name} that have DAP, up to {most} {unit}.",
    )
    DAP_ZERO_WITH_KERMA = (
        "dap-zero-with-kerma",
        Severity.WARNING,
        "DAP is 0 in {count} of {of} {name} that have Ka,r, up to {most} {unit}.",
    )
    PLANE_WITHOUT_TOTALS = (
        "plane-without-totals",
        Severity.WARNING,
        "The report has {count} events of plane {plane} but states no totals of it.",
    )
    TOTALS_WITHOUT_EVENTS = (
        "totals-without-events",
        Severity.WARNING,
        "The report states dose of plane {plane} but has no event of it.",
    )
    PLANES_MIXED = (
        "planes-mixed",
        Severity.WARNING,
        "The report speaks of a single plane and of plane A or B as well; each is shown as sent.",
    )
    ALL_PLANES_TOGETHER = (
        "all-planes-together",
        Severity.INFO,
        "The report speaks of all planes together: Ka,r of one plane cannot be told from it.",
    )
    EVENTS_LEFT_OUT = (
        "events-left-out",
        Severity.INFO,
        "Plane {plane}: totals above the events' sums ({excess}), as if faint events were left out.",
    )
    EVENT_AFTER_REPORT = (
        "event-after-report",
        Severity.WARNING,
        "{count} of {of} events begin after the report was made, by up to {most}.",
    )
    EVENTS_OUT_OF_ORDER = (
        "events-out-of-order",
        Severity.INFO,
        "{count} of {of} events begin before the one listed before them, by up to {most}.",
    )
    EVENTS_OVERLAP = (
        "events-overlap",
        Severity.WARNING,
        "{count} of {of} events are not over when the next of their plane begins, by up to {most}.",
    )
    CLOCK_SET_BACK = (
        "clock-set-back",
        Severity.WARNING,
        "{count} of {of} events step back at night by up to {most}: was the clock set back?",
    )
    DATE_NOT_ADVANCED = (
        "date-not-advanced",
        Severity.WARNING,
        "{count} of {of} events step back by up to {most}: did the date not change at midnight?",
    )
    MAMMOGRAPHY_REPORT = (
        "mammography-report",
        Severity.WARNING,
        "The report is of mammography: its glandular dose is not read.",
    )
    SECOND_CHOICE_SOURCE = (
        "second-choice-source",
        Severity.WARNING,
        "Second-choice source: {why}.",
    )
    EVENT_UID_SYNTHETIC = (
        "event-uid-synthetic",
        Severity.WARNING,
        "The {document} names no irradiation event; its own UID stands for the event's.",
    )
    IMAGE_OF_SEVERAL_EVENTS = (
        "image-of-several-events",
        Severity.WARNING,
        "The image was made from {count} irradiation events; it is read as the first of them.",
    )
    IMAGE_DERIVED = (
        "image-derived",
        Severity.WARNING,
        "The image is derived from others and names no irradiation event; its exposure is not counted again.",
    )
    IMAGE_DOSE_MISSING = (
        "image-dose-missing",
        Severity.WARNING,
        "The image tells no dose-area product; it adds none to the sum.",
    )
    DURATION_FROM_FRAMES = (
        "duration-from-frames",
        Severity.INFO,
        "The duration is computed: {frames} frames, {apart} ms apart.",
    )
    END_ANGLE_UNCLEAR = (
        "end-angle-unclear",
        Severity.WARNING,
        "The positioner moved, but its increments do not tell where it ended; end angle not known.",
    )
    FIELD_FROM_FIELD_OF_VIEW = (
        "field-from-field-of-view",
        Severity.INFO,
        "No collimator edges are told; the field of view stands for the field.",
    )
    ENTRANCE_DOSE_NOT_USED = (
        "entrance-dose-not-used",
        Severity.INFO,
        "An entrance dose of {dose} mGy is told. It is no reference air kerma and was not used as one.",
    )
    EXPOSURES_COUNTED = (
        "exposures-counted",
        Severity.INFO,
        "{count} exposures are told for the whole step.",
    )
    TIME_AT_THE_MOST = (
        "time-at-the-most",
        Severity.WARNING,
        "The fluoroscopy time sent, {seconds} s, is the most its field can hold; the time is not known.",
    )
    RADIATION_MODE_ONLY = (
        "radiation-mode-only",
        Severity.INFO,
        "{count} exposures tell only whether the beam was pulsed or continuous; "
        "they count as neither fluoroscopy nor acquisition.",
    )
    GEOMETRY_NOT_USED = (
        "geometry-not-used",
        Severity.WARNING,
        "The enhanced report's geometry is not used ({count} irradiation details); it cannot be mapped.",
    )
    PATIENT_DOSE_ESTIMATE = (
        "patient-dose-estimate",
        Severity.INFO,
        "Estimated, not measured: {quantity}{place}: {value} {unit}{method}.",
    )
    PATIENT_DOSE_NONE = (
        "patient-dose-none",
        Severity.WARNING,
        "The patient dose report holds no estimate that could be read.",
    )
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
    SECOND_CHOICE_SET_ASIDE = (
        "second-choice-set-aside",
        Severity.INFO,
        "{file} ({source}) is kept; the dose report of the same machine counts in its place.",
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
    ENTRY_QUESTION = ("entry-question", Severity.WARNING, "{place}{field}: {text}")
    ENTRY_STANDS_TWICE = (
        "entry-stands-twice",
        Severity.WARNING,
        "{place}the same entry stands in line {first}; both were read. Was it typed twice?",
    )
    ENTRY_COLUMN_UNKNOWN = (
        "entry-column-unknown",
        Severity.WARNING,
        "{file}, column {column}: not known and not read; known columns: {known}.",
    )
    # tables from old systems
    TABLE_SOURCE = (
        "table-source",
        Severity.INFO,
        "Read from a table of an old system through a saved column mapping; "
        "it tells only what its columns hold.",
    )
    TABLE_IDENTITY_DERIVED = (
        "table-identity-derived",
        Severity.INFO,
        "The table gives no {what}; one was derived from {origin}.",
    )
    TABLE_COLUMN_NOT_READ = (
        "table-column-not-read",
        Severity.INFO,
        "{file}, column {column}: not in the mapping and not read.",
    )
    TABLE_LINE_STANDS_TWICE = (
        "table-line-stands-twice",
        Severity.WARNING,
        "{place}the same line stands in line {first}; it was read once.",
    )
    TABLE_PARTS_ALIKE = (
        "table-parts-alike",
        Severity.WARNING,
        "{count} rows of this case are the same in every column read; all were counted. "
        "Was one exported twice?",
    )
    TABLE_TIME_OCCURS_TWICE = (
        "table-time-occurs-twice",
        Severity.WARNING,
        "{time} occurs twice in {zone} (clocks set back); the earlier one was taken.",
    )
    # kidney
    CREATININE_MISSING = ("creatinine-missing", Severity.WARNING, "Limit unknown: creatinine missing.")
    CREATININE_AGE_UNKNOWN = (
        "creatinine-age-unknown",
        Severity.WARNING,
        "Age of creatinine unknown: no date was given with it.",
    )
    CREATININE_STALE = (
        "creatinine-stale",
        Severity.WARNING,
        "The creatinine is {days} days old, more than {limit} days ({who}); no row uses it unless confirmed.",
    )
    CREATININE_STALE_CONFIRMED = (
        "creatinine-stale-confirmed",
        Severity.WARNING,
        "Based on a creatinine of {days} days ago, confirmed by a person.",
    )
    CREATININE_LATER_THAN_CASE = (
        "creatinine-later-than-case",
        Severity.WARNING,
        "The creatinine is dated {taken_on}, after {on}; no row uses it.",
    )
    CREATININE_UNSTABLE = (
        "creatinine-unstable",
        Severity.WARNING,
        "Renal estimate not valid: creatinine is changing. Treat as high risk whatever its value.",
    )
    CREATININE_AFTER_CONTRAST = (
        "creatinine-after-contrast",
        Severity.WARNING,
        "The creatinine was taken within {hours} h after earlier contrast: it may still be rising.",
    )
    ON_DIALYSIS = (
        "on-dialysis",
        Severity.WARNING,
        "On dialysis: rows that use creatinine do not apply. {note}",
    )
    RENAL_INPUT_MISSING = (
        "renal-input-missing",
        Severity.WARNING,
        "Not known: {what}. Not computed for want of it: {rows}.",
    )
    SEX_UNKNOWN = ("sex-unknown", Severity.WARNING, "Sex not known: both computed, the lower is used.")
    BELOW_ADULT_AGE = (
        "below-adult-age",
        Severity.WARNING,
        "Below {age} years: adult equations and adult limits do not apply.",
    )
    WEIGHT_ABOVE_IDEAL = (
        "weight-above-ideal",
        Severity.INFO,
        "Weight is more than {percent} % of ideal weight: the lowest clearance is used ({basis}).",
    )
    EGFR_IMPLAUSIBLE = (
        "egfr-implausible",
        Severity.WARNING,
        "eGFR {value} mL/min/1.73 m² is outside {low} to {high}: is the unit of creatinine right?",
    )
    EGFR_AT_RISK = (
        "egfr-at-risk",
        Severity.WARNING,
        "eGFR {value} mL/min/1.73 m² is below {level}: at risk for {route} ({source}).",
    )
    INJECTION_SITE_UNKNOWN = (
        "injection-site-unknown",
        Severity.INFO,
        "Injection site not known: treated as first pass.",
    )
    CONCENTRATION_UNKNOWN = (
        "concentration-unknown",
        Severity.WARNING,
        "Contrast concentration not known: iodine limits have no mL.",
    )
    IODINE_AT_LEAST = (
        "iodine-at-least",
        Severity.WARNING,
        "Concentration not known for {volume} mL: the iodine given is at least what is shown.",
    )
    CONTRAST_GIVEN_NOT_TOLD = (
        "contrast-given-not-told",
        Severity.INFO,
        "Contrast given in this case not told: counted as none given.",
    )
    EARLIER_CONTRAST_UNKNOWN = (
        "earlier-contrast-unknown",
        Severity.WARNING,
        "Earlier contrast not known ({hours} h before the case).",
    )
    EARLIER_CONTRAST_AMOUNT_UNKNOWN = (
        "earlier-contrast-amount-unknown",
        Severity.WARNING,
        "Earlier contrast was given within {hours} h; {what} not known and not counted.",
    )
    GADOLINIUM_GIVEN = (
        "gadolinium-given",
        Severity.WARNING,
        "{volume} mL of gadolinium contrast: no iodine, but limited by its own dose and by kidney function.",
    )
    CONTRAST_ELSEWHERE = (
        "contrast-not-intravascular",
        Severity.INFO,
        "{volume} mL of contrast went outside the blood and is not in the total.",
    )
    LIMIT_LOOSENED = (
        "limit-loosened",
        Severity.WARNING,
        "The leading limit would go from {before} to {after}: confirm before it is used.",
    )
    # audit
    REFERENCE_NOT_USABLE = (
        "reference-not-usable",
        Severity.WARNING,
        "The reference level chosen for {procedure} cannot be used. {reason}",
    )
    # radiation, skin
    FIELD_INDEX_UNUSUAL = (
        "field-index-unusual",
        Severity.WARNING,
        "{where}: dose-area product over reference air kerma gives a mean field of {area} cm², "
        "outside {least} to {most} cm². Check both numbers.",
    )
    FIELD_INDEX_IMPOSSIBLE = (
        "field-index-impossible",
        Severity.WARNING,
        "{where}: dose-area product over reference air kerma gives a mean field of {area} cm²: "
        "likely a wrong unit or a typing error{hint}.",
    )
    KERMA_RATE_UNUSUAL = (
        "kerma-rate-unusual",
        Severity.WARNING,
        "{where}: {rate} mGy of reference air kerma per fluoroscopy minute is outside {least} to {most}. "
        "Check both numbers.",
    )
    KERMA_ZERO_WITH_BEAM = (
        "kerma-zero-with-beam",
        Severity.WARNING,
        "{where}: reference air kerma is 0 after {minutes} min of fluoroscopy. Is the meter working?",
    )
    FLUOROSCOPY_TIME_LONG = (
        "fluoroscopy-time-long",
        Severity.WARNING,
        "{where}: {minutes} min of fluoroscopy is more than {most} min. Were seconds taken for minutes?",
    )
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
