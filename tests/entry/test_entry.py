"""What a person types: units, bounds, and the slips that must be asked about."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import given as for_any
from hypothesis import strategies as st

from dosetrack.entry import (
    age_from_text,
    carried_over,
    check_reading,
    concentration_from_text,
    contrast_fraction_from_text,
    creatinine_from_text,
    duplicate_question,
    injection_from_text,
    patient_size_from_text,
    reading_from_text,
    site_from_text,
)
from dosetrack.errors import InputError, OutOfBoundsError, UnitError
from dosetrack.records.entries import Agent, ConsoleReading, Creatinine, Injection, InjectionSite

DAY = date(2026, 3, 2)

# --- creatinine -----------------------------------------------------------------------------------


def test_creatinine_keeps_the_laboratorys_digits_and_unit() -> None:
    typed = creatinine_from_text("1,20 mg/dL", taken_on="2026-03-01", on=DAY)
    assert typed.value == Creatinine("1.20", "mg/dL", "2026-03-01")
    assert typed.questions == ()
    assert typed.findings == ()
    assert creatinine_from_text("106 µmol/l", taken_on="2026-03-01").value.unit == "umol/L"


def test_mmol_is_held_as_micromol_without_rounding() -> None:
    value = creatinine_from_text("0.106 mmol/L", taken_on="2026-03-01").value
    assert (Decimal(value.value), value.unit) == (106, "umol/L")


def test_a_creatinine_without_unit_is_refused_unless_the_site_names_one() -> None:
    with pytest.raises(UnitError, match="mg/dL"):
        creatinine_from_text("1.2")
    assert creatinine_from_text("1.2", default_unit="mg/dL").value.unit == "mg/dL"


def test_a_decimal_comma_never_makes_twelve() -> None:
    assert creatinine_from_text("1,2 mg/dL").value.value == "1.2"
    with pytest.raises(InputError, match="two numbers"):
        creatinine_from_text("1,200 mg/dL")


@pytest.mark.parametrize(
    ("typed", "meant"),
    # the dangerous direction first: 1.2 typed as umol/L would mean no limit at all
    [
        ("1.2 µmol/L", "1.2 mg/dL (106 µmol/L)"),
        ("106 mg/dL", "106 µmol/L (1.20 mg/dL)"),
        ("0.05 mg/dL", "0.05 mmol/L (0.57 mg/dL)"),
    ],
)
def test_an_impossible_creatinine_is_refused_with_what_may_have_been_meant(typed: str, meant: str) -> None:
    with pytest.raises(OutOfBoundsError) as refused:
        creatinine_from_text(typed)
    assert meant in str(refused.value)


@pytest.mark.parametrize(
    ("typed", "proposal"),
    [
        ("9 µmol/L", "9 mg/dL"),
        ("14.9 µmol/L", "14.9 mg/dL"),
        ("20 mg/dL", "20 umol/L"),
        ("30 mg/dL", "30 umol/L"),
        ("0.106 mg/dL", "0.106 mmol/L"),
        ("0.15 mg/dL", "0.15 mmol/L"),
    ],
)
def test_a_creatinine_that_looks_like_another_unit_is_asked_and_never_converted(
    typed: str, proposal: str
) -> None:
    result = creatinine_from_text(typed, taken_on="2026-03-01")
    assert [(one.kind, one.proposal) for one in result.questions] == [("unit", proposal)]
    assert result.value.value == typed.split()[0]


@pytest.mark.parametrize(
    ("typed", "asked"),
    [
        ("0.3 mg/dL", False),
        ("0.29 mg/dL", True),
        ("12 mg/dL", False),
        ("12.1 mg/dL", True),
        ("27 µmol/L", False),
        ("26.9 µmol/L", True),
        ("1060 µmol/L", False),
        ("1061 µmol/L", True),
        ("2650 µmol/L", True),
    ],
)
def test_usual_creatinine_passes_quietly(typed: str, asked: bool) -> None:
    assert bool(creatinine_from_text(typed, taken_on="2026-03-01").questions) is asked


@pytest.mark.parametrize(
    "typed", ["0.09 mg/dL", "30.1 mg/dL", "8.9 µmol/L", "2651 µmol/L", "-1 mg/dL", "0 mg/dL"]
)
def test_impossible_creatinine_is_refused(typed: str) -> None:
    with pytest.raises(OutOfBoundsError, match="accepted"):
        creatinine_from_text(typed)


def test_a_large_change_asks_for_the_unit_and_for_stability() -> None:
    last = Creatinine("88.4", "umol/L", "2026-02-01")
    assert creatinine_from_text("1.50 mg/dL", taken_on="2026-03-01", previous=last).questions == ()
    asked = creatinine_from_text("1.51 mg/dL", taken_on="2026-03-01", previous=last).questions
    assert [one.kind for one in asked] == ["change"]
    assert "50 %" in asked[0].text


def test_the_date_of_creatinine_is_checked() -> None:
    assert [one.code for one in creatinine_from_text("1.2 mg/dL").findings] == ["creatinine-age-unknown"]
    with pytest.raises(OutOfBoundsError, match="2026-03-02"):
        creatinine_from_text("1.2 mg/dL", taken_on="2026-03-03", on=DAY)
    with pytest.raises(InputError, match="YYYY-MM-DD"):
        creatinine_from_text("1.2 mg/dL", taken_on="1.3.2026")


# --- size -----------------------------------------------------------------------------------------


def test_size_in_any_unit() -> None:
    size = patient_size_from_text(
        weight="68 kg", height="1,60 m", sex="female", birth_date="1954-05-06", on=DAY
    )
    assert (size.value.weight_kg, size.value.height_cm) == (68, 160)
    assert (size.value.sex, size.value.birth_date) == ("F", "1954-05-06")
    assert size.questions == ()


def test_absent_size_is_none() -> None:
    size = patient_size_from_text().value
    assert (size.weight_kg, size.height_cm, size.sex, size.birth_date) == (None, None, None, None)


@pytest.mark.parametrize(
    ("weight", "asked"),
    [("35 kg", False), ("34.9 kg", True), ("200 kg", False), ("350 kg", True), ("500 kg", True)],
)
def test_unusual_weight_is_asked(weight: str, asked: bool) -> None:
    assert bool(patient_size_from_text(weight=weight).questions) is asked


@pytest.mark.parametrize("text", ["19.9 kg", "501 kg", "-70 kg", "0 kg"])
def test_impossible_weight_is_refused(text: str) -> None:
    with pytest.raises(OutOfBoundsError, match="20 to 500 kg"):
        patient_size_from_text(weight=text)


def test_a_childs_weight_needs_the_age_first() -> None:
    with pytest.raises(OutOfBoundsError, match="give age or birth date"):
        patient_size_from_text(weight="14 kg")
    assert patient_size_from_text(weight="14 kg", age_years=3).questions == ()
    assert patient_size_from_text(weight="14 kg", birth_date="2023-01-01", on=DAY).value.weight_kg == 14


def test_height_in_metres_typed_as_cm_is_refused_with_a_proposal() -> None:
    with pytest.raises(OutOfBoundsError, match=r"1\.75 m \(175 cm\) meant"):
        patient_size_from_text(height="1.75 cm")


def test_height_that_looks_like_inches_is_asked() -> None:
    asked = patient_size_from_text(height="68 cm").questions
    assert [(one.kind, one.proposal) for one in asked] == [("unit", "68 in")]


def test_pounds_typed_as_kilograms_are_caught_by_the_body_mass_index() -> None:
    # 300 lb is 136 kg; typed as 300 kg at 160 cm: index 117
    with pytest.raises(OutOfBoundsError, match="pounds typed as kg"):
        patient_size_from_text(weight="300 kg", height="160 cm")
    assert patient_size_from_text(weight="160 kg", height="160 cm").questions  # index 62.5
    assert not patient_size_from_text(weight="100 kg", height="160 cm").questions


@pytest.mark.parametrize(
    ("text", "years", "asked"), [("72", 72, False), ("72 y", 72, False), ("101", 101, True), ("6", 6, False)]
)
def test_age(text: str, years: float, asked: bool) -> None:
    found, questions = age_from_text(text)
    assert (found, bool(questions)) == (years, asked)


@pytest.mark.parametrize("text", ["121", "-1", "old", "nan", ""])
def test_impossible_age_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="age"):
        age_from_text(text)


# --- injections -----------------------------------------------------------------------------------


def test_an_injection_as_typed() -> None:
    typed = injection_from_text("12 mL", concentration="320", dilution="1:1", site="coronary")
    assert typed.value == Injection(12, 320, 0.5, Agent.IODINATED, InjectionSite.SECOND_PASS)
    assert typed.questions == ()


@pytest.mark.parametrize("text", ["1:1", "1 : 1", "50 %", "50%", "half-strength", "Half strength"])
def test_half_strength_has_many_names(text: str) -> None:
    assert contrast_fraction_from_text(text) == 0.5


@pytest.mark.parametrize("text", [None, "", "undiluted", "neat", "100 %"])
def test_undiluted_is_whole(text: str | None) -> None:
    assert contrast_fraction_from_text(text) == 1.0


@pytest.mark.parametrize("text", ["1:2", "1/3", "2:1", "0.5", "some", "0 %", "120 %", "-5 %"])
def test_an_ambiguous_dilution_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="dilution"):
        contrast_fraction_from_text(text)


def test_one_in_two_asks_for_a_percentage() -> None:
    with pytest.raises(InputError, match="can mean two mixtures"):
        contrast_fraction_from_text("1:2")


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ("140", False),
        ("400 mg I/mL", False),
        ("139", True),
        ("100", True),
        ("50", True),
        ("320 mg/mL", False),
    ],
)
def test_concentration(text: str, asked: bool) -> None:
    assert bool(concentration_from_text(text)[1]) is asked


@pytest.mark.parametrize("text", ["9", "12", "49.9", "401", "320 mL", "0", "-320"])
def test_a_concentration_for_the_bowel_or_an_impossible_one_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="concentration"):
        concentration_from_text(text)


def test_oral_strengths_are_named_as_such() -> None:
    with pytest.raises(OutOfBoundsError, match="oral use only"):
        concentration_from_text("12")


@pytest.mark.parametrize(
    ("volume", "power", "asked"),
    [
        ("1 mL", False, False),
        ("20 mL", False, False),
        ("21 mL", False, True),
        ("100 mL", False, True),
        ("60 mL", True, False),
        ("61 mL", True, True),
        ("200 mL", True, True),
    ],
)
def test_volume_of_one_injection(volume: str, power: bool, asked: bool) -> None:
    assert bool(injection_from_text(volume, from_injector=power).questions) is asked


@pytest.mark.parametrize(
    ("volume", "power"),
    [("101 mL", False), ("201 mL", True), ("0 mL", False), ("-5 mL", False), ("12", False), ("12 kg", False)],
)
def test_impossible_volume_is_refused(volume: str, power: bool) -> None:
    with pytest.raises(InputError, match="volume"):
        injection_from_text(volume, from_injector=power)


def test_the_total_of_the_case_is_looked_at() -> None:
    assert injection_from_text("10 mL", given_so_far_ml=390).questions == ()
    asked = injection_from_text("10 mL", given_so_far_ml=391).questions
    assert [one.field for one in asked] == ["contrast of this case"]
    with pytest.raises(OutOfBoundsError, match="1500 mL"):
        injection_from_text("10 mL", given_so_far_ml=1491)


def test_gas_has_no_iodine_and_its_own_bounds() -> None:
    gas = injection_from_text("80 mL", agent="CO2", given_so_far_ml=1499)
    assert (gas.value.agent, gas.value.concentration_mgi_ml, gas.questions) == (
        Agent.CARBON_DIOXIDE,
        None,
        (),
    )
    with pytest.raises(InputError, match="carries no iodine"):
        injection_from_text("80 mL", agent="CO2", concentration="320")


def test_the_usual_concentration_is_taken_only_where_none_is_typed() -> None:
    assert injection_from_text("8 mL", usual_concentration_mgi_ml=320).value.concentration_mgi_ml == 320
    assert (
        injection_from_text(
            "8 mL", concentration="270", usual_concentration_mgi_ml=320
        ).value.concentration_mgi_ml
        == 270
    )
    assert (
        injection_from_text("8 mL", agent="saline", usual_concentration_mgi_ml=320).value.concentration_mgi_ml
        is None
    )


@pytest.mark.parametrize(
    ("text", "site"),
    [
        ("first-pass", InjectionSite.FIRST_PASS),
        ("Second pass", InjectionSite.SECOND_PASS),
        ("renal artery", InjectionSite.FIRST_PASS),
        ("coronary", InjectionSite.SECOND_PASS),
        ("portal vein", InjectionSite.VENOUS),
        ("biliary", InjectionSite.NOT_INTRAVASCULAR),
        (None, InjectionSite.UNKNOWN),
    ],
)
def test_site(text: str | None, site: InjectionSite) -> None:
    assert site_from_text(text) is site


def test_an_unknown_site_lists_what_is_accepted() -> None:
    with pytest.raises(InputError, match="first-pass"):
        site_from_text("elbow")


def test_the_same_injection_moments_later_is_asked_about() -> None:
    at = datetime(2026, 3, 2, 10, 41, tzinfo=UTC)
    earlier = [(at, Injection(8, 320))]
    assert duplicate_question(earlier, Injection(8, 320), at=at + timedelta(seconds=5)) is not None
    assert duplicate_question(earlier, Injection(8, 320), at=at + timedelta(seconds=60)) is None
    assert duplicate_question(earlier, Injection(9, 320), at=at + timedelta(seconds=5)) is None


# --- console readings -----------------------------------------------------------------------------


def test_a_reading_in_any_unit() -> None:
    typed = reading_from_text(
        plane="A", reference_air_kerma="1,2 Gy", dose_area_product="850 dGy·cm²", fluoroscopy_time="41:30"
    )
    assert typed.value == ConsoleReading("a", 1200, 85, 2490)
    assert typed.questions == ()


@pytest.mark.parametrize(
    "typed",
    [
        {},
        {"reference_air_kerma": "1200"},
        {"dose_area_product": "85 mGy"},
        {"fluoroscopy_time": "-5 min"},
        {"reference_air_kerma": "-1 mGy"},
        {"reference_air_kerma": "200 Gy"},
        {"fluoroscopy_time": "90000 s"},
        {"fluoroscopy_time": "nan s"},
    ],
)
def test_an_impossible_reading_is_refused(typed: dict[str, str]) -> None:
    with pytest.raises(InputError, match="accepted"):
        reading_from_text(**typed)


@pytest.mark.parametrize(
    ("dap_gycm2", "words"),
    # mean field area = DAP / Ka,r; with 1 Gy the figures are the same
    [
        (30, None),
        (350, None),
        (29, "please check"),
        (351, "please check"),
        (9.9, "likely a unit or typing error"),
        (1000, "as if it were in dGy·cm²"),
        (8000, "as if it were in cGy·cm² or µGy·m²"),
    ],
)
def test_kerma_and_dose_area_product_must_fit(dap_gycm2: float, words: str | None) -> None:
    asked = reading_from_text(reference_air_kerma="1 Gy", dose_area_product=f"{dap_gycm2} Gy·cm²").questions
    fit = [one.text for one in asked if one.kind == "fit"]
    if words is None:
        assert fit == []
    else:
        assert words in fit[0]


@pytest.mark.parametrize(
    ("kerma", "time", "asked"),
    [
        ("400 mGy", "1 min", False),
        ("4000 mGy", "10 min", False),
        ("4001 mGy", "10 min", True),
        ("9 mGy", "10 min", True),
        ("0 mGy", "1 min", False),
        ("0 mGy", "61 s", True),
        ("5 mGy", "0 s", False),
    ],
)
def test_kerma_and_time_must_fit(kerma: str, time: str, asked: bool) -> None:
    questions = reading_from_text(reference_air_kerma=kerma, fluoroscopy_time=time).questions
    assert any(one.kind == "fit" for one in questions) is asked


def test_seconds_typed_as_minutes_are_asked_about() -> None:
    assert reading_from_text(fluoroscopy_time="300 min").questions == ()
    assert reading_from_text(fluoroscopy_time="301 min").questions


def test_reading_lower_than_last_is_questioned() -> None:
    before = [ConsoleReading("a", 1200, 85, 2400), ConsoleReading("b", 5000, 300, 4000)]
    asked = check_reading(before, ConsoleReading("a", 1100, 86, 2500))
    assert [(one.kind, one.field) for one in asked] == [("reset", "reference air kerma")]
    assert "typing error" in asked[0].text
    assert "start again from zero" in asked[0].text
    assert check_reading(before, ConsoleReading("a", 1200, 85, 2400)) == ()
    assert check_reading(before, ConsoleReading("a", 10, 1, 20, is_reset=True)) == ()


def test_after_a_reset_only_later_readings_are_compared() -> None:
    before = [ConsoleReading("single", 1200), ConsoleReading("single", 10, is_reset=True)]
    assert check_reading(before, ConsoleReading("single", 50)) == ()
    assert check_reading(before, ConsoleReading("single", 5))


def test_a_first_reading_not_near_zero_is_questioned() -> None:
    asked = check_reading([], ConsoleReading("single", 900, 60, 900))
    assert {one.kind for one in asked} == {"carried-over"}
    assert all("previous patient" in one.text for one in asked)
    assert check_reading([], ConsoleReading("single", 12, 1.2, 60)) == ()


def test_a_first_reading_equal_to_the_last_cases_is_questioned() -> None:
    last = ConsoleReading("single", 55, 4, 300)
    new = ConsoleReading("single", 55, 4, 300)
    asked = check_reading([], new, last_in_room=last)
    assert all("what the last case here ended with" in one.text for one in asked)
    assert len(asked) == 3
    carried = carried_over(new, last)
    assert carried.offset_reference_air_kerma_mgy == 55
    assert check_reading([], carried, last_in_room=last) == ()


@pytest.mark.parametrize(
    ("last", "offsets"),
    [
        pytest.param(None, (55, 4, 0), id="room's last reading not known: the whole reading"),
        pytest.param(
            ConsoleReading("single", 50, None, 300), (50, 4, 300), id="a counter not read now holds its own"
        ),
        pytest.param(ConsoleReading("single", 900, 60, None), (55, 4, 0), id="never more than is shown"),
    ],
)
def test_what_was_carried_over_is_the_rooms_last_reading_where_it_is_known(
    last: ConsoleReading | None, offsets: tuple[float, float, float]
) -> None:
    found = carried_over(ConsoleReading("single", 55, 4, None), last)
    assert (
        found.offset_reference_air_kerma_mgy,
        found.offset_dose_area_product_gycm2,
        found.offset_fluoroscopy_time_s,
    ) == offsets


# --- properties -----------------------------------------------------------------------------------


@for_any(value=st.decimals(min_value="0.30", max_value="12", places=2))
def test_creatinine_digits_survive(value: Decimal) -> None:
    for text in (f"{value} mg/dL", f"{value} mg/dL".replace(".", ",")):
        assert Decimal(creatinine_from_text(text, taken_on="2026-03-01").value.value) == value


@for_any(value=st.decimals(min_value="1", max_value="19", places=1))
def test_volume_is_the_same_in_litres(value: Decimal) -> None:
    in_ml = injection_from_text(f"{value} mL").value.volume_ml
    assert injection_from_text(f"{value / 1000} L").value.volume_ml == pytest.approx(in_ml, rel=1e-12)
