"""Which limit leads, what is said, and when nothing may be said."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given as for_any
from hypothesis import strategies as st

from dosetrack.kidney import (
    ContrastGiven,
    EarlierContrast,
    KidneyAssessment,
    KidneySettings,
    LimitRow,
    RenalInput,
    assess,
    case_site,
    contrast_totals,
    default_kidney_settings,
    distance_in_words,
    limit_loosened,
    shown_limit_ml,
    shown_used_ml,
)
from dosetrack.kidney.inputs import age_years_on, is_within_hours_after
from dosetrack.records.entries import Creatinine, Injection, InjectionSite, Knowledge
from dosetrack.settings import resolve

NOTHING = ContrastGiven(earlier=EarlierContrast(Knowledge.NO))
PATIENT_A = RenalInput(
    on=date(2026, 3, 2),
    sex="M",
    age_years=72,
    creatinine=Creatinine("1.5", "mg/dL", "2026-03-01"),
    weight_kg=80,
    height_cm=175,
    site=InjectionSite.FIRST_PASS,
    concentration_mgi_ml=320,
)


def _codes(assessment: KidneyAssessment) -> set[str]:
    return {one.code for one in assessment.findings}


def _row(assessment: KidneyAssessment, key: str) -> LimitRow:
    return next(row for row in assessment.limits if row.key == key)


def _given(volume_ml: float, concentration: float | None = 320) -> ContrastGiven:
    injections = [Injection(volume_ml, concentration)] if volume_ml else []
    return ContrastGiven(contrast_totals(injections), EarlierContrast(Knowledge.NO))


def test_the_smallest_applicable_limit_leads(patient: RenalInput, given: ContrastGiven) -> None:
    # patient A of the limit examples: 2 x CrCl 100.74 mL, 3 x 151.11, 3.7 x 186.37, Cigarroa 266.67
    found = assess(patient, given)
    assert found.leading == "2 × CrCl"
    assert found.leading_limit_ml == pytest.approx(100.74, abs=0.01)
    assert found.remaining_ml == pytest.approx(12.74, abs=0.01)
    assert found.headline == "12 mL below 2 × CrCl"
    assert found.next_level is None


def test_a_passed_limit_stays_the_headline_and_the_next_is_named(patient: RenalInput) -> None:
    found = assess(patient, _given(102))
    assert found.headline == "2 mL past 2 × CrCl"
    assert found.remaining_ml == pytest.approx(-1.26, abs=0.01)
    assert found.next_level is not None
    assert found.next_level.name == "3 × CrCl"


def test_esur_rows_apply_to_first_pass_and_unknown_sites_only(patient: RenalInput) -> None:
    for site, applies in (
        (InjectionSite.FIRST_PASS, True),
        (InjectionSite.UNKNOWN, True),
        (InjectionSite.SECOND_PASS, False),
    ):
        found = assess(replace(patient, site=site), NOTHING)
        for key in ("esur10_iodine", "esur10_volume"):
            assert _row(found, key).applies is applies
            assert (_row(found, key).limit_ml is not None) is applies
        assert ("injection-site-unknown" in _codes(found)) is (site is InjectionSite.UNKNOWN)


def test_at_risk_threshold_is_45_for_first_pass_and_30_otherwise(patient: RenalInput) -> None:
    moderate = replace(patient, creatinine=Creatinine("1.8", "mg/dL", "2026-03-01"))  # eGFR about 39
    assert "egfr-at-risk" in _codes(assess(replace(moderate, site=InjectionSite.FIRST_PASS), NOTHING))
    assert "egfr-at-risk" not in _codes(assess(moderate, NOTHING))
    poor = replace(patient, creatinine=Creatinine("2.6", "mg/dL", "2026-03-01"))  # eGFR about 25
    assert "egfr-at-risk" in _codes(assess(poor, NOTHING))


def test_below_an_egfr_of_30_the_one_times_row_is_added_and_leads() -> None:
    # patient B of the limit examples: F 80 y, 2.0 mg/dL, 50 kg, 155 cm: eGFR 24.79
    patient = replace(
        PATIENT_A, sex="F", age_years=80, creatinine=Creatinine("2.0", "mg/dL"), weight_kg=50, height_cm=155
    )
    found = assess(patient, NOTHING)
    assert found.leading == "1 × eGFR"
    assert found.leading_limit_ml == pytest.approx(24.79, abs=0.01)
    assert "creatinine-age-unknown" in _codes(found)


def test_in_obesity_the_lowest_clearance_counts_and_is_named() -> None:
    # patient D of the limit examples: 3 x CrCl is 109.9 mL by ideal weight, 233.33 by actual
    patient = replace(
        PATIENT_A, age_years=60, creatinine=Creatinine("2.0", "mg/dL"), weight_kg=140, height_cm=170
    )
    found = assess(patient, NOTHING)
    assert _row(found, "gurm_3").limit_ml == pytest.approx(109.9, abs=0.01)
    assert "ideal weight" in (_row(found, "gurm_3").renal_input or "")
    assert "weight-above-ideal" in _codes(found)
    just_under = replace(patient, weight_kg=1.2 * 65.93)  # Devine at 170 cm: 65.94 kg
    assert "weight-above-ideal" not in _codes(assess(just_under, NOTHING))


@pytest.mark.parametrize(
    ("change", "headline", "note"),
    [
        ({"creatinine": None}, "limit unknown: creatinine missing", "not computed: creatinine missing"),
        ({"dialysis": Knowledge.YES}, "limit unknown: on dialysis", "does not apply: on dialysis"),
        (
            {"is_creatinine_unstable": True},
            "limit unknown: creatinine is changing",
            "renal estimate not valid: creatinine is changing",
        ),
        (
            {"creatinine": Creatinine("1.5", "mg/dL", "2025-10-13")},
            "limit unknown: creatinine of 140 days ago is too old",
            "not computed: creatinine of 140 days ago is too old",
        ),
        (
            {"creatinine": Creatinine("1.5", "mg/dL", "2026-03-05")},
            "limit unknown: creatinine dated after the case",
            "not computed: creatinine dated after the case",
        ),
    ],
)
def test_without_a_valid_creatinine_every_row_says_why_and_none_leads(
    patient: RenalInput, change: dict[str, object], headline: str, note: str
) -> None:
    found = assess(replace(patient, **change), _given(50))  # type: ignore[arg-type]
    assert found.headline == headline
    assert (found.leading, found.leading_limit_ml, found.remaining_ml, found.next_level) == (None,) * 4
    creatinine_rows = [row for row in found.limits if row.may_lead]
    assert len(creatinine_rows) == 8
    for row in creatinine_rows:
        assert (row.limit_ml, row.limit_iodine_g, row.used_fraction, row.applies) == (None, None, None, False)
        assert row.note
        if row.key in ("gurm_2", "cigarroa_macd", "nyman_1"):
            assert row.note == note
    assert not any(row.valid or row.value is not None for row in found.egfr)


def test_without_age_only_the_row_of_creatinine_and_weight_leads_and_the_gap_is_told(
    patient: RenalInput,
) -> None:
    # Cigarroa 1989: 5 mL/kg x 80 kg / 1.5 mg/dL = 266.67 mL; it has no term of age or sex
    found = assess(replace(patient, age_years=None), NOTHING)
    assert found.leading_key == "cigarroa_macd"
    assert found.leading_limit_ml == pytest.approx(266.67, abs=0.01)
    assert _row(found, "gurm_2").note == "not computed: age missing"
    assert "renal-input-missing" in _codes(found)


@pytest.mark.parametrize(
    ("is_inpatient", "taken_on", "leads"),
    [
        (False, "2025-12-02", True),  # 90 days
        (False, "2025-12-01", False),
        (True, "2026-02-23", True),  # 7 days
        (True, "2026-02-22", False),
    ],
)
def test_creatinine_is_stale_after_90_days_or_7_as_inpatient(
    patient: RenalInput, is_inpatient: bool, taken_on: str, leads: bool
) -> None:
    sample = Creatinine("1.5", "mg/dL", taken_on)
    found = assess(replace(patient, creatinine=sample, is_inpatient=is_inpatient), NOTHING)
    assert (found.leading is not None) is leads
    assert ("creatinine-stale" in _codes(found)) is not leads


def test_a_stale_creatinine_counts_once_confirmed_and_says_so(patient: RenalInput) -> None:
    old = replace(
        patient, creatinine=Creatinine("1.5", "mg/dL", "2025-10-13"), is_old_creatinine_confirmed=True
    )
    found = assess(old, NOTHING)
    assert found.leading == "2 × CrCl"
    assert "creatinine-stale-confirmed" in _codes(found)


def test_children_get_schwartz_and_a_label_row_that_never_leads(patient: RenalInput) -> None:
    child = replace(
        patient, age_years=6, weight_kg=20, height_cm=115, creatinine=Creatinine("0.5", "mg/dL", "2026-03-01")
    )
    found = assess(child, NOTHING)
    valid = [row.formula for row in found.egfr if row.valid]
    assert valid == ["bedside Schwartz"]
    assert found.leading is None
    assert "below 18 years" in found.headline
    applying = [row for row in found.limits if row.applies]
    # iodixanol label for children: 4 mL/kg (drug monograph page)
    assert [(row.key, row.limit_ml) for row in applying] == [("label_iodixanol_child", 80)]


def test_adult_age_begins_at_18(patient: RenalInput) -> None:
    assert assess(replace(patient, age_years=18), NOTHING).leading is not None
    assert assess(replace(patient, age_years=17.9), NOTHING).leading is None


def test_venous_only_shows_no_arterial_limit(patient: RenalInput) -> None:
    found = assess(replace(patient, site=InjectionSite.VENOUS), NOTHING)
    assert found.leading is None
    assert not any(row.applies for row in found.limits)
    assert any(row.valid for row in found.egfr)
    wanted = replace(default_kidney_settings(), apply_ratios_to_venous=True)
    assert assess(replace(patient, site=InjectionSite.VENOUS), NOTHING, wanted).leading == "2 × CrCl"


def test_without_weight_only_indexed_rows_are_computed(patient: RenalInput) -> None:
    no_weight = replace(patient, weight_kg=None)
    assert assess(no_weight, NOTHING).headline == "limit unknown: weight missing"
    found = assess(replace(no_weight, site=InjectionSite.FIRST_PASS), NOTHING)
    assert [row.key for row in found.limits if row.limit_ml is not None] == ["esur10_volume"]
    missing = next(one for one in found.findings if one.code == "renal-input-missing")
    assert "2 × CrCl" in missing.text


def test_without_height_actual_weight_is_used_and_iodine_limits_are_not_computed(patient: RenalInput) -> None:
    found = assess(replace(patient, height_cm=None), NOTHING)
    assert found.leading == "2 × CrCl"
    assert _row(found, "nyman_1").note == "not computed: height missing"


def test_sex_not_known_uses_the_lower_and_says_so(patient: RenalInput) -> None:
    unknown = assess(replace(patient, sex=None), NOTHING)
    female = assess(replace(patient, sex="F"), NOTHING)
    assert unknown.leading_limit_ml == pytest.approx(female.leading_limit_ml)
    assert "sex-unknown" in _codes(unknown)
    assert "sex not known" in (unknown.egfr[0].note or "")


def test_earlier_contrast_counts_as_a_second_part(patient: RenalInput) -> None:
    earlier = EarlierContrast(Knowledge.YES, neat_ml=90, iodine_g=27.0)
    found = assess(patient, ContrastGiven(contrast_totals([Injection(118, 320)]), earlier))
    assert found.given.in_words() == "118 mL now + 90 mL earlier"
    assert _row(found, "gurm_2").used_fraction == pytest.approx(208 / 100.74, abs=1e-3)
    # iodine: 118 x 0.320 + 27 = 64.76 g of 55.58 g
    assert _row(found, "nyman_1").used_fraction == pytest.approx(64.76 / 55.582, abs=1e-3)


def test_earlier_contrast_not_known_is_said(patient: RenalInput) -> None:
    assert "earlier-contrast-unknown" in _codes(assess(patient, ContrastGiven()))
    some = ContrastGiven(earlier=EarlierContrast(Knowledge.YES))
    assert "earlier-contrast-amount-unknown" in _codes(assess(patient, some))
    assert not {"earlier-contrast-unknown", "earlier-contrast-amount-unknown"} & _codes(
        assess(patient, NOTHING)
    )


@pytest.mark.parametrize(
    ("taken_on", "is_flagged"),
    [("2026-02-26", True), ("2026-03-01", True), ("2026-02-25", False), ("2026-03-02", False)],
)
def test_creatinine_within_72_h_after_contrast_may_still_rise(
    patient: RenalInput, taken_on: str, is_flagged: bool
) -> None:
    earlier = EarlierContrast(Knowledge.YES, 90, 27.0, given_at=("2026-02-26T10:00:00+00:00",))
    sample = Creatinine("1.5", "mg/dL", taken_on)
    found = assess(replace(patient, creatinine=sample), ContrastGiven(earlier=earlier))
    assert ("creatinine-after-contrast" in _codes(found)) is is_flagged


def test_hours_are_compared_exactly_where_both_times_are_known() -> None:
    at = "2026-02-26T10:00:00+00:00"
    assert is_within_hours_after(later="2026-03-01T10:00:00+00:00", earlier=at, hours=72)
    assert not is_within_hours_after(later="2026-03-01T10:01:00+00:00", earlier=at, hours=72)
    assert not is_within_hours_after(later="2026-02-26T09:59:00+00:00", earlier=at, hours=72)


def test_without_concentration_iodine_limits_have_no_ml(patient: RenalInput) -> None:
    found = assess(replace(patient, concentration_mgi_ml=None), _given(20, None))
    row = _row(found, "nyman_1")
    assert row.limit_ml is None
    assert row.limit_iodine_g == pytest.approx(55.582, abs=0.001)
    assert row.used_fraction is None
    assert {"concentration-unknown", "iodine-at-least"} <= _codes(found)
    assert found.leading == "2 × CrCl"


def test_another_concentration_changes_iodine_limits_in_ml(patient: RenalInput) -> None:
    # patient A: 1.0 g I per mL/min is 173.69 mL at 320 and 158.81 at 350
    at_350 = _row(assess(replace(patient, concentration_mgi_ml=350), NOTHING), "nyman_1")
    assert at_350.limit_ml == pytest.approx(158.81, abs=0.01)
    # 100 mL of 370 first: 37 g of 55.582 g are used, 18.582 g are 58.07 mL at 320
    mixed = _row(assess(patient, _given(100, 370)), "nyman_1")
    assert mixed.remaining_ml == pytest.approx(58.07, abs=0.01)
    assert mixed.used_fraction == pytest.approx(37 / 55.582, abs=1e-4)


def test_esc_rows_are_off_by_default(patient: RenalInput) -> None:
    assert not any(row.key.startswith("esc2014") for row in assess(patient, NOTHING).limits)
    shown = assess(patient, NOTHING, replace(default_kidney_settings(), show_esc_rows=True))
    fixed = _row(shown, "esc2014_volume")
    assert (fixed.limit_ml, fixed.may_lead) == (350, False)


def test_weight_only_rows_never_lead(patient: RenalInput) -> None:
    settings = replace(default_kidney_settings(), show_esc_rows=True, show_label_rows=True)
    light = replace(patient, weight_kg=None, concentration_mgi_ml=350)
    found = assess(light, NOTHING, settings)
    assert any(row.applies and row.limit_ml for row in found.limits)
    assert found.leading is None


def test_an_implausible_estimate_asks_for_the_unit(patient: RenalInput) -> None:
    slip = replace(patient, creatinine=Creatinine("20", "mg/dL", "2026-03-01"), age_years=90)
    assert "egfr-implausible" not in _codes(assess(patient, NOTHING))
    assert "egfr-implausible" in _codes(
        assess(replace(slip, creatinine=Creatinine("29", "mg/dL", "2026-03-01")), NOTHING)
    )


def test_a_case_is_first_pass_if_any_injection_is_or_one_is_unknown() -> None:
    first, second, venous = InjectionSite.FIRST_PASS, InjectionSite.SECOND_PASS, InjectionSite.VENOUS
    assert case_site([second, first, venous]) is first
    assert case_site([second, InjectionSite.UNKNOWN]) is InjectionSite.UNKNOWN
    assert case_site([venous, second]) is second
    assert case_site([InjectionSite.NOT_INTRAVASCULAR, venous]) is venous
    assert case_site([]) is InjectionSite.UNKNOWN


@pytest.mark.parametrize(
    ("remaining", "words"),
    [
        (12.9, "12 mL below X"),
        (0.4, "less than 1 mL below X"),
        (0.0, "X reached"),
        (-0.1, "1 mL past X"),
        (-2.0, "2 mL past X"),
    ],
)
def test_distance_is_rounded_to_the_careful_side(remaining: float, words: str) -> None:
    assert distance_in_words(remaining, "X") == words


def test_limits_are_shown_down_and_used_up() -> None:
    assert (shown_limit_ml(100.99), shown_used_ml(100.01)) == (100, 101)
    assert (shown_limit_ml(300.0), shown_used_ml(12.0)) == (300, 12)
    # 3 x 0.1 is not 0.3 in binary: noise must not cost a millilitre
    assert shown_limit_ml(116 - 1e-13) == 116


def test_a_looser_limit_must_be_confirmed(patient: RenalInput) -> None:
    before = assess(patient, NOTHING)
    better = replace(patient, creatinine=Creatinine("1.0", "mg/dL", "2026-03-02"))
    worse = replace(patient, creatinine=Creatinine("2.0", "mg/dL", "2026-03-02"))
    loosened = limit_loosened(before, assess(better, NOTHING))
    assert loosened is not None
    assert "100 mL" in loosened.text
    assert limit_loosened(before, assess(worse, NOTHING)) is None
    assert limit_loosened(before, assess(patient, _given(30))) is None
    assert limit_loosened(before, assess(replace(patient, concentration_mgi_ml=270), NOTHING)) is None
    assert limit_loosened(before, assess(replace(patient, dialysis=Knowledge.YES), NOTHING)) is not None


def test_settings_of_a_site_that_changed_nothing_are_the_defaults() -> None:
    assert KidneySettings.from_settings(resolve([], day="2026-03-02")) == default_kidney_settings()
    # 90 and 7 days, 72 h, 75 %: choices of this project, within the published ranges
    assert default_kidney_settings() == KidneySettings(0.75, 90, 7, 72)


def test_below_five_feet_the_actual_weight_counts() -> None:
    short = replace(PATIENT_A, height_cm=150, weight_kg=90)
    found = assess(short, NOTHING)
    assert "actual weight" in (_row(found, "gurm_2").renal_input or "")
    assert "not defined below 152.4 cm" in (found.egfr[4].note or "")
    assert "ideal-weight-not-defined" in _codes(found)
    assert "ideal-weight-not-defined" not in _codes(assess(replace(short, height_cm=152.4), NOTHING))
    assert "ideal-weight-not-defined" not in _codes(assess(replace(short, weight_kg=None), NOTHING))


def test_the_age_of_creatinine_is_told(patient: RenalInput) -> None:
    assert assess(patient, NOTHING).creatinine_age_days == 1
    assert (
        assess(replace(patient, creatinine=Creatinine("1.5", "mg/dL")), NOTHING).creatinine_age_days is None
    )


def test_age_is_in_completed_years() -> None:
    assert age_years_on("1954-03-02", date(2026, 3, 2)) == 72
    assert age_years_on("1954-03-03", date(2026, 3, 2)) == 71
    assert age_years_on("2004-02-29", date(2026, 2, 28)) == 21


def test_nothing_it_says_promises_anything(patient: RenalInput) -> None:
    forbidden = re.compile(r"safe|allowance|budget|headroom|\bleft\b|\bok\b", re.IGNORECASE)
    for volume in (0, 88, 102, 400):
        found = assess(patient, _given(volume))
        said = [found.headline, *(one.text for one in found.findings)]
        said += [f"{row.name} {row.note} {row.source} {row.say}" for row in found.limits]
        assert [text for text in said if forbidden.search(text)] == []


@for_any(
    first=st.floats(0, 500), more=st.floats(0.1, 300), concentration=st.sampled_from([240.0, 320.0, 370.0])
)
def test_more_contrast_never_raises_what_remains(first: float, more: float, concentration: float) -> None:
    before, after = (
        assess(PATIENT_A, _given(first)),
        assess(PATIENT_A, _given_two(first, more, concentration)),
    )
    assert before.remaining_ml is not None
    assert after.remaining_ml is not None
    assert after.remaining_ml < before.remaining_ml
    for old, new in zip(before.limits, after.limits, strict=True):
        if old.used_fraction is not None and new.used_fraction is not None:
            assert new.used_fraction > old.used_fraction


def _given_two(first: float, more: float, concentration: float) -> ContrastGiven:
    injections = [Injection(first, 320), Injection(more, concentration)]
    return ContrastGiven(contrast_totals(injections), EarlierContrast(Knowledge.NO))


@for_any(milligrams=st.decimals(min_value="0.3", max_value="12", places=2))
def test_the_same_creatinine_in_either_unit_gives_the_same_limit(milligrams: Decimal) -> None:
    micromoles = milligrams * Decimal("88.4")
    one = assess(replace(PATIENT_A, creatinine=Creatinine(str(milligrams), "mg/dL")), NOTHING)
    two = assess(replace(PATIENT_A, creatinine=Creatinine(str(micromoles), "umol/L")), NOTHING)
    assert one.leading_key == two.leading_key
    assert one.leading_limit_ml == pytest.approx(two.leading_limit_ml, rel=1e-12)
