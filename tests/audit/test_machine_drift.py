"""Meters of a machine from its cases: closed forms, defined results, and scipy for the intervals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from dosetrack.audit.machine_drift import drift_of, median_interval, power_of_ten
from dosetrack.audit.machine_facts import EVENT_FIELDS, MachineKey, ReportOfMachine, facts_of
from dosetrack.audit.machine_wording import drift_words

MACHINE = MachineKey("INV-1", "Room 1")
USUAL = {
    "plane": "single",
    "type": "fluoroscopy",
    "reference_point": "15cm-from-isocenter",
    "reference_air_kerma_mgy": 200.0,
    "field_height_mm": 200.0,
    "field_width_mm": 250.0,
    "source_to_detector_mm": 1000.0,
    "source_to_isocenter_mm": 750.0,
    "kvp": 80.0,
    "pulses": 400.0,
}
# 200 mGy on 500 cm2 at 1000 mm, carried to 600 mm: 0.2 Gy x 500 cm2 x 0.36 = 36 Gy.cm2
DAP_OF_USUAL = 36.0


def row(seq=1, **changed):
    event = {**USUAL, "dose_area_product_gycm2": DAP_OF_USUAL, **changed}
    return (seq, *(event.get(name) for name in EVENT_FIELDS))


def facts(rows, days):
    """The facts of rows; days: number of the report -> its day, one case each."""
    reports = {seq: ReportOfMachine(f"case-{seq}", day, "Room 1", MACHINE) for seq, day in days.items()}
    return facts_of([rows], reports)


def cases_by_month(factors, per_month=8, **changed):
    """Cases of consecutive months whose DAP meter reads `factors` times the truth, with 1 % of scatter."""
    rows, days = [], {}
    for index, factor in enumerate(factors):
        for case in range(per_month):
            seq = len(days) + 1
            days[seq] = f"2026-{index + 1:02}-{case + 1:02}"
            scatter = 1 + 0.01 * (case - (per_month - 1) / 2) / per_month
            rows.append(row(seq, dose_area_product_gycm2=DAP_OF_USUAL * factor * scatter, **changed))
    return facts(rows, days)


def test_ratio_is_one_where_dap_is_kerma_times_the_field_at_the_reference_point():
    (case,) = facts([row()], {1: "2026-01-02"})
    assert case.field_ratio == pytest.approx(1.0, rel=1e-12)
    assert (case.events, case.field_events) == (1, 1)


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"source_to_reference_point_mm": 500.0}, 1.44),  # (600 / 500)^2: the distance sent comes first
        ({"source_to_reference_point_mm": 5.0}, 1.0),  # not plausible: the definition counts
        ({"reference_point": "30cm-from-detector"}, 36 / 49),  # 700 mm: (600 / 700)^2
        ({"reference_point": "in-detector-plane"}, 0.36),
        ({"reference_point": None}, 1.0),  # as for a C-arm
        ({"reference_point": "patient-surface"}, None),  # nobody knows where that is
        ({"field_height_mm": None, "field_area_cm2": 500.0}, 1.0),
        ({"field_height_mm": None}, None),
        ({"source_to_detector_mm": None}, None),
        ({"dose_area_product_gycm2": None}, None),
        ({"reference_air_kerma_mgy": None}, None),
        ({"reference_air_kerma_mgy": 0.5}, None),  # too faint to be judged
        ({"field_height_mm": 0.0}, None),
    ],
)
def test_ratio_by_hand_and_not_known_where_something_is_missing(changed, expected):
    (case,) = facts([row(**changed)], {1: "2026-01-02"})
    assert case.field_ratio == (None if expected is None else pytest.approx(expected, rel=1e-12))


def test_ratio_of_a_case_weighs_its_events_by_dose():
    """Sum over sum: (36 + 3 x 1.8) over (36 + 1.8), the second event of 10 mGy reading threefold."""
    rows = [row(), row(reference_air_kerma_mgy=10.0, dose_area_product_gycm2=3 * 1.8)]
    (case,) = facts(rows, {1: "2026-01-02"})
    assert case.field_ratio == pytest.approx((36 + 5.4) / (36 + 1.8), rel=1e-12)


def test_planes_are_kept_apart_and_rows_of_unknown_reports_left_out():
    rows = [row(plane="a"), row(plane="b", dose_area_product_gycm2=72.0), row(99)]
    found = facts(rows, {1: "2026-01-02"})
    assert [(c.plane, c.field_ratio) for c in found] == [
        ("a", pytest.approx(1.0)),
        ("b", pytest.approx(2.0)),
    ]


@pytest.mark.parametrize("parts", [1, 2, 3])
def test_facts_do_not_depend_on_how_rows_come_in(parts):
    rows = [row(1 + i % 2, table_height_mm=float(i), dose_area_product_gycm2=30.0 + i) for i in range(6)]
    reports = {seq: ReportOfMachine(f"case-{seq}", "2026-01-02", None, MACHINE) for seq in (1, 2)}
    whole = facts_of([rows], reports)
    cut = facts_of([rows[i::parts] for i in range(parts)], reports)
    assert [c.field_ratio for c in cut] == pytest.approx([c.field_ratio for c in whole], rel=1e-12)
    assert [c.table_mm for c in cut] == [c.table_mm for c in whole]


@pytest.mark.parametrize(("factor", "sign"), [(1.10, 1), (1.15, 1), (0.86, -1)])
def test_meter_off_from_one_month_on_is_seen_with_its_sign(factor, sign):
    """10 % is the tolerance: the change is told with its sign; beyond it the meters moved."""
    drift = drift_of(cases_by_month([1, 1, 1, 1, factor, factor, factor]), plane="single")
    assert drift.change == pytest.approx(factor - 1, abs=0.002)
    assert drift.recent.last_month == "2026-07"
    assert drift.baseline.first_month == "2026-01"
    assert drift.baseline.last_month == "2026-03"
    if factor == 1.10:
        assert drift.verdict == "as before", "at the tolerance is not beyond it"
    else:
        assert drift.verdict == "moved"
        assert drift.moved_since == "2026-05"
        assert ("+" if sign > 0 else "−") in drift_words(drift)


def test_a_step_is_seen_in_its_first_month():
    drift = drift_of(cases_by_month([1, 1, 1, 1, 1, 0.85]), plane="single")
    assert (drift.verdict, drift.moved_since) == ("moved", "2026-06")
    assert drift.recent.first_month == drift.recent.last_month == "2026-06"


def test_few_odd_cases_in_the_newest_month_hide_no_drift():
    """Two months at 0.8; the third holds seven cases, one of them at 1: together they still stand at 0.8."""
    rows, days = [], {}
    for number in range(55):
        month = 1 + number // 8
        factor = 1.0 if month < 5 or number == 54 else 0.8
        days[number + 1] = f"2026-{month:02}-{1 + number % 8:02}"
        rows.append(row(number + 1, dose_area_product_gycm2=DAP_OF_USUAL * factor))
    assert drift_of(facts(rows, days), plane="single").verdict == "moved"


def test_median_beyond_the_tolerance_with_a_wide_interval_may_have_moved():
    """Three months of three cases: 0.8, 0.8, 1.0 each; the 95 % interval of nine reaches from 0.8 to 1.0."""
    rows = [row(seq) for seq in range(1, 19)]
    days = {seq: f"2026-{1 + (seq - 1) // 6:02}-{1 + seq % 6:02}" for seq in range(1, 19)}
    for seq in range(19, 28):
        rows.append(row(seq, dose_area_product_gycm2=DAP_OF_USUAL * (1.0 if seq % 3 == 0 else 0.8)))
        days[seq] = f"2026-{4 + (seq - 19) // 3:02}-{1 + seq % 3:02}"
    drift = drift_of(facts(rows, days), plane="single")
    assert drift.verdict == "may have moved"
    assert drift.change == pytest.approx(-0.2)
    assert (drift.recent.ratio.n, drift.recent.ratio.high) == (9, pytest.approx(1.0))


def test_steady_meters_stay_as_before_whatever_they_read():
    drift = drift_of(cases_by_month([1.2] * 6), plane="single")
    assert drift.verdict == "as before"
    assert drift.change == pytest.approx(0.0, abs=1e-9)
    assert drift.overall.median == pytest.approx(1.2, rel=1e-3)


def test_change_since_the_newest_calibration_starts_from_it():
    """Months 1 to 6 read 1; from the calibration in month 7 on 1.25; months 10 to 12 stand 10 % higher."""
    cases = cases_by_month([1] * 6 + [1.25] * 3 + [1.375] * 3)
    drift = drift_of(cases, plane="single", calibrated_on="2026-07-01")
    assert drift.change == pytest.approx(0.375, abs=0.003)
    assert drift.change_since_calibration == pytest.approx(0.10, abs=0.003)
    assert drift.since_calibration.first_month == "2026-07"


@pytest.mark.parametrize(
    ("factor", "slip", "word"),
    [(100, "100", "too high"), (0.01, "1/100", "too low"), (1000, "1000", "too high")],
)
def test_wrong_unit_is_named(factor, slip, word):
    drift = drift_of(cases_by_month([factor] * 4), plane="single")
    assert drift.scale_slip == slip
    assert word in drift_words(drift)
    assert slip.removeprefix("1/") in drift_words(drift)


def test_unit_that_changes_in_the_window_is_named():
    assert drift_of(cases_by_month([1, 1, 1, 1, 100, 100]), plane="single").scale_slip == "100"


@pytest.mark.parametrize("ratio", [0.5, 1.0, 2.5, 31.0, 0.0, -1.0])
def test_no_slip_is_named_where_there_is_none(ratio):
    assert power_of_ten(ratio) is None


def test_one_case_no_case_and_no_dap_have_defined_results():
    nothing = drift_of([], plane="single")
    assert (nothing.verdict, nothing.months, nothing.overall) == ("not told", (), None)
    one = drift_of(facts([row()], {1: "2026-01-02"}), plane="single")
    assert (one.verdict, one.baseline, one.change) == ("not enough cases", None, None)
    assert (one.overall.n, one.overall.low, one.overall.high) == (1, None, None)
    untold = drift_of(cases_by_month([1] * 5, field_width_mm=None), plane="a")
    assert (untold.verdict, untold.scale_slip) == ("not told", None)
    assert "not known" in drift_words(untold)


def test_all_equal_values_have_an_interval_without_width():
    rows = [row(seq) for seq in range(1, 41)]
    days = {seq: f"2026-{1 + (seq - 1) // 10:02}-{1 + seq % 10:02}" for seq in range(1, 41)}
    drift = drift_of(facts(rows, days), plane="single")
    assert drift.verdict == "as before"
    assert drift.months[-1].change_low == drift.months[-1].change_high == 0.0


@pytest.mark.parametrize("n", [6, 7, 15, 40, 101])
def test_interval_of_the_median_against_scipy(n):
    """scipy's quantile_test takes the same order statistics (Conover 1999)."""
    values = np.random.default_rng(n).lognormal(size=n)
    found = median_interval(values.tolist())
    outside = stats.quantile_test(values, q=np.median(values), p=0.5).confidence_interval(0.95)
    assert found.median == pytest.approx(np.median(values), rel=1e-12)
    assert (found.low, found.high) == pytest.approx((outside.low, outside.high), rel=1e-12)


def test_interval_holds_the_true_median_as_often_as_it_says():
    chance = np.random.default_rng(3)
    held = 0
    for _ in range(400):
        found = median_interval(chance.lognormal(size=20).tolist())
        held += found.low <= 1.0 <= found.high  # the true median of exp(N(0, 1)) is 1
    assert held / 400 > 0.93


def test_kerma_per_pulse_counts_standard_conditions_alone():
    """200 mGy in 400 pulses is 0.5 mGy; 100 kV is outside; acquisitions count by frame."""
    rows = [
        row(),
        row(kvp=100.0, pulses=10.0),
        row(type="stationary", pulses=None, frames=100.0),
        row(source_to_detector_mm=1300.0, pulses=1.0),
    ]
    (case,) = facts(rows, {1: "2026-01-02"})
    assert case.kerma_per_pulse_mgy == pytest.approx(0.5)
    assert case.kerma_per_frame_mgy == pytest.approx(2.0)
