"""Kidney injury after contrast against KDIGO 2012 (definition and table 2, as three sources restate them).

Stage 1: 1.5 to 1.9 times, or 0.3 mg/dL (26.5 µmol/L); stage 2: 2.0 to 2.9; stage 3: 3.0 or more, 4.0
mg/dL (353.6 µmol/L), dialysis, or eGFR below 35 under 18 years.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from follow_up_settings import settings
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.errors import InputError
from dosetrack.followup import InjuryFacts, InjuryStage, InjuryState, stage_injury
from dosetrack.records.entries import Creatinine

BERLIN = ZoneInfo("Europe/Berlin")
CONTRAST = datetime(2026, 11, 25, 10, 0, tzinfo=BERLIN)
INJURY, OUTSIDE = InjuryState.INJURY, InjuryState.OUTSIDE_CLOCK
NOT_MET, NOT_ASSESSED = InjuryState.NOT_MET, InjuryState.NOT_ASSESSED


def at(hours: float, value: str, unit: str = "mg/dL", *, is_unstable: bool = False) -> Creatinine:
    """A sample so many hours after the contrast, below zero before it."""
    taken = (CONTRAST + timedelta(hours=hours)).isoformat()
    return Creatinine(value, unit, taken, is_unstable)


def stage(*series: Creatinine, **others: object) -> InjuryStage:
    facts = InjuryFacts(
        series=series,
        first_contrast_at=CONTRAST,
        last_contrast_at=CONTRAST,
        zone=BERLIN,
        **others,  # type: ignore[arg-type]
    )
    return stage_injury(facts, settings())


@pytest.mark.parametrize(
    ("unit", "baseline", "later", "expected"),
    [
        # the rise, exact in the laboratory's unit: 1.2 - 0.9 is 0.29999999999999993 in doubles
        ("mg/dL", "0.9", "1.2", 1),
        ("mg/dL", "0.90", "1.20", 1),
        ("mg/dL", "1.0", "1.3", 1),
        ("mg/dL", "0.9", "1.19", None),
        ("umol/L", "88", "114.5", 1),
        ("umol/L", "88", "114.4", None),
        # 26.5 µmol/L is 0.2998 mg/dL converted: it would be missed
        ("umol/L", "100", "126.5", 1),
        # ratios, half-open; 0.3 mg/dL and 50 % cross at 0.6 mg/dL
        ("mg/dL", "0.6", "0.9", 1),
        ("mg/dL", "0.5", "0.75", 1),
        ("mg/dL", "0.5", "0.74", None),
        ("mg/dL", "1.0", "1.99", 1),
        ("mg/dL", "1.0", "2.0", 2),
        ("mg/dL", "1.0", "2.99", 2),
        ("mg/dL", "1.0", "3.0", 3),
        ("mg/dL", "0.7", "2.1", 3),
        ("umol/L", "70", "139.9", 1),
        ("umol/L", "70", "140", 2),
        ("umol/L", "70", "210", 3),
        # 4.0 mg/dL or 353.6 µmol/L, once the definition is met
        ("mg/dL", "3.6", "4.0", 3),
        ("mg/dL", "3.6", "3.99", 1),
        ("mg/dL", "3.9", "4.1", None),
        ("umol/L", "320", "353.6", 3),
        ("umol/L", "320", "353.5", 1),
        ("umol/L", "340", "360", None),
    ],
)
def test_the_stages_of_the_table(unit: str, baseline: str, later: str, expected: int | None) -> None:
    found = stage(at(-20, baseline, unit), at(47, later, unit))
    assert found.stage == expected
    assert found.state is (NOT_MET if expected is None else INJURY)
    assert found.rise == Decimal(later) - Decimal(baseline)
    assert not found.is_baseline_presumed


def test_a_lone_rise_at_72_hours_is_no_kdigo_injury() -> None:
    found = stage(at(-10, "1.0"), at(72, "1.3"))
    assert (found.state, found.stage) == (OUTSIDE, None)
    assert found.text == "Rise outside the 48 h window (meets ESUR 48-72 h only)"
    assert stage(at(-10, "1.0"), at(73, "1.3")).text == "Rise outside the 48 h window"


def test_the_same_rise_between_two_samples_within_48_hours_is() -> None:
    assert stage(at(-10, "1.0"), at(30, "1.0"), at(72, "1.3")).stage == 1
    assert stage(at(-10, "1.0"), at(20, "1.0"), at(72, "1.3")).stage is None


def test_the_ratio_has_seven_days() -> None:
    assert stage(at(-10, "1.0"), at(7 * 24, "1.5")).stage == 1
    late = stage(at(-10, "1.0"), at(7 * 24 + 1, "1.5"))
    assert (late.state, late.text) == (OUTSIDE, "Rise outside the 7 day window")


def test_the_clocks_belong_to_the_diagnosis_and_not_to_the_stage() -> None:
    found = stage(at(-10, "1.0"), at(40, "1.4"), at(9 * 24, "3.1"))
    assert (found.stage, found.peak, found.ratio) == (3, Decimal("3.1"), Decimal("3.1"))


@pytest.mark.parametrize(
    ("hours", "is_presumed"), [(-1, False), (-7 * 24, False), (-8 * 24, True), (-200 * 24, True)]
)
def test_a_baseline_older_than_seven_days_is_presumed(hours: float, is_presumed: bool) -> None:
    found = stage(at(hours, "1.0"), at(48, "1.6"))
    assert (found.stage, found.is_baseline_presumed) == (1, is_presumed)


def test_the_baseline_is_the_latest_stable_sample_before_the_contrast() -> None:
    series = (at(-100, "0.8"), at(-40, "1.0"), at(-3, "1.4", is_unstable=True), at(48, "1.5"))
    assert stage(*series).baseline == Decimal("1.0")
    assert stage(*reversed(series)) == stage(*series)


@pytest.mark.parametrize(
    ("series", "why"),
    [
        ((), "no creatinine after the contrast"),
        ((at(-5, "1.0"),), "no creatinine after the contrast"),
        ((at(48, "1.0"),), "no creatinine before the contrast"),
        ((at(-5, "1.0", is_unstable=True), at(48, "1.0")), "creatinine was changing before the contrast"),
        (
            (at(-5, "1.0"), at(6, "1.0")),
            "no creatinine from 2026-11-27 on and within 7 days; drawn 2026-11-25",
        ),
        ((at(-5, "1.0"), at(20 * 24, "1.0")), "drawn 2026-12-15"),
    ],
)
def test_not_assessed_is_a_state_of_its_own(series: tuple[Creatinine, ...], why: str) -> None:
    found = stage(*series)
    assert (found.state, found.stage) == (NOT_ASSESSED, None)
    assert found.text.startswith("Not assessed:")
    assert why in found.text


def test_the_ward_s_draw_on_the_due_day_counts_though_48_hours_have_not_passed() -> None:
    found = stage(at(-5, "1.0"), at(44, "1.1"))  # Friday 06:00
    assert (found.state, found.text) == (NOT_MET, "Criterion not met by the creatinines up to 2026-11-27")


def test_without_a_baseline_a_rise_within_48_hours_is_at_least_stage_1() -> None:
    found = stage(at(5, "1.0"), at(50, "2.4"))
    assert (found.stage, found.is_at_least) == (1, True)
    assert found.text.startswith("KDIGO stage 1 at least")
    assert "baseline: no creatinine before the contrast" in found.missing


def test_dialysis_begun_is_stage_3_and_dialysis_before_is_not_assessed() -> None:
    assert stage(dialysis_started=True).stage == 3
    assert stage(at(-5, "1.0"), at(48, "1.2"), dialysis_started=True).stage == 3
    before = stage(at(-5, "5.0"), at(48, "7.0"), was_on_dialysis=True)
    assert (before.state, before.stage) == (NOT_ASSESSED, None)


@pytest.mark.parametrize(
    ("age", "height", "expected"),
    # bedside Schwartz by hand: 0.413 x 100 / 1.2 = 34.4; 0.413 x 110 / 1.2 = 37.9 mL/min/1.73 m²
    [(6.0, 100.0, 3), (6.0, 110.0, 2), (6.0, None, 2), (18.0, 100.0, 2)],
)
def test_children_by_egfr_below_35(age: float, height: float | None, expected: int) -> None:
    found = stage(at(-5, "0.6"), at(48, "1.2"), age_years=age, height_cm=height)
    assert found.stage == expected
    assert any("height" in m for m in found.missing) is (height is None)


def test_a_child_with_an_old_low_egfr_and_no_rise_has_no_stage() -> None:
    found = stage(at(-5, "1.9"), at(48, "1.9"), age_years=6.0, height_cm=100.0)
    assert (found.state, found.stage) == (NOT_MET, None)


def test_mixed_units_are_converted_with_a_finding() -> None:
    # 1.0 mg/dL = 88.4 µmol/L; 88.4 + 26.5 = 114.9
    found = stage(at(-5, "1.0"), at(40, "114.9", "umol/L"))
    assert (found.stage, found.unit, found.rise) == (1, "umol/L", Decimal("26.5"))
    assert [f.code for f in found.findings] == ["creatinine-units-mixed"]
    assert stage(at(-5, "1.0"), at(40, "114.8", "umol/L")).state is not INJURY
    assert stage(at(-5, "1.0"), at(40, "1.3")).findings == ()


def test_days_without_a_time_are_counted_as_days() -> None:
    base = Creatinine("1.0", "mg/dL", "2026-11-24")
    assert stage(base, Creatinine("1.3", "mg/dL", "2026-11-27")).stage == 1
    assert stage(base, Creatinine("1.3", "mg/dL", "2026-11-28")).state is OUTSIDE
    # on the day itself nobody knows which came first: taken as before, and presumed
    same_day = stage(Creatinine("1.0", "mg/dL", "2026-11-25"), at(40, "1.3"))
    assert (same_day.stage, same_day.is_baseline_presumed) == (1, True)


def test_hours_are_those_that_pass_when_the_clocks_change() -> None:
    """Berlin 2027-03-28: 48 h after Friday 23:30 end on Monday 00:30."""
    contrast = datetime(2027, 3, 26, 23, 30, tzinfo=BERLIN)
    for taken, expected in (("2027-03-29T00:30", 1), ("2027-03-29T00:31", None)):
        series = (
            Creatinine("1.0", "mg/dL", "2027-03-26T08:00"),
            Creatinine("1.3", "mg/dL", taken),
        )
        facts = InjuryFacts(series, contrast, contrast, BERLIN)
        assert stage_injury(facts, settings()).stage == expected


def test_a_sample_without_a_date_is_left_out_and_told() -> None:
    found = stage(at(-5, "1.0"), at(48, "1.0"), Creatinine("3.0", "mg/dL"))
    assert (found.state, found.missing) == (NOT_MET, ("date of a creatinine",))


@pytest.mark.parametrize("value", ["NaN", "0", "-1", "1,2", "Infinity"])
def test_a_value_that_is_no_creatinine_is_refused(value: str) -> None:
    with pytest.raises(InputError, match="a number above 0, such as"):
        stage(Creatinine(value, "mg/dL", "2026-11-25"))


VALUES = st.decimals(Decimal("0.2"), Decimal("9.9"), places=2).map(str)
SERIES = st.lists(st.tuples(st.integers(-300, 300), VALUES), max_size=6)


@given(series=SERIES, more=st.decimals(Decimal("0.01"), Decimal("5"), places=2))
def test_a_higher_last_value_never_lowers_the_stage(series: list[tuple[int, str]], more: Decimal) -> None:
    """Baseline and earlier samples the same; only the last one after the contrast is higher."""
    ordered = sorted(series)
    before = stage(*(at(h, v) for h, v in ordered))
    if not ordered or ordered[-1][0] <= 0:
        return
    hours, value = ordered[-1]
    after = stage(*(at(h, v) for h, v in ordered[:-1]), at(hours, str(Decimal(value) + more)))
    assert (after.stage or 0) >= (before.stage or 0)


@given(series=SERIES)
def test_no_state_says_that_there_was_no_injury(series: list[tuple[int, str]]) -> None:
    found = stage(*(at(h, v) for h, v in series))
    assert "no injury" not in found.text.lower()
    assert "safe" not in found.text.lower()
    assert (found.stage is not None) is (found.state is INJURY)
