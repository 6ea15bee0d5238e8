"""Why each finding matters, in one plain sentence, for the reader of a case."""

from __future__ import annotations

DEFAULT = "A number shown here may be incomplete or may change."

_GROUPS: dict[str, tuple[str, ...]] = {
    "The file was not written as it says; a reader elsewhere may see other numbers.": (
        "transfer-syntax-mismatch", "offset-invalid", "character-set-guessed",
    ),
    "Something the machine sent is not used here.": ("items-unknown", "mammography-report"),
    "Age and size decide the limits and the reading of the dose.": (
        "birth-date-unreadable", "patient-size-impossible",
    ),
    "A total without this number may be too low.": (
        "number-empty", "number-qualified-as-absent", "number-unreadable", "number-impossible",
        "event-plane-unknown",
    ),
    "A wrong unit changes a dose by a factor of ten or more.": (
        "number-implausible", "unit-unknown", "unit-missing", "decimal-comma", "field-index-unusual",
        "field-index-impossible", "kerma-rate-unusual", "dose-scale-suspect", "scale-suspect",
    ),
    "The same exposure could be counted twice, or one be lost.": (
        "event-uid-missing", "event-repeated", "event-uid-reused", "event-differs-between-reports",
        "second-choice-set-aside", "reports-overlap-in-part", "entry-stands-twice",
        "table-line-stands-twice", "table-parts-alike",
    ),
    "A second-choice source tells less than a dose report; what was given may be more.": (
        "second-choice-source", "image-of-several-events", "image-derived", "image-dose-missing",
        "exposures-counted", "radiation-mode-only", "time-at-the-most", "table-source",
        "table-column-not-read",
    ),
    "Dose or contrast was given that no total shows yet.": ("machine-entry-waits",),
    "A number stands in for one that was not sent.": (
        "event-uid-synthetic", "values-not-one-per-pulse", "duration-from-frames", "field-from-field-of-view",
        "end-angle-unclear",
        "table-identity-derived",
    ),
    "It is another quantity and would mislead as a reference air kerma.": ("entrance-dose-not-used",),
    "Without geometry the dose cannot be placed on the skin.": ("geometry-not-used",),
    "An estimate rests on a model of the patient; it is no measurement.": (
        "patient-dose-estimate", "patient-dose-none",
    ),
    "The order on the clock and the tie to an injection may be wrong.": (
        "event-time-unreadable", "time-occurs-twice", "table-time-occurs-twice",
        "event-after-report", "events-out-of-order",
        "events-overlap", "clock-set-back", "date-not-advanced",
    ),
    "Fluoroscopy and acquisitions are told apart by it.": ("event-type-unknown",),
    "Stated and summed totals cannot check each other.": (
        "events-missing", "totals-missing", "totals-plane-unknown", "totals-repeated",
    ),
    "Dose given in events that are not listed cannot be placed on the skin.": ("events-left-out",),
    "One of the two totals is wrong; levels use the higher until someone finds out.": ("totals-disagree",),
    "Displayed and true dose may differ by this factor.": ("calibration-stated",),
    "More dose may follow in a later report.": ("scope-so-far",),
    "The beam quality, and so the skin dose, depends on the filter.": (
        "filter-thickness-reversed", "copper-too-thick",
    ),
    "Field and distances place the beam on the skin; one of these numbers is wrong.": (
        "field-area-disagrees", "field-zero", "reference-point-disagrees", "table-at-zero",
    ),
    "Dose was given that this number does not show.": ("kerma-zero-with-dap", "dap-zero-with-kerma"),
    "Dose of one plane could be taken for that of another, or be missed.": (
        "plane-without-totals", "totals-without-events", "planes-mixed", "all-planes-together",
    ),
    "What was settled without it may no longer hold.": ("changed-after-closing",),
    "Dose and contrast could stand in another person's record.": (
        "patient-differs", "may-belong-to-other-case",
    ),
    "What was typed is unusual; a slip of the finger would stay in the record.": (
        "entry-question", "entry-column-unknown",
    ),
    "Without a usable creatinine no contrast limit can be computed.": (
        "creatinine-missing", "creatinine-stale", "creatinine-later-than-case", "creatinine-unstable",
        "on-dialysis", "renal-input-missing", "below-adult-age",
    ),
    "The kidneys may be worse than the number says.": (
        "creatinine-age-unknown", "creatinine-stale-confirmed", "creatinine-after-contrast",
        "egfr-implausible", "ideal-weight-not-defined",
    ),
    "The limit shown is the lower of what is possible.": (
        "sex-unknown", "weight-above-ideal", "injection-site-unknown",
    ),
    "Prevention and a creatinine after the case are worth a thought.": ("egfr-at-risk",),
    "The iodine given is not fully known; the case may be nearer to its limits.": (
        "concentration-unknown", "iodine-at-least", "contrast-given-not-told",
    ),
    "A rise is told from values of one laboratory; converted ones can miss it or make one up.": (
        "creatinine-units-mixed",
    ),
    "Contrast given earlier adds to this case.": (
        "earlier-contrast-unknown", "earlier-contrast-amount-unknown",
    ),
    "It does not count as iodine, yet it is not without risk.": ("gadolinium-given",),
    "It is not part of the total that limits are compared with.": ("contrast-not-intravascular",),
    "A limit that rises silently would hide one already reached.": ("limit-loosened",),
    "Dose may have been given that the meter did not see.": ("kerma-zero-with-beam",),
    "Time in the wrong unit is off by a factor of sixty.": ("fluoroscopy-time-long",),
    "A comparison with this reference would mislead.": ("reference-not-usable",),
    "What came before the change would be mixed with what came after.": ("audit-change-unreadable",),
    "The size of the body decides how near the skin is to the tube.": (
        "body-size-impossible", "body-size-contradictory", "body-depth-clamped",
    ),
    "Dose that is not on the map makes the peak a lower estimate.": (
        "events-not-mapped", "beam-impossible", "skin-lower-estimate", "skin-case-not-on-map",
    ),
    "A wrong position or direction puts the dose on another part of the skin.": (
        "patient-position-changes", "table-axes-doubtful", "skin-beams-miss-body",
    ),
    "What the beam was made of decides how much the skin takes for the same air kerma.": (
        "beam-quality-outside-table", "filter-material-not-in-table", "filter-thickness-not-usable",
    ),
    "Without a peak only the wide range from air kerma can be told.": ("skin-nothing-placed",),
    "Fields of two days that met on the skin add; fields that did not must not be added.": (
        "skin-cases-registered",
    ),
    "An arm in a steep beam is nearer to the tube and takes more than the trunk would.": (
        "arms-in-beam-unknown",
    ),
}  # fmt: skip

WHY = {code: sentence for sentence, codes in _GROUPS.items() for code in codes}


def why(code: str) -> str:
    """Why the finding `code` matters."""
    return WHY.get(code, DEFAULT)
