"""The renal estimates of one patient: which apply, what they give, and why not where they do not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.kidney import filtration
from dosetrack.kidney.filtration import Sex, WeightBasis
from dosetrack.kidney.inputs import KidneySettings, RenalInput, creatinine_day, creatinine_mg_dl
from dosetrack.records.entries import Knowledge
from dosetrack.tables import constants

INDEXED_UNIT = "mL/min/1.73m2"
ABSOLUTE_UNIT = "mL/min"


@dataclass(frozen=True, slots=True)
class FiltrationRow:
    """One estimate. `value` in `unit` is None where it is not `valid`; `note` says why or from what."""

    formula: str
    value: float | None
    unit: str
    valid: bool
    note: str | None = None


@dataclass(frozen=True, slots=True)
class CreatinineUse:
    """Whether creatinine may be used.

    mg_dl : the value to use; None when none may be [mg/dL]
    reason : why not, in a few words: 'creatinine missing', 'on dialysis' ...
    age_days : between the sample and the case; None when not told [d]
    """

    mg_dl: float | None
    reason: str | None
    age_days: int | None
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class RenalEstimates:
    """Every estimate side by side, and the ones the limits divide by.

    egfr : CKD-EPI 2021, indexed [mL/min/1.73 m²]
    absolute : the same, de-indexed by DuBois [mL/min]
    clearance : the Cockcroft-Gault row that counts [mL/min]
    """

    rows: tuple[FiltrationRow, ...]
    egfr: FiltrationRow
    absolute: FiltrationRow
    clearance: FiltrationRow
    creatinine: CreatinineUse
    findings: tuple[Finding, ...] = ()


def creatinine_use(patient: RenalInput, settings: KidneySettings) -> CreatinineUse:
    """The creatinine to use for `patient`, or the reason for using none."""
    sample = patient.creatinine
    if patient.dialysis is Knowledge.YES:
        return CreatinineUse(None, "on dialysis", None, (_on_dialysis(patient),))
    if patient.is_creatinine_unstable or (sample is not None and sample.is_unstable):
        return CreatinineUse(
            None, "creatinine is changing", None, (finding(FindingCode.CREATININE_UNSTABLE),)
        )
    if sample is None:
        return CreatinineUse(None, "creatinine missing", None, (finding(FindingCode.CREATININE_MISSING),))
    value, day = creatinine_mg_dl(sample), creatinine_day(sample)
    if day is None:
        return CreatinineUse(value, None, None, (finding(FindingCode.CREATININE_AGE_UNKNOWN),))
    days = (patient.on - day).days
    if days < 0:
        late = finding(FindingCode.CREATININE_LATER_THAN_CASE, taken_on=sample.taken_on, on=patient.on)
        return CreatinineUse(None, "creatinine dated after the case", days, (late,))
    return _unless_stale(patient, settings, value=value, days=days)


def _unless_stale(patient: RenalInput, settings: KidneySettings, *, value: float, days: int) -> CreatinineUse:
    inpatient = patient.is_inpatient
    limit = settings.creatinine_inpatient_days if inpatient else settings.creatinine_outpatient_days
    if days <= limit:
        return CreatinineUse(value, None, days)
    if patient.is_old_creatinine_confirmed:
        return CreatinineUse(value, None, days, (finding(FindingCode.CREATININE_STALE_CONFIRMED, days=days),))
    who = "inpatient" if inpatient else "outpatient"
    stale = finding(FindingCode.CREATININE_STALE, days=days, limit=f"{limit:g}", who=who)
    return CreatinineUse(None, f"creatinine of {days} days ago is too old", days, (stale,))


def _on_dialysis(patient: RenalInput) -> Finding:
    note = {
        Knowledge.YES: "Still passing urine: residual function at risk.",
        Knowledge.NO: "No urine: mind fluid and osmotic load.",
        Knowledge.UNKNOWN: "Mind fluid load; not known whether urine is passed.",
    }[patient.passes_urine]
    return finding(FindingCode.ON_DIALYSIS, note=note)


def renal_estimates(patient: RenalInput, settings: KidneySettings) -> RenalEstimates:
    """Every estimate for `patient`; what cannot be computed stays as a row with its reason."""
    use = creatinine_use(patient, settings)
    egfr = _adult_row("CKD-EPI 2021", filtration.ckd_epi_2021_ml_min_173m2, patient, use)
    older = _adult_row("CKD-EPI 2009", filtration.ckd_epi_2009_ml_min_173m2, patient, use)
    mdrd = _adult_row("MDRD-175", filtration.mdrd_175_ml_min_173m2, patient, use)
    actual, ideal, adjusted = _clearance_rows(patient, use)
    clearance, weight_findings = _clearance_that_counts(patient, actual, ideal, adjusted)
    return RenalEstimates(
        rows=(egfr, older, mdrd, actual, ideal, adjusted, _schwartz_row(patient, use)),
        egfr=egfr,
        absolute=_absolute_row(patient, egfr),
        clearance=clearance,
        creatinine=use,
        findings=(*_patient_findings(patient, use), *use.findings, *_egfr_check(egfr), *weight_findings),
    )


def _adult_reason(patient: RenalInput, use: CreatinineUse) -> str | None:
    """Why no adult equation can be used, None when one can."""
    if use.mg_dl is None:
        return _in_place_of_a_number(use)
    if patient.age_years is None:
        return "not computed: age missing"
    oldest = float(constants("entry_bounds")["age.possible"].high)
    if not 0 <= patient.age_years <= oldest:
        return f"not computed: an age of {patient.age_years:g} years cannot be right"
    if not filtration.is_adult(patient.age_years):
        return f"not valid below {filtration.constant('adult_age'):g} years"
    return None


def _in_place_of_a_number(use: CreatinineUse) -> str:
    if use.reason == "on dialysis":
        return "does not apply: on dialysis"
    if use.reason == "creatinine is changing":
        return "renal estimate not valid: creatinine is changing"
    return f"not computed: {use.reason}"


def _sexes(patient: RenalInput) -> tuple[Sex, ...]:
    if patient.sex == "F":
        return ("F",)
    if patient.sex == "M":
        return ("M",)
    return ("F", "M")


def _lower(by_sex: dict[Sex, float]) -> tuple[float, str | None]:
    """The value, or the lower of two when sex is not known, saying so."""
    if len(by_sex) == 1:
        return next(iter(by_sex.values())), None
    return min(by_sex.values()), (
        f"sex not known: the lower of {by_sex['F']:.1f} (female) and {by_sex['M']:.1f} (male)"
    )


def _adult_row(
    formula: str, equation: Callable[..., float], patient: RenalInput, use: CreatinineUse
) -> FiltrationRow:
    reason = _adult_reason(patient, use)
    if reason is not None or use.mg_dl is None or patient.age_years is None:
        return FiltrationRow(formula, None, INDEXED_UNIT, False, reason)
    value, note = _lower(
        {
            sex: equation(creatinine_mg_dl=use.mg_dl, age_years=patient.age_years, sex=sex)
            for sex in _sexes(patient)
        }
    )
    return FiltrationRow(formula, value, INDEXED_UNIT, True, note)


def _clearance_rows(
    patient: RenalInput, use: CreatinineUse
) -> tuple[FiltrationRow, FiltrationRow, FiltrationRow]:
    """Cockcroft-Gault by actual, ideal and adjusted weight."""
    return (
        _clearance_row("actual", patient, use),
        _clearance_row("ideal", patient, use),
        _clearance_row("adjusted", patient, use),
    )


def _clearance_row(basis: WeightBasis, patient: RenalInput, use: CreatinineUse) -> FiltrationRow:
    formula = f"Cockcroft-Gault, {basis} weight"
    reason = _adult_reason(patient, use) or _weight_reason(basis, patient)
    if reason is not None or use.mg_dl is None or patient.age_years is None:
        return FiltrationRow(formula, None, ABSOLUTE_UNIT, False, reason)
    value, note = _lower(
        {
            sex: filtration.cockcroft_gault_ml_min(
                creatinine_mg_dl=use.mg_dl,
                age_years=patient.age_years,
                weight_kg=_weights_kg(patient, sex)[basis],
                sex=sex,
            )
            for sex in _sexes(patient)
        }
    )
    return FiltrationRow(formula, value, ABSOLUTE_UNIT, True, note)


def _weight_reason(basis: WeightBasis, patient: RenalInput) -> str | None:
    if basis != "ideal" and patient.weight_kg is None:
        return "not computed: weight missing"
    if basis == "actual":
        return None
    if patient.height_cm is None:
        return "not computed: height missing"
    if not filtration.is_devine_height(patient.height_cm):
        least = filtration.constant("devine.base_height")
        return f"not computed: ideal weight is not defined below {least:g} cm"
    return None


def _weights_kg(patient: RenalInput, sex: Sex) -> dict[WeightBasis, float]:
    """The weights that can be found [kg]."""
    found: dict[WeightBasis, float] = {}
    if patient.weight_kg is not None:
        found["actual"] = patient.weight_kg
    if patient.height_cm is not None and filtration.is_devine_height(patient.height_cm):
        ideal = filtration.devine_ideal_weight_kg(height_cm=patient.height_cm, sex=sex)
        found["ideal"] = ideal
        if patient.weight_kg is not None:
            found["adjusted"] = filtration.adjusted_weight_kg(actual_kg=patient.weight_kg, ideal_kg=ideal)
    return found


def _clearance_that_counts(
    patient: RenalInput, actual: FiltrationRow, ideal: FiltrationRow, adjusted: FiltrationRow
) -> tuple[FiltrationRow, tuple[Finding, ...]]:
    """Actual weight; above 120 % of ideal weight the lowest of the three."""
    height = patient.height_cm
    if actual.value is not None and height is not None and not filtration.is_devine_height(height):
        least = f"{filtration.constant('devine.base_height'):g}"
        said = finding(FindingCode.IDEAL_WEIGHT_NOT_DEFINED, height=f"{height:g}", least=least)
        return actual, (said,)
    if actual.value is None or not _is_above_ideal(patient):
        return actual, ()
    computed = [(row.value, row) for row in (actual, ideal, adjusted) if row.value is not None]
    lowest = min(computed, key=lambda pair: pair[0])[1]
    percent = f"{100 * filtration.constant('obesity.fraction_of_ideal'):g}"
    said = finding(FindingCode.WEIGHT_ABOVE_IDEAL, percent=percent, basis=lowest.formula)
    return lowest, (said,)


def _is_above_ideal(patient: RenalInput) -> bool:
    by_sex = [_weights_kg(patient, sex) for sex in _sexes(patient)]
    return any(
        filtration.is_above_ideal(actual_kg=weights["actual"], ideal_kg=weights["ideal"])
        for weights in by_sex
        if "adjusted" in weights
    )


def _absolute_row(patient: RenalInput, egfr: FiltrationRow) -> FiltrationRow:
    """CKD-EPI 2021 de-indexed by DuBois."""
    formula = "CKD-EPI 2021, de-indexed"
    missing = [
        name for name, size in (("weight", patient.weight_kg), ("height", patient.height_cm)) if size is None
    ]
    if egfr.value is None:
        return FiltrationRow(formula, None, ABSOLUTE_UNIT, False, egfr.note)
    if patient.weight_kg is None or patient.height_cm is None:
        reason = f"not computed: {' and '.join(missing)} missing"
        return FiltrationRow(formula, None, ABSOLUTE_UNIT, False, reason)
    surface = filtration.dubois_m2(weight_kg=patient.weight_kg, height_cm=patient.height_cm)
    value = filtration.deindexed_ml_min(egfr_ml_min_173m2=egfr.value, surface_m2=surface)
    return FiltrationRow(formula, value, ABSOLUTE_UNIT, True, f"body surface {surface:.2f} m² (DuBois)")


def _schwartz_row(patient: RenalInput, use: CreatinineUse) -> FiltrationRow:
    formula, reason = "bedside Schwartz", None
    if use.mg_dl is None:
        reason = _in_place_of_a_number(use)
    elif patient.age_years is None:
        reason = "not computed: age missing"
    elif not filtration.is_schwartz_age(patient.age_years):
        ages = constants("renal_formulas")["schwartz.ages"]
        reason = f"not valid: made for {ages.low} to {ages.high} years"
    elif patient.height_cm is None:
        reason = "not computed: height missing"
    if reason is not None or use.mg_dl is None or patient.height_cm is None:
        return FiltrationRow(formula, None, INDEXED_UNIT, False, reason)
    value = filtration.schwartz_bedside_ml_min_173m2(creatinine_mg_dl=use.mg_dl, height_cm=patient.height_cm)
    return FiltrationRow(formula, value, INDEXED_UNIT, True)


def _patient_findings(patient: RenalInput, use: CreatinineUse) -> tuple[Finding, ...]:
    found = []
    if patient.sex not in ("F", "M") and use.mg_dl is not None:
        found.append(finding(FindingCode.SEX_UNKNOWN))
    if patient.age_years is not None and not filtration.is_adult(patient.age_years):
        found.append(finding(FindingCode.BELOW_ADULT_AGE, age=f"{filtration.constant('adult_age'):g}"))
    return tuple(found)


def _egfr_check(egfr: FiltrationRow) -> tuple[Finding, ...]:
    bounds = constants("renal_formulas")["egfr_check"]
    if egfr.value is None or float(bounds.low) <= egfr.value <= float(bounds.high):
        return ()
    return (
        finding(FindingCode.EGFR_IMPLAUSIBLE, value=f"{egfr.value:.1f}", low=bounds.low, high=bounds.high),
    )
