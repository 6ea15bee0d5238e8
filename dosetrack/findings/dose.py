"""Findings about the dose of a case, and of the audit."""

from dosetrack.findings.model import FindingKind, Severity


class DoseFindings:
    """Findings about the dose of a case, and of the audit."""

    FIELD_INDEX_UNUSUAL = FindingKind(
        "field-index-unusual",
        Severity.WARNING,
        "{where}: dose-area product over reference air kerma gives a mean field of {area} cm², "
        "outside {least} to {most} cm². Check both numbers.",
    )
    FIELD_INDEX_IMPOSSIBLE = FindingKind(
        "field-index-impossible",
        Severity.WARNING,
        "{where}: dose-area product over reference air kerma gives a mean field of {area} cm²: "
        "likely a wrong unit or a typing error{hint}.",
    )
    KERMA_RATE_UNUSUAL = FindingKind(
        "kerma-rate-unusual",
        Severity.WARNING,
        "{where}: {rate} mGy of reference air kerma per fluoroscopy minute is outside {least} to {most}. "
        "Check both numbers.",
    )
    KERMA_ZERO_WITH_BEAM = FindingKind(
        "kerma-zero-with-beam",
        Severity.WARNING,
        "{where}: reference air kerma is 0 after {minutes} min of fluoroscopy. Is the meter working?",
    )
    FLUOROSCOPY_TIME_LONG = FindingKind(
        "fluoroscopy-time-long",
        Severity.WARNING,
        "{where}: {minutes} min of fluoroscopy is more than {most} min. Were seconds taken for minutes?",
    )
    REFERENCE_NOT_USABLE = FindingKind(
        "reference-not-usable",
        Severity.WARNING,
        "The reference level chosen for {procedure} cannot be used. {reason}",
    )
    AUDIT_CHANGE_UNREADABLE = FindingKind(
        "audit-change-unreadable",
        Severity.WARNING,
        "The change {line} is left out: it does not read as first day | equipment, protocol or setting | "
        "room | procedure | what was changed.",
    )
    BEAM_QUALITY_OUTSIDE_TABLE = FindingKind(
        "beam-quality-outside-table",
        Severity.WARNING,
        "Skin factors: {name} {given} {unit} is outside the table, {least} to {most} {unit}. The nearest end "
        "stands in and the range is wider.",
    )
    FILTER_MATERIAL_NOT_IN_TABLE = FindingKind(
        "filter-material-not-in-table",
        Severity.WARNING,
        "Skin factors: a filter of {material} is not in the table, which knows aluminium and copper. It is "
        "left out and the range is wider.",
    )
    FILTER_THICKNESS_NOT_USABLE = FindingKind(
        "filter-thickness-not-usable",
        Severity.WARNING,
        "Skin factors: a filter of {material} has {given} as its thickness. "
        "It is left out and the range is wider.",
    )
    BODY_SIZE_IMPOSSIBLE = FindingKind(
        "body-size-impossible",
        Severity.WARNING,
        "Skin map: {what} {given} is outside {least} to {most}. It is not used and the range is wider.",
    )
    BODY_SIZE_CONTRADICTORY = FindingKind(
        "body-size-contradictory",
        Severity.WARNING,
        "Skin map: a height of {height} cm and a weight of {weight} kg do not belong to one patient. Neither "
        "is used and a flat sheet stands for the skin.",
    )
    BODY_DEPTH_CLAMPED = FindingKind(
        "body-depth-clamped",
        Severity.INFO,
        "Skin map: height and weight give a trunk {recipe} cm thick, outside what the recipe covers. It is "
        "drawn {used} cm thick and wider or narrower instead.",
    )
    EVENTS_NOT_MAPPED = FindingKind(
        "events-not-mapped",
        Severity.WARNING,
        "Skin map: {count} of {of} events, {kerma}, could not be placed on the skin: {reason}.",
    )
    BEAM_IMPOSSIBLE = FindingKind(
        "beam-impossible",
        Severity.WARNING,
        "Skin map: {count} of {of} events, {kerma}, could not be placed on the skin: {reason}. "
        "Accepted are distances and air kerma above 0, with the detector behind the isocentre.",
    )
    PATIENT_POSITION_CHANGES = FindingKind(
        "patient-position-changes",
        Severity.WARNING,
        "Skin map: the patient's position changes within the case; most was given lying {position}, "
        "some lying {others}.",
    )
    TABLE_AXES_DOUBTFUL = FindingKind(
        "table-axes-doubtful",
        Severity.WARNING,
        "Skin map: the table's {reading} moves over {way} mm {where} by the setting of this system; tables "
        "move at most {most} mm that way. Check the table axes.",
    )
    ARMS_IN_BEAM_UNKNOWN = FindingKind(
        "arms-in-beam-unknown",
        Severity.WARNING,
        "Skin map: {count} events with {kerma} mGy are steeper than 60° from the vertical, and how the arms "
        "lay is not told. An arm in the beam would take the dose.",
    )
    SKIN_LOWER_ESTIMATE = FindingKind(
        "skin-lower-estimate",
        Severity.WARNING,
        "Skin map: {share} of the air kerma lies on the skin of the map, {count} events do not. The peak is "
        "a lower estimate.{most}",
    )
    SKIN_NOTHING_PLACED = FindingKind(
        "skin-nothing-placed",
        Severity.WARNING,
        "Skin map: no event could be placed on the skin, so there is no peak. The possible range from air "
        "kerma stands in.",
    )
    SKIN_BEAMS_MISS_BODY = FindingKind(
        "skin-beams-miss-body",
        Severity.WARNING,
        "Skin map: no beam meets the body where it was taken to lie, so there is no peak. Check position, "
        "region and table axes.",
    )
    SKIN_CASES_REGISTERED = FindingKind(
        "skin-cases-registered",
        Severity.INFO,
        "Skin map: {count} cases are added on one body. How well they lie on each other is not known; the "
        "range is wider for it.",
    )
    SKIN_CASE_NOT_ON_MAP = FindingKind(
        "skin-case-not-on-map",
        Severity.WARNING,
        "Skin map: the case of {day} with {kerma} of reference air kerma is not on the map. The peak over "
        "all cases is a lower estimate.",
    )
