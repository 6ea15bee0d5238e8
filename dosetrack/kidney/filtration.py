"""Estimates of kidney filtration and the body-size formulas they need.

Each formula is one pure function named after the publication. Serum creatinine goes in as mg/dL,
age as years, weight as kg, height as cm. Indexed results are mL/min per 1.73 m² and their names
end in ``_ml_min_173m2``; absolute ones end in ``_ml_min``. Coefficients stand in
``tables/renal_formulas.csv``. Terms for race are left out on purpose.
"""

from __future__ import annotations

from typing import Literal

from dosetrack.errors import OutOfBoundsError
from dosetrack.tables import constants

Sex = Literal["F", "M"]
WeightBasis = Literal["actual", "ideal", "adjusted"]
_ROUNDING_CM = 1e-6


def constant(key: str) -> float:
    """The number `key` of the table of renal formulas."""
    return constants("renal_formulas")[key].number


def creatinine_mg_dl_from_umol_l(creatinine_umol_l: float) -> float:
    """Serum creatinine [mg/dL] of a value in µmol/L.

    Examples
    --------
    >>> creatinine_mg_dl_from_umol_l(88.4)
    1.0
    """
    return creatinine_umol_l / constant("creatinine_umol_l_per_mg_dl")


def ckd_epi_2021_ml_min_173m2(*, creatinine_mg_dl: float, age_years: float, sex: Sex) -> float:
    """Indexed eGFR by the CKD-EPI 2021 creatinine equation [mL/min/1.73 m²].

    Raises
    ------
    OutOfBoundsError
        Below 18 years, or creatinine not above zero.

    References
    ----------
    Inker et al., N Engl J Med 2021;385:1737-1749.
    """
    return _ckd_epi("ckd_epi_2021", creatinine_mg_dl=creatinine_mg_dl, age_years=age_years, sex=sex)


def ckd_epi_2009_ml_min_173m2(*, creatinine_mg_dl: float, age_years: float, sex: Sex) -> float:
    """Indexed eGFR by the CKD-EPI 2009 creatinine equation, without its race term [mL/min/1.73 m²].

    Raises
    ------
    OutOfBoundsError
        Below 18 years, or creatinine not above zero.

    References
    ----------
    Levey et al., Ann Intern Med 2009;150:604-612.
    """
    return _ckd_epi("ckd_epi_2009", creatinine_mg_dl=creatinine_mg_dl, age_years=age_years, sex=sex)


def _ckd_epi(equation: str, *, creatinine_mg_dl: float, age_years: float, sex: Sex) -> float:
    _check_adult(age_years)
    _check_positive(creatinine_mg_dl, field="creatinine")
    which = "female" if sex == "F" else "male"
    ratio = creatinine_mg_dl / constant(f"{equation}.kappa_{which}")
    value = (
        constant(f"{equation}.factor")
        * min(ratio, 1.0) ** constant(f"{equation}.alpha_{which}")
        * max(ratio, 1.0) ** constant(f"{equation}.upper_exponent")
        * constant(f"{equation}.age_base") ** age_years
    )
    return float(value * (constant(f"{equation}.female_factor") if sex == "F" else 1.0))


def mdrd_175_ml_min_173m2(*, creatinine_mg_dl: float, age_years: float, sex: Sex) -> float:
    """Indexed eGFR by the MDRD equation with factor 175, without its race term [mL/min/1.73 m²].

    Raises
    ------
    OutOfBoundsError
        Below 18 years, or creatinine not above zero.

    References
    ----------
    National Kidney Foundation, MDRD equation page.
    """
    _check_adult(age_years)
    _check_positive(creatinine_mg_dl, field="creatinine")
    value = (
        constant("mdrd_175.factor")
        * creatinine_mg_dl ** constant("mdrd_175.creatinine_exponent")
        * age_years ** constant("mdrd_175.age_exponent")
    )
    return float(value * (constant("mdrd_175.female_factor") if sex == "F" else 1.0))


def cockcroft_gault_ml_min(*, creatinine_mg_dl: float, age_years: float, weight_kg: float, sex: Sex) -> float:
    """Creatinine clearance by Cockcroft and Gault, not indexed [mL/min].

    Parameters
    ----------
    weight_kg : actual, ideal or adjusted, as the caller chose [kg]

    Raises
    ------
    OutOfBoundsError
        Below 18 years, at or above 140 years, or a value not above zero.

    References
    ----------
    Cockcroft and Gault 1976.
    """
    _check_adult(age_years)
    _check_positive(creatinine_mg_dl, field="creatinine")
    _check_positive(weight_kg, field="weight")
    offset = constant("cockcroft_gault.age_offset")
    if age_years >= offset:
        raise OutOfBoundsError(field="age", given=age_years, accepted=f"below {offset:g} years")
    value = (offset - age_years) * weight_kg / (constant("cockcroft_gault.divisor") * creatinine_mg_dl)
    return value * (constant("cockcroft_gault.female_factor") if sex == "F" else 1.0)


def schwartz_bedside_ml_min_173m2(*, creatinine_mg_dl: float, height_cm: float) -> float:
    """Indexed eGFR of a child by the bedside Schwartz equation [mL/min/1.73 m²].

    Made for 1 to 16 years (see `is_schwartz_age`); age itself is not an input.

    References
    ----------
    Schwartz et al. 2009 (form from calculator pages; paper not opened).

    Examples
    --------
    >>> round(schwartz_bedside_ml_min_173m2(creatinine_mg_dl=0.5, height_cm=100), 1)
    82.6
    """
    _check_positive(creatinine_mg_dl, field="creatinine")
    _check_positive(height_cm, field="height")
    return constant("schwartz.factor") * height_cm / creatinine_mg_dl


def is_adult(age_years: float) -> bool:
    """The adult equations and limits were made for this age."""
    return age_years >= constant("adult_age")


def is_schwartz_age(age_years: float) -> bool:
    """The bedside Schwartz equation was made for this age (completed years)."""
    ages = constants("renal_formulas")["schwartz.ages"]
    return float(ages.low) <= age_years < float(ages.high) + 1.0


def dubois_m2(*, weight_kg: float, height_cm: float) -> float:
    """Body surface area by DuBois [m²].

    References
    ----------
    The formula of DICOM concept DCM 122241.
    """
    _check_positive(weight_kg, field="weight")
    _check_positive(height_cm, field="height")
    return float(
        constant("dubois.factor")
        * weight_kg ** constant("dubois.weight_exponent")
        * height_cm ** constant("dubois.height_exponent")
    )


def mosteller_m2(*, weight_kg: float, height_cm: float) -> float:
    """Body surface area by Mosteller [m²].

    References
    ----------
    The formula of DICOM concept DCM 122244, height in cm.

    Examples
    --------
    >>> mosteller_m2(weight_kg=80, height_cm=180)
    2.0
    """
    _check_positive(weight_kg, field="weight")
    _check_positive(height_cm, field="height")
    return float((height_cm * weight_kg / constant("mosteller.divisor")) ** 0.5)


def devine_ideal_weight_kg(*, height_cm: float, sex: Sex) -> float:
    """Ideal body weight by Devine [kg].

    Raises
    ------
    OutOfBoundsError
        Height below 152.4 cm, where the formula gives ever smaller weights.
    """
    base_height = constant("devine.base_height")
    if not is_devine_height(height_cm):
        raise OutOfBoundsError(
            field="height for ideal weight", given=height_cm, accepted=f"{base_height:g} cm or more"
        )
    inches_over = max(height_cm - base_height, 0.0) / constant("devine.cm_per_inch")
    base = constant("devine.female_base" if sex == "F" else "devine.male_base")
    return base + constant("devine.per_inch") * inches_over


def is_devine_height(height_cm: float) -> bool:
    """The ideal weight is defined for this height; five feet, converted, is not lost to rounding."""
    return height_cm >= constant("devine.base_height") - _ROUNDING_CM


def adjusted_weight_kg(*, actual_kg: float, ideal_kg: float, fraction: float | None = None) -> float:
    """Weight between ideal and actual, used in obesity [kg].

    Parameters
    ----------
    fraction : part of the excess that counts; None takes the table's 0.4
    """
    part = constant("adjusted_weight.fraction") if fraction is None else fraction
    return ideal_kg + part * (actual_kg - ideal_kg)


def is_above_ideal(*, actual_kg: float, ideal_kg: float) -> bool:
    """Actual weight is more than 120 % of ideal weight."""
    return actual_kg > constant("obesity.fraction_of_ideal") * ideal_kg


def deindexed_ml_min(*, egfr_ml_min_173m2: float, surface_m2: float) -> float:
    """Absolute filtration of an indexed one [mL/min].

    Parameters
    ----------
    surface_m2 : body surface area [m²]
    """
    return egfr_ml_min_173m2 * surface_m2 / constant("index_area")


def _check_adult(age_years: float) -> None:
    if not is_adult(age_years):
        raise OutOfBoundsError(
            field="age", given=age_years, accepted=f"{constant('adult_age'):g} years or more"
        )


def _check_positive(value: float, *, field: str) -> None:
    if not value > 0:  # also catches NaN
        raise OutOfBoundsError(field=field, given=value, accepted="a number above zero")
