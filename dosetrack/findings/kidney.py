"""Findings about renal function and contrast."""

from dosetrack.findings.model import FindingKind, Severity


class KidneyFindings:
    """Findings about renal function and contrast."""

    CREATININE_MISSING = FindingKind(
        "creatinine-missing", Severity.WARNING, "Limit unknown: creatinine missing."
    )
    CREATININE_AGE_UNKNOWN = FindingKind(
        "creatinine-age-unknown",
        Severity.WARNING,
        "Age of creatinine unknown: no date was given with it.",
    )
    CREATININE_STALE = FindingKind(
        "creatinine-stale",
        Severity.WARNING,
        "The creatinine is {days} days old, more than {limit} days ({who}); no row uses it unless confirmed.",
    )
    CREATININE_STALE_CONFIRMED = FindingKind(
        "creatinine-stale-confirmed",
        Severity.WARNING,
        "Based on a creatinine of {days} days ago, confirmed by a person.",
    )
    CREATININE_LATER_THAN_CASE = FindingKind(
        "creatinine-later-than-case",
        Severity.WARNING,
        "The creatinine is dated {taken_on}, after {on}; no row uses it.",
    )
    CREATININE_UNSTABLE = FindingKind(
        "creatinine-unstable",
        Severity.WARNING,
        "Renal estimate not valid: creatinine is changing. Treat as high risk whatever its value.",
    )
    CREATININE_AFTER_CONTRAST = FindingKind(
        "creatinine-after-contrast",
        Severity.WARNING,
        "The creatinine was taken within {hours} h after earlier contrast: it may still be rising.",
    )
    CREATININE_UNITS_MIXED = FindingKind(
        "creatinine-units-mixed",
        Severity.WARNING,
        "Creatinine came in mg/dL and in µmol/L; those in mg/dL were converted: a stage near an edge may "
        "differ.",
    )
    ON_DIALYSIS = FindingKind(
        "on-dialysis",
        Severity.WARNING,
        "On dialysis: rows that use creatinine do not apply. {note}",
    )
    RENAL_INPUT_MISSING = FindingKind(
        "renal-input-missing",
        Severity.WARNING,
        "Not known: {what}. Not computed for want of it: {rows}.",
    )
    SEX_UNKNOWN = FindingKind(
        "sex-unknown", Severity.WARNING, "Sex not known: both computed, the lower is used."
    )
    BELOW_ADULT_AGE = FindingKind(
        "below-adult-age",
        Severity.WARNING,
        "Below {age} years: adult equations and adult limits do not apply.",
    )
    WEIGHT_ABOVE_IDEAL = FindingKind(
        "weight-above-ideal",
        Severity.INFO,
        "Weight is more than {percent} % of ideal weight: the lowest clearance is used ({basis}).",
    )
    IDEAL_WEIGHT_NOT_DEFINED = FindingKind(
        "ideal-weight-not-defined",
        Severity.WARNING,
        "Height {height} cm: the formula for ideal weight does not reach below {least} cm. Clearance is by "
        "actual weight alone and may be too high where that is well above usual.",
    )
    EGFR_IMPLAUSIBLE = FindingKind(
        "egfr-implausible",
        Severity.WARNING,
        "eGFR {value} mL/min/1.73 m² is outside {low} to {high}: is the unit of creatinine right?",
    )
    EGFR_AT_RISK = FindingKind(
        "egfr-at-risk",
        Severity.WARNING,
        "eGFR {value} mL/min/1.73 m² is below {level}: at risk for {route} ({source}).",
    )
    INJECTION_SITE_UNKNOWN = FindingKind(
        "injection-site-unknown",
        Severity.INFO,
        "Injection site not known: treated as first pass.",
    )
    CONCENTRATION_UNKNOWN = FindingKind(
        "concentration-unknown",
        Severity.WARNING,
        "Contrast concentration not known: iodine limits have no mL.",
    )
    IODINE_AT_LEAST = FindingKind(
        "iodine-at-least",
        Severity.WARNING,
        "Concentration not known for {volume} mL: the iodine given is at least what is shown.",
    )
    CONTRAST_GIVEN_NOT_TOLD = FindingKind(
        "contrast-given-not-told",
        Severity.INFO,
        "Contrast given in this case not told: counted as none given.",
    )
    EARLIER_CONTRAST_UNKNOWN = FindingKind(
        "earlier-contrast-unknown",
        Severity.WARNING,
        "Earlier contrast not known ({hours} h before the case).",
    )
    EARLIER_CONTRAST_AMOUNT_UNKNOWN = FindingKind(
        "earlier-contrast-amount-unknown",
        Severity.WARNING,
        "Earlier contrast was given within {hours} h; {what} not known and not counted.",
    )
    GADOLINIUM_GIVEN = FindingKind(
        "gadolinium-given",
        Severity.WARNING,
        "{volume} mL of gadolinium contrast: no iodine, but limited by its own dose and by kidney function.",
    )
    CONTRAST_ELSEWHERE = FindingKind(
        "contrast-not-intravascular",
        Severity.INFO,
        "{volume} mL of contrast went outside the blood and is not in the total.",
    )
    LIMIT_LOOSENED = FindingKind(
        "limit-loosened",
        Severity.WARNING,
        "The leading limit would go from {before} to {after}: confirm before it is used.",
    )
