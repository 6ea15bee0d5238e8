"""Findings about dose reports, images and procedure steps as they were read."""

from dosetrack.findings.model import FindingKind, Severity


class ReportFindings:
    """Findings about dose reports, images and procedure steps as they were read."""

    TRANSFER_SYNTAX_MISMATCH = FindingKind(
        "transfer-syntax-mismatch",
        Severity.WARNING,
        "The file says transfer syntax {declared} but is written otherwise; it was read as written.",
    )
    ITEMS_UNKNOWN = FindingKind(
        "items-unknown",
        Severity.INFO,
        "{count} content items are not of the dose report's template and were not read: {codes}.",
    )
    CHARACTER_SET_GUESSED = FindingKind(
        "character-set-guessed",
        Severity.INFO,
        "Some text is not in the character set the file declares ({declared}); names may show wrong letters.",
    )
    OFFSET_INVALID = FindingKind(
        "offset-invalid",
        Severity.WARNING,
        "The offset from UTC {offset!r} cannot be; times were read without one.",
    )
    BIRTH_DATE_UNREADABLE = FindingKind(
        "birth-date-unreadable",
        Severity.WARNING,
        "The date of birth sent is no date; it is not known.",
    )
    PATIENT_SIZE_IMPOSSIBLE = FindingKind(
        "patient-size-impossible",
        Severity.WARNING,
        "Patient {what} {number} {unit} cannot be; it is not known.",
    )
    NUMBER_EMPTY = FindingKind(
        "number-empty", Severity.INFO, "{what} was sent without a number; it is not known."
    )
    NUMBER_QUALIFIED_AS_ABSENT = FindingKind(
        "number-qualified-as-absent",
        Severity.INFO,
        "{what} is not known; the machine says why: {why}.",
    )
    NUMBER_UNREADABLE = FindingKind(
        "number-unreadable",
        Severity.WARNING,
        "{what} {number!r} is no number; it is not known.",
    )
    NUMBER_IMPOSSIBLE = FindingKind(
        "number-impossible",
        Severity.ERROR,
        "{what} of {number} cannot be; it is not known.",
    )
    NUMBER_IMPLAUSIBLE = FindingKind(
        "number-implausible",
        Severity.WARNING,
        "{what} of {number} is hard to believe; it was read as sent. Check the unit.",
    )
    DECIMAL_COMMA = FindingKind(
        "decimal-comma",
        Severity.INFO,
        "{what} was written with a decimal comma: {number}.",
    )
    VALUES_NOT_ONE_PER_PULSE = FindingKind(
        "values-not-one-per-pulse",
        Severity.WARNING,
        "{what} came with {count} values where {due}; {how}.",
    )
    UNIT_UNKNOWN = FindingKind(
        "unit-unknown",
        Severity.ERROR,
        "{what} {number} came in the unit {unit!r}, which is not known for it; the value is not known.",
    )
    UNIT_MISSING = FindingKind(
        "unit-missing",
        Severity.ERROR,
        "{what} {number} came without a unit; the value is not known.",
    )
    EVENT_UID_MISSING = FindingKind(
        "event-uid-missing",
        Severity.WARNING,
        "Event {number} has no UID: a repetition of it cannot be recognised.",
    )
    EVENT_PLANE_UNKNOWN = FindingKind(
        "event-plane-unknown",
        Severity.WARNING,
        "Event {number} does not say its plane; it counts in the sum over all planes only.",
    )
    EVENT_TIME_UNREADABLE = FindingKind(
        "event-time-unreadable",
        Severity.WARNING,
        "The start of event {number} ({sent!r}) is no time; it is not known.",
    )
    EVENT_TYPE_UNKNOWN = FindingKind(
        "event-type-unknown",
        Severity.WARNING,
        "Event {number} is of a type that is not known ({sent}); "
        "it counts as neither fluoroscopy nor acquisition.",
    )
    EVENT_REPEATED = FindingKind(
        "event-repeated",
        Severity.WARNING,
        "This event stands twice in the report (same UID, plane and start); {how}, and the first counts.",
    )
    EVENT_UID_REUSED = FindingKind(
        "event-uid-reused",
        Severity.WARNING,
        "Two events of one plane with different starts have the same UID; both count.",
    )
    EVENTS_MISSING = FindingKind(
        "events-missing",
        Severity.WARNING,
        "The report holds totals but no irradiation events: nothing can be summed or mapped.",
    )
    TOTALS_MISSING = FindingKind(
        "totals-missing",
        Severity.WARNING,
        "The report states no totals; those shown are summed from its events.",
    )
    TOTALS_PLANE_UNKNOWN = FindingKind(
        "totals-plane-unknown",
        Severity.WARNING,
        "Stated totals do not say their plane; {how}.",
    )
    TOTALS_REPEATED = FindingKind(
        "totals-repeated",
        Severity.WARNING,
        "{what} (plane {plane}) is stated twice with different values; the first counts.",
    )
    TOTALS_DISAGREE = FindingKind(
        "totals-disagree",
        Severity.WARNING,
        "{what}, plane {plane}: {stated} stated, {summed} summed from the events: "
        "they differ by more than rounding.",
    )
    CALIBRATION_STATED = FindingKind(
        "calibration-stated",
        Severity.INFO,
        "The report states a calibration factor of {factor} (plane {plane}); "
        "values are as sent, it is not applied.",
    )
    SCOPE_SO_FAR = FindingKind(
        "scope-so-far",
        Severity.INFO,
        "The report covers the procedure up to this point; more may follow.",
    )
    FILTER_THICKNESS_REVERSED = FindingKind(
        "filter-thickness-reversed",
        Severity.WARNING,
        "{count} of {of} events: a filter from {least} mm down to {greatest} mm thick; read as sent.",
    )
    COPPER_TOO_THICK = FindingKind(
        "copper-too-thick",
        Severity.WARNING,
        "{count} of {of} events: copper of up to {thickness} mm, as if sent in µm; read as sent.",
    )
    FIELD_AREA_DISAGREES = FindingKind(
        "field-area-disagrees",
        Severity.WARNING,
        "{count} of {of} events: DAP over Ka,r, carried to the detector, is up to {ratio} times the field.",
    )
    DOSE_SCALE_SUSPECT = FindingKind(
        "dose-scale-suspect",
        Severity.ERROR,
        "DAP over Ka,r, carried to the detector, is {ratio} times the field told (median of {count} events): "
        "as if a number were {power} times what it should be. Check the units; read as sent.",
    )
    SCALE_SUSPECT = FindingKind(
        "scale-suspect",
        Severity.WARNING,
        "{what} of {value} {unit} (median) is outside {least} to {most}. Check the unit; read as sent.",
    )
    REFERENCE_POINT_DISAGREES = FindingKind(
        "reference-point-disagrees",
        Severity.WARNING,
        "{count} of {of} events: reference point told {stated} mm from the source, by definition {expected}.",
    )
    FIELD_ZERO = FindingKind(
        "field-zero",
        Severity.WARNING,
        "{count} of {of} events: the collimated field is 0, with DAP of up to {most} Gy·cm².",
    )
    TABLE_AT_ZERO = FindingKind(
        "table-at-zero",
        Severity.WARNING,
        "All table positions of all {count} events are exactly 0: the table likely tells none.",
    )
    KERMA_ZERO_WITH_DAP = FindingKind(
        "kerma-zero-with-dap",
        Severity.WARNING,
        "Ka,r is 0 in {count} of {of} {name} that have DAP, up to {most} {unit}.",
    )
    DAP_ZERO_WITH_KERMA = FindingKind(
        "dap-zero-with-kerma",
        Severity.WARNING,
        "DAP is 0 in {count} of {of} {name} that have Ka,r, up to {most} {unit}.",
    )
    PLANE_WITHOUT_TOTALS = FindingKind(
        "plane-without-totals",
        Severity.WARNING,
        "The report has {count} events of plane {plane} but states no totals of it.",
    )
    TOTALS_WITHOUT_EVENTS = FindingKind(
        "totals-without-events",
        Severity.WARNING,
        "The report states dose of plane {plane} but has no event of it.",
    )
    PLANES_MIXED = FindingKind(
        "planes-mixed",
        Severity.WARNING,
        "The report speaks of a single plane and of plane A or B as well; each is shown as sent.",
    )
    ALL_PLANES_TOGETHER = FindingKind(
        "all-planes-together",
        Severity.INFO,
        "The report speaks of all planes together: Ka,r of one plane cannot be told from it.",
    )
    EVENTS_LEFT_OUT = FindingKind(
        "events-left-out",
        Severity.INFO,
        "Plane {plane}: totals above the events' sums ({excess}), as if faint events were left out.",
    )
    EVENT_AFTER_REPORT = FindingKind(
        "event-after-report",
        Severity.WARNING,
        "{count} of {of} events begin after the report was made, by up to {most}.",
    )
    EVENTS_OUT_OF_ORDER = FindingKind(
        "events-out-of-order",
        Severity.INFO,
        "{count} of {of} events begin before the one listed before them, by up to {most}.",
    )
    EVENTS_OVERLAP = FindingKind(
        "events-overlap",
        Severity.WARNING,
        "{count} of {of} events are not over when the next of their plane begins, by up to {most}.",
    )
    CLOCK_SET_BACK = FindingKind(
        "clock-set-back",
        Severity.WARNING,
        "{count} of {of} events step back at night by up to {most}: was the clock set back?",
    )
    DATE_NOT_ADVANCED = FindingKind(
        "date-not-advanced",
        Severity.WARNING,
        "{count} of {of} events step back by up to {most}: did the date not change at midnight?",
    )
    MAMMOGRAPHY_REPORT = FindingKind(
        "mammography-report",
        Severity.WARNING,
        "The report is of mammography: its glandular dose is not read.",
    )
    SECOND_CHOICE_SOURCE = FindingKind(
        "second-choice-source",
        Severity.WARNING,
        "Second-choice source: {why}.",
    )
    EVENT_UID_SYNTHETIC = FindingKind(
        "event-uid-synthetic",
        Severity.WARNING,
        "The {document} names no irradiation event; its own UID stands for the event's.",
    )
    IMAGE_OF_SEVERAL_EVENTS = FindingKind(
        "image-of-several-events",
        Severity.WARNING,
        "The image was made from {count} irradiation events; it is read as the first of them.",
    )
    IMAGE_DERIVED = FindingKind(
        "image-derived",
        Severity.WARNING,
        "The image is derived from others and names no irradiation event; its exposure is not counted again.",
    )
    IMAGE_DOSE_MISSING = FindingKind(
        "image-dose-missing",
        Severity.WARNING,
        "The image tells no dose-area product; it adds none to the sum.",
    )
    DURATION_FROM_FRAMES = FindingKind(
        "duration-from-frames",
        Severity.INFO,
        "The duration is computed: {frames} frames, {apart} ms apart.",
    )
    END_ANGLE_UNCLEAR = FindingKind(
        "end-angle-unclear",
        Severity.WARNING,
        "The positioner moved, but its increments do not tell where it ended; end angle not known.",
    )
    FIELD_FROM_FIELD_OF_VIEW = FindingKind(
        "field-from-field-of-view",
        Severity.INFO,
        "No collimator edges are told; the field of view stands for the field.",
    )
    ENTRANCE_DOSE_NOT_USED = FindingKind(
        "entrance-dose-not-used",
        Severity.INFO,
        "An entrance dose of {dose} mGy is told. It is no reference air kerma and was not used as one.",
    )
    EXPOSURES_COUNTED = FindingKind(
        "exposures-counted",
        Severity.INFO,
        "{count} exposures are told for the whole step.",
    )
    TIME_AT_THE_MOST = FindingKind(
        "time-at-the-most",
        Severity.WARNING,
        "The fluoroscopy time sent, {seconds} s, is the most its field can hold; the time is not known.",
    )
    RADIATION_MODE_ONLY = FindingKind(
        "radiation-mode-only",
        Severity.INFO,
        "{count} exposures tell only whether the beam was pulsed or continuous; "
        "they count as neither fluoroscopy nor acquisition.",
    )
    GEOMETRY_NOT_USED = FindingKind(
        "geometry-not-used",
        Severity.WARNING,
        "The enhanced report's geometry is not used ({count} irradiation details); it cannot be mapped.",
    )
    PATIENT_DOSE_ESTIMATE = FindingKind(
        "patient-dose-estimate",
        Severity.INFO,
        "Estimated, not measured: {quantity}{place}: {value} {unit}{method}.",
    )
    PATIENT_DOSE_NONE = FindingKind(
        "patient-dose-none",
        Severity.WARNING,
        "The patient dose report holds no estimate that could be read.",
    )
