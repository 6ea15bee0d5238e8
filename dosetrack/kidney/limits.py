"""The published contrast limits, side by side, for one patient and what was given.

Each row keeps its name, source and the reason where it cannot be computed. Volume limits are
compared with undiluted millilitres. Iodine limits become millilitres at the concentration now in
use: the volume at which this case would reach them if it went on with that product.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from dosetrack.kidney import filtration
from dosetrack.kidney.estimates import FiltrationRow, RenalEstimates
from dosetrack.kidney.inputs import KidneySettings, RenalInput
from dosetrack.kidney.iodine import (
    ContrastGiven,
    iodine_g,
    reference_concentration_mgi_ml,
    volume_ml,
)
from dosetrack.records.entries import InjectionSite
from dosetrack.tables import Constant, citation, constants

_ROUNDING_ML = 1e-9


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One published limit for this patient.

    key : as in ``tables/contrast_limits.csv``
    limit_ml : undiluted volume at the concentration now in use [mL]; None where not computed
    limit_iodine_g : the same as iodine [g]; None without a concentration
    used_fraction : part of it used, earlier contrast included; may exceed 1
    remaining_ml : limit less used at the concentration now in use, below zero once passed [mL]
    applies : the row speaks of this patient and case
    may_lead : False for rows that need no creatinine
    renal_input : what it was computed from, e.g. 'Cockcroft-Gault, actual weight 50.4 mL/min'
    note : evidence and doubts, or why there is no value
    checked : mark of the source: 'read', 'second-hand' or 'memory'
    say : the name as spoken
    """

    key: str
    name: str
    source: str
    limit_ml: float | None
    limit_iodine_g: float | None
    used_fraction: float | None
    remaining_ml: float | None
    applies: bool
    may_lead: bool
    renal_input: str | None
    note: str | None
    checked: str
    say: str

    @property
    def is_passed(self) -> bool:
        """The limit is reached or exceeded."""
        if self.remaining_ml is not None:
            return self.remaining_ml <= 0
        return self.used_fraction is not None and self.used_fraction >= 1


@dataclass(frozen=True, slots=True)
class _Case:
    """What every row reads."""

    patient: RenalInput
    estimates: RenalEstimates
    given: ContrastGiven
    settings: KidneySettings


def limit_rows(
    patient: RenalInput, *, estimates: RenalEstimates, given: ContrastGiven, settings: KidneySettings
) -> tuple[LimitRow, ...]:
    """Every row for this case, in a fixed order; those that do not apply say why and have no value."""
    case = _Case(patient, estimates, given, settings)
    rows = [
        _clearance_row(case, "gurm_2"),
        _clearance_row(case, "gurm_3"),
        _clearance_row(case, "laskey_3_7"),
        _cigarroa_row(case),
        _iodine_row(case, "nyman_1"),
        _first_pass_only(case, _iodine_row(case, "esur10_iodine", by="ESUR 10")),
        _first_pass_only(case, _esur_volume_row(case)),
        _ultra_low_row(case),
        *(_esc_rows(case) if settings.show_esc_rows else ()),
        *_label_rows(case),
    ]
    return tuple(rows)


def _constant(key: str) -> Constant:
    return constants("contrast_limits")[key]


def _blank(key: str, *, name: str, say: str, may_lead: bool = True) -> LimitRow:
    """The row before anything is known of the patient."""
    constant = _constant(key)
    return LimitRow(
        key=key,
        name=name,
        source=citation(constant),
        limit_ml=None,
        limit_iodine_g=None,
        used_fraction=None,
        remaining_ml=None,
        applies=False,
        may_lead=may_lead,
        renal_input=None,
        note=None,
        checked=constant.checked,
        say=say,
    )


def _because(row: LimitRow, reason: str) -> LimitRow:
    """The row without values, saying why."""
    return replace(
        row,
        limit_ml=None,
        limit_iodine_g=None,
        used_fraction=None,
        remaining_ml=None,
        renal_input=None,
        applies=False,
        note=reason,
    )


def _outside_reason(case: _Case) -> str | None:
    """Why limits made in arterial work on adults do not speak of this case."""
    age = case.patient.age_years
    if age is not None and not filtration.is_adult(age):
        return f"does not apply below {filtration.constant('adult_age'):g} years"
    if case.patient.site is InjectionSite.VENOUS and not case.settings.apply_ratios_to_venous:
        return "made in arterial work; not applied where every injection is venous"
    return None


def _with_volume(case: _Case, row: LimitRow, *, limit_ml: float, renal_input: str | None) -> LimitRow:
    """The row with a limit in undiluted mL, whatever the concentration."""
    concentration = case.patient.concentration_mgi_ml
    used = case.given.used_neat_ml
    grams = None if concentration is None else iodine_g(neat_ml=limit_ml, concentration_mgi_ml=concentration)
    return replace(
        row,
        limit_ml=limit_ml,
        limit_iodine_g=grams,
        used_fraction=used / limit_ml,
        remaining_ml=limit_ml - used,
        applies=True,
        renal_input=renal_input,
        note=_evidence(row.key),
    )


def _with_iodine(case: _Case, row: LimitRow, *, limit_g: float, renal_input: str) -> LimitRow:
    """The row with a limit in iodine, as mL at the concentration now in use where that is known.

    Volume of unknown concentration counts as the product now in use; without one it is not
    counted and the used part is 'at least'.
    """
    concentration = case.patient.concentration_mgi_ml
    known_g = case.given.used_iodine_g
    note = _evidence(row.key)
    if concentration is None:
        unknown = "mL not computed: concentration not known"
        if case.given.unknown_iodine_ml and known_g is not None:
            unknown += "; iodine used is at least what is shown"
        fraction = None if known_g is None else known_g / limit_g
        return replace(
            row,
            limit_iodine_g=limit_g,
            used_fraction=fraction,
            applies=True,
            renal_input=renal_input,
            note=f"{unknown}; {note}",
        )
    used_g = (known_g or 0.0) + iodine_g(
        neat_ml=case.given.unknown_iodine_ml, concentration_mgi_ml=concentration
    )
    other_products = case.given.used_neat_ml - volume_ml(iodine_g=used_g, concentration_mgi_ml=concentration)
    if abs(other_products) < _ROUNDING_ML:
        other_products = 0.0
    limit_ml = volume_ml(iodine_g=limit_g, concentration_mgi_ml=concentration) + other_products
    return replace(
        row,
        limit_ml=limit_ml,
        limit_iodine_g=limit_g,
        used_fraction=used_g / limit_g,
        remaining_ml=limit_ml - case.given.used_neat_ml,
        applies=True,
        renal_input=renal_input,
        note=note,
    )


def _evidence(key: str) -> str:
    constant = _constant(key)
    return f"{constant.applies_to}; {constant.note}" if constant.note else constant.applies_to


def _in_words(row: FiltrationRow) -> str:
    unit = row.unit.replace("/1.73m2", "/1.73 m²")
    return f"{row.formula} {row.value:.1f} {unit}" if row.value is not None else row.formula


def _clearance_row(case: _Case, key: str, *, by: str = "") -> LimitRow:
    """CV / CrCl as a volume."""
    factor = _constant(key).number
    suffix = f" ({by})" if by else ""
    row = _blank(key, name=f"{factor:g} × CrCl{suffix}", say=f"{factor:g} times creatinine clearance")
    clearance = case.estimates.clearance
    outside = _outside_reason(case)
    if outside or clearance.value is None:
        return _because(row, outside or clearance.note or "not computed")
    return _with_volume(case, row, limit_ml=factor * clearance.value, renal_input=_in_words(clearance))


def _cigarroa_row(case: _Case) -> LimitRow:
    per_weight, cap = _constant("cigarroa_macd"), _constant("cigarroa_macd.cap")
    row = _blank(
        "cigarroa_macd",
        name=f"{per_weight.number:g} × weight ÷ SCr, at most {cap.number:g} mL",
        say=f"{per_weight.number:g} times weight over creatinine",
    )
    weight, creatinine = case.patient.weight_kg, case.estimates.creatinine.mg_dl
    outside = _outside_reason(case)
    if outside or creatinine is None:
        # the estimate's note names what stops every creatinine row: dialysis, change, staleness
        return _because(row, outside or case.estimates.egfr.note or "not computed: creatinine missing")
    if weight is None:
        return _because(row, "not computed: weight missing")
    limit = min(per_weight.number * weight / creatinine, cap.number)
    basis = f"SCr {creatinine:.2f} mg/dL, weight {weight:g} kg"
    return _with_volume(case, row, limit_ml=limit, renal_input=basis)


def _iodine_row(case: _Case, key: str, *, by: str = "") -> LimitRow:
    """g I / absolute GFR as iodine."""
    factor = _constant(key).number
    suffix = f" ({by})" if by else ""
    row = _blank(
        key,
        name=f"{factor:g} g I per mL/min of absolute GFR{suffix}",
        say=f"{factor:g} gram iodine per millilitre of filtration",
    )
    absolute = case.estimates.absolute
    outside = _outside_reason(case)
    if outside or absolute.value is None:
        return _because(row, outside or absolute.note or "not computed")
    return _with_iodine(case, row, limit_g=factor * absolute.value, renal_input=_in_words(absolute))


def _esur_volume_row(case: _Case) -> LimitRow:
    """CV / eGFR at 350 mg I/mL: an iodine limit in the dress of a volume."""
    factor, reference = _constant("esur10_volume").number, reference_concentration_mgi_ml()
    row = _blank(
        "esur10_volume",
        name=f"{factor:g} × eGFR at {reference:g} mg I/mL (ESUR 10)",
        say=f"{factor:g} times filtration",
    )
    egfr = case.estimates.egfr
    outside = _outside_reason(case)
    if outside or egfr.value is None:
        return _because(row, outside or egfr.note or "not computed")
    grams = iodine_g(neat_ml=factor * egfr.value, concentration_mgi_ml=reference)
    return _with_iodine(case, row, limit_g=grams, renal_input=_in_words(egfr))


def _first_pass_only(case: _Case, row: LimitRow) -> LimitRow:
    if case.patient.is_first_pass or _outside_reason(case):
        return row
    return _because(row, "does not apply: for first-pass renal exposure only")


def _ultra_low_row(case: _Case) -> LimitRow:
    factor, below = _constant("ulc_1").number, _constant("ulc_1_below_egfr").number
    row = _blank("ulc_1", name=f"{factor:g} × eGFR", say=f"{factor:g} times filtration")
    egfr = case.estimates.egfr
    outside = _outside_reason(case)
    if outside or egfr.value is None:
        return _because(row, outside or egfr.note or "not computed")
    if egfr.value >= below:
        return _because(row, f"does not apply: added where eGFR is below {below:g}")
    return _with_volume(case, row, limit_ml=factor * egfr.value, renal_input=_in_words(egfr))


def _esc_rows(case: _Case) -> tuple[LimitRow, ...]:
    """The rows of 2014, where the site switched them on; volume and weight alone never lead."""
    by = "ESC 2014"
    volume, per_weight = _constant("esc2014_volume"), _constant("esc2014_per_weight")
    fixed = _blank(
        volume.key, name=f"{volume.number:g} mL ({by})", say=f"{volume.number:g} millilitres", may_lead=False
    )
    by_weight = _blank(
        per_weight.key,
        name=f"{per_weight.number:g} mL/kg ({by})",
        say=f"{per_weight.number:g} millilitres per kilogram",
        may_lead=False,
    )
    return (
        _clearance_row(case, "esc2014_ratio", by=by),
        _fixed(case, fixed, limit_ml=volume.number),
        _by_weight(case, by_weight, per_kg=per_weight.number),
    )


def _fixed(case: _Case, row: LimitRow, *, limit_ml: float) -> LimitRow:
    outside = _outside_reason(case)
    if outside:
        return _because(row, outside)
    return _with_volume(case, row, limit_ml=limit_ml, renal_input=None)


def _by_weight(case: _Case, row: LimitRow, *, per_kg: float) -> LimitRow:
    outside, weight = _outside_reason(case), case.patient.weight_kg
    if outside or weight is None:
        return _because(row, outside or "not computed: weight missing")
    return _with_volume(case, row, limit_ml=per_kg * weight, renal_input=f"weight {weight:g} kg")


def _label_rows(case: _Case) -> tuple[LimitRow, ...]:
    """Totals of product labels: for children, where asked for, and where nothing else can be computed."""
    age = case.patient.age_years
    if age is not None and not filtration.is_adult(age):
        return (_child_label_row(case),)
    is_wanted = (
        case.settings.show_label_rows
        or case.patient.site is InjectionSite.VENOUS
        or case.estimates.creatinine.mg_dl is None
    )
    concentration = case.patient.concentration_mgi_ml
    if not is_wanted or concentration is None:
        return ()
    found = []
    for key in ("label_iohexol_350", "label_iohexol_300", "label_iodixanol"):
        constant = _constant(key)
        if not float(constant.low) <= concentration <= float(constant.high):
            continue
        product = key.removeprefix("label_").replace("_", " ")
        name = f"{constant.number:g} mL, label of {product}"
        row = _with_volume(
            case,
            _blank(key, name=name, say=f"the label total of {product}", may_lead=False),
            limit_ml=constant.number,
            renal_input=None,
        )
        found.append(replace(row, applies=case.settings.show_label_rows))
    return tuple(found)


def _child_label_row(case: _Case) -> LimitRow:
    """The weight-based total of a product's label for children."""
    constant = _constant("label_iodixanol_child")
    ages = _constant("label_iodixanol_child.ages")
    row = _blank(
        constant.key,
        name=f"{constant.number:g} mL/kg, label of iodixanol for children",
        say=f"{constant.number:g} millilitres per kilogram",
        may_lead=False,
    )
    age, weight = case.patient.age_years, case.patient.weight_kg
    if age is None or not float(ages.low) <= age < float(ages.high) + 1:
        return _because(row, f"does not apply: for {ages.low} to {ages.high} years")
    if weight is None:
        return _because(row, "not computed: weight missing")
    return _with_volume(case, row, limit_ml=constant.number * weight, renal_input=f"weight {weight:g} kg")
