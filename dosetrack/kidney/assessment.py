"""The kidney assessment of one case: estimates and limits side by side, and which limit leads.

The leading limit is the one reached first among those that apply, planning rows included. Being
below it says only that it is not reached.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.kidney import filtration
from dosetrack.kidney.estimates import FiltrationRow, RenalEstimates, renal_estimates
from dosetrack.kidney.inputs import (
    KidneySettings,
    RenalInput,
    default_kidney_settings,
    is_within_hours_after,
)
from dosetrack.kidney.iodine import ContrastGiven
from dosetrack.kidney.limits import LimitRow, limit_rows
from dosetrack.records.entries import InjectionSite, Knowledge
from dosetrack.tables import citation, constants

_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class KidneyAssessment:
    """Everything the kidney side knows of one case at one moment.

    egfr : every renal estimate
    absolute : CKD-EPI 2021 de-indexed, the one iodine limits divide by
    limits : every published limit, those not computed with their reason
    leading : name of the limit reached first; None when none can be computed
    leading_limit_ml : undiluted volume at the concentration now in use [mL]
    remaining_ml : leading limit less what was given, below zero once passed [mL]
    next_level : the next higher limit, once the leading one is passed
    headline : '12 mL below 2 × CrCl', '2 mL past 2 × CrCl', 'limit unknown: creatinine missing'
    reason : why no limit leads; None when one does
    creatinine_age_days : from the sample to the case; None when not told or not asked for [d]
    """

    patient: RenalInput
    egfr: tuple[FiltrationRow, ...]
    absolute: FiltrationRow
    limits: tuple[LimitRow, ...]
    leading: str | None
    leading_key: str | None
    leading_limit_ml: float | None
    next_level: LimitRow | None
    remaining_ml: float | None
    headline: str
    reason: str | None
    findings: tuple[Finding, ...]
    given: ContrastGiven
    creatinine_age_days: int | None = None

    @property
    def leading_row(self) -> LimitRow | None:
        """The row that leads."""
        return next((row for row in self.limits if row.key == self.leading_key), None)


def assess(
    patient: RenalInput, given: ContrastGiven, settings: KidneySettings | None = None
) -> KidneyAssessment:
    """The assessment of `patient` with the contrast `given`; `settings` None takes the defaults."""
    chosen = default_kidney_settings() if settings is None else settings
    estimates = renal_estimates(patient, chosen)
    rows = limit_rows(patient, estimates=estimates, given=given, settings=chosen)
    lead = _leading(rows)
    reason = None if lead is not None else _why_unknown(patient, estimates)
    return KidneyAssessment(
        patient=patient,
        egfr=estimates.rows,
        absolute=estimates.absolute,
        limits=rows,
        leading=lead.name if lead else None,
        leading_key=lead.key if lead else None,
        leading_limit_ml=lead.limit_ml if lead else None,
        next_level=_next_level(rows, lead),
        remaining_ml=lead.remaining_ml if lead else None,
        headline=_headline(lead, reason),
        reason=reason,
        findings=(
            *estimates.findings,
            *_case_findings(patient, estimates),
            *_missing_findings(patient, rows, estimates),
            *_contrast_findings(patient, given, chosen),
        ),
        given=given,
        creatinine_age_days=estimates.creatinine.age_days,
    )


def shown_limit_ml(limit_ml: float) -> int:
    """A limit as shown: whole mL, rounded down [mL]."""
    return math.floor(limit_ml + _ROUNDING)


def shown_used_ml(used_ml: float) -> int:
    """A used volume as shown: whole mL, rounded up [mL]."""
    return math.ceil(used_ml - _ROUNDING)


def distance_in_words(remaining_ml: float, name: str) -> str:
    """'12 mL below NAME' or '2 mL past NAME'; below is rounded down and past is rounded up.

    Examples
    --------
    >>> distance_in_words(-1.2, "2 × CrCl")
    '2 mL past 2 × CrCl'
    """
    if abs(remaining_ml) < _ROUNDING:
        return f"{name} reached"
    if remaining_ml < 0:
        return f"{shown_used_ml(-remaining_ml)} mL past {name}"
    below = shown_limit_ml(remaining_ml)
    return f"{below} mL below {name}" if below else f"less than 1 mL below {name}"


def limit_loosened(before: KidneyAssessment, after: KidneyAssessment) -> Finding | None:
    """The finding that the patient's facts changed so that the leading limit rises or disappears.

    A change of concentration alone, or of what was given, is no loosening.
    """
    same_product = replace(after.patient, concentration_mgi_ml=before.patient.concentration_mgi_ml)
    if before.leading_limit_ml is None or same_product == before.patient:
        return None
    said = f"{before.leading} ({shown_limit_ml(before.leading_limit_ml)} mL)"
    if after.leading_limit_ml is None:
        return finding(FindingCode.LIMIT_LOOSENED, before=said, after=after.headline)
    if after.leading_limit_ml <= before.leading_limit_ml + _ROUNDING:
        return None
    now = f"{after.leading} ({shown_limit_ml(after.leading_limit_ml)} mL)"
    return finding(FindingCode.LIMIT_LOOSENED, before=said, after=now)


def _leading(rows: tuple[LimitRow, ...]) -> LimitRow | None:
    """The applicable row with the smallest limit in mL at the concentration now in use."""
    found = [(row.limit_ml, row) for row in rows if row.applies and row.may_lead and row.limit_ml is not None]
    return min(found, key=lambda pair: pair[0])[1] if found else None


def _next_level(rows: tuple[LimitRow, ...], lead: LimitRow | None) -> LimitRow | None:
    """The lowest limit not yet passed, once the leading one is."""
    if lead is None or not lead.is_passed:
        return None
    ahead = [
        (row.limit_ml, row)
        for row in rows
        if row.applies and row.may_lead and row.limit_ml is not None and not row.is_passed
    ]
    return min(ahead, key=lambda pair: pair[0])[1] if ahead else None


def _headline(lead: LimitRow | None, reason: str | None) -> str:
    if lead is None or lead.remaining_ml is None:
        return f"limit unknown: {reason}"
    return distance_in_words(lead.remaining_ml, lead.name)


def _why_unknown(patient: RenalInput, estimates: RenalEstimates) -> str:
    """The first thing that stands in the way of any limit, in a few words."""
    if estimates.creatinine.reason is not None:
        return estimates.creatinine.reason
    if patient.age_years is None:
        return "age missing"
    if not filtration.is_adult(patient.age_years):
        return f"adult limits do not apply below {filtration.constant('adult_age'):g} years"
    if patient.site is InjectionSite.VENOUS:
        return "no limit applies where every injection is venous"
    if patient.weight_kg is None:
        return "weight missing"
    return "no row can be computed"


def _case_findings(patient: RenalInput, estimates: RenalEstimates) -> tuple[Finding, ...]:
    found = []
    if patient.site is InjectionSite.UNKNOWN:
        found.append(finding(FindingCode.INJECTION_SITE_UNKNOWN))
    at_risk = constants("contrast_limits")[
        "at_risk_first_pass" if patient.is_first_pass else "at_risk_second_pass"
    ]
    egfr = estimates.egfr.value
    if egfr is not None and egfr < at_risk.number:
        route = {InjectionSite.SECOND_PASS: "second-pass contrast", InjectionSite.VENOUS: "venous contrast"}
        found.append(
            finding(
                FindingCode.EGFR_AT_RISK,
                value=f"{egfr:.1f}",
                level=f"{at_risk.number:g}",
                route=route.get(patient.site, "first-pass contrast"),
                source=citation(at_risk),
            )
        )
    return tuple(found)


def _missing_findings(
    patient: RenalInput, rows: tuple[LimitRow, ...], estimates: RenalEstimates
) -> tuple[Finding, ...]:
    """One finding per missing fact of an adult whose creatinine can be used."""
    found = []
    for what, value in (
        ("age", patient.age_years),
        ("weight", patient.weight_kg),
        ("height", patient.height_cm),
    ):
        if value is not None or estimates.creatinine.mg_dl is None:
            continue
        names = [
            row.name for row in rows if row.note and row.note.startswith("not computed") and what in row.note
        ]
        if names:
            found.append(finding(FindingCode.RENAL_INPUT_MISSING, what=what, rows="; ".join(names)))
    return tuple(found)


def _contrast_findings(
    patient: RenalInput, given: ContrastGiven, settings: KidneySettings
) -> tuple[Finding, ...]:
    found = [*_earlier_findings(patient, given, settings)]
    if patient.concentration_mgi_ml is None:
        found.append(finding(FindingCode.CONCENTRATION_UNKNOWN))
    now = given.now
    if not now.is_iodine_complete:
        found.append(finding(FindingCode.IODINE_AT_LEAST, volume=f"{now.unknown_concentration_ml:g}"))
    if now.gadolinium_ml:
        found.append(finding(FindingCode.GADOLINIUM_GIVEN, volume=f"{now.gadolinium_ml:g}"))
    if now.not_intravascular_ml:
        found.append(finding(FindingCode.CONTRAST_ELSEWHERE, volume=f"{now.not_intravascular_ml:g}"))
    return tuple(found)


def _earlier_findings(
    patient: RenalInput, given: ContrastGiven, settings: KidneySettings
) -> tuple[Finding, ...]:
    found = []
    earlier, hours = given.earlier, f"{settings.lookback_h:g}"
    if earlier.knowledge is Knowledge.UNKNOWN:
        found.append(finding(FindingCode.EARLIER_CONTRAST_UNKNOWN, hours=hours))
    elif not given.is_earlier_known:
        what = "its volume is" if earlier.neat_ml is None else "its iodine is"
        found.append(finding(FindingCode.EARLIER_CONTRAST_AMOUNT_UNKNOWN, hours=hours, what=what))
    sample = patient.creatinine
    within = constants("contrast_limits")["creatinine_after_contrast"]
    if sample is not None and sample.taken_on is not None:
        taken_on = sample.taken_on
        if any(
            is_within_hours_after(later=taken_on, earlier=at, hours=within.number) for at in earlier.given_at
        ):
            found.append(finding(FindingCode.CREATININE_AFTER_CONTRAST, hours=within.value))
    return tuple(found)
