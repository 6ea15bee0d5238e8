"""What to look at: each rule speaks when its test says so, and only then."""

from datetime import date, timedelta
from fractions import Fraction
from math import comb

import pytest

from dosetrack.audit import AuditCase, AuditSettings, ChosenReference, audit, reference_levels
from dosetrack.audit.attention import Rule, rules, what_to_look_at
from dosetrack.audit.chance import as_uneven, at_least

FIRST, LAST = date(2026, 10, 1), date(2026, 10, 31)
WORDS = {"dose_area_product_gycm2": "DAP", "reference_air_kerma_mgy": "Ka,r", "contrast_ml": "contrast"}


def case(number, *, day, dap=100.0, kerma=800.0, **changes):
    quantities = {
        "dose_area_product_gycm2": dap,
        "reference_air_kerma_mgy": kerma,
        "fluoroscopy_time_s": 900.0,
        "contrast_ml": 80.0,
        **changes.pop("quantities", {}),
    }
    fields = {"procedure": "TIPS", "room": "Room 1", "operator": "Dr Invented"}
    return AuditCase(id=f"c{number}", day=day, quantities=quantities, **{**fields, **changes})


def earlier(n=40, **changes):
    """Cases of the eleven months before, DAP spread evenly around 100."""
    return [case(i, day=FIRST - timedelta(days=7 * (i + 1)), dap=80.0 + i, **changes) for i in range(n)]


def of_month(n=10, **changes):
    return [case(1000 + i, day=FIRST + timedelta(days=i), **changes) for i in range(n)]


def looked(cases, settings=None):
    month = audit(cases, first_day=FIRST, last_day=LAST, settings=settings)
    window = audit(cases, first_day=date(2025, 11, 1), last_day=LAST, settings=settings)
    return what_to_look_at(month, window, minimum_n=20, words=lambda key: WORDS.get(key, key))


def said(found, rule):
    return [a.text for a in found if a.rule is rule]


@pytest.mark.parametrize(("count", "of", "share"), [(9, 10, 0.5), (2, 7, 0.25), (0, 5, 0.5), (5, 5, 0.125)])
def test_binomial_tail_equals_exact_fractions(count, of, share):
    p = Fraction(share)  # exact: these shares are dyadic
    exact = sum(comb(of, k) * p**k * (1 - p) ** (of - k) for k in range(count, of + 1))
    assert at_least(count, of=of, share=share) == pytest.approx(float(exact), rel=1e-12)


def test_sign_test_of_a_worked_example():
    # 8 plus signs of 9: two-sided probability 2 x 10/512 = 0.0390625 (counted by hand: C(9,8) + C(9,9) = 10)
    assert as_uneven(8, 1) == pytest.approx(0.0390625)
    assert as_uneven(0, 0) == 1.0


def test_shift_of_the_month_is_told_with_its_chance():
    found = looked([*earlier(), *of_month(10, dap=300.0)])
    assert said(found, Rule.SHIFT) == ["TIPS: 10 of 10 cases lie above the earlier median DAP."]
    (shift,) = [a for a in found if a.rule is Rule.SHIFT]
    assert "0.002" in shift.test  # 2 / 1024
    assert shift.quantity == "dose_area_product_gycm2"
    assert not said(found, Rule.NO_CHANGE)


def test_equal_values_are_no_change():
    found = looked([*earlier(), *of_month(4, dap=80.0), *of_month(4, dap=150.0)])
    assert said(found, Rule.NO_CHANGE) == ["Nothing changed beyond chance."]


def test_few_cases_cannot_tell():
    found = looked([*earlier(), *of_month(3, dap=900.0)])
    assert said(found, Rule.NO_CHANGE) == ["Too few cases to tell of a change in any procedure."]


def test_month_without_cases_is_defined():
    assert [a.rule for a in looked([])] == [Rule.NO_CHANGE]


def test_case_over_a_substantial_level_counts_once():
    found = looked(of_month(1, kerma=6100.0, dap=700.0))
    assert said(found, Rule.SUBSTANTIAL) == ["1 case at or over a substantial level."]


def test_missing_quantity_of_a_room_is_told_from_a_tenth_on():
    lacking = of_month(1, quantities={"dose_area_product_gycm2": None})
    assert said(looked([*lacking, *of_month(10)[1:]]), Rule.MISSING) == [
        "Room 1: missing DAP in 1 of 10 cases."
    ]
    others = [case(2000 + i, day=LAST) for i in range(10)]
    assert said(looked([*lacking, *others]), Rule.MISSING) == []


def test_unnamed_cases_are_told():
    found = looked(of_month(2, procedure=None, operator=None))
    assert said(found, Rule.UNNAMED) == ["2 cases without procedure and 2 cases without operator."]


def test_median_above_a_chosen_reference_is_told_and_equal_is_not_above():
    level = next(
        r for r in reference_levels().values() if r.usable and r.quantity == "dose_area_product_gycm2"
    )
    settings = AuditSettings(references=(ChosenReference("TIPS", level.quantity, level.key),))
    above = looked(of_month(20, dap=level.value + 1), settings)
    equal = looked(of_month(20, dap=level.value), settings)
    assert len(said(above, Rule.REFERENCE)) == 1
    assert said(equal, Rule.REFERENCE) == []


def test_share_over_a_level_higher_than_before_is_told():
    before = earlier(40)
    before[0] = case(0, day=before[0].day, kerma=3200.0)
    found = looked([*before, *of_month(6, kerma=3300.0)])
    assert said(found, Rule.LEVEL_SHARE) == ["6 of 6 cases reached Ka,r 3000 mGy, more than before."]


def test_never_more_sentences_than_the_table_says():
    rooms = [of_month(2, room=f"Room {i}", quantities={"fluoroscopy_time_s": None}) for i in range(12)]
    assert len(looked([c for room in rooms for c in room])) == 7


def test_every_rule_is_listed_with_its_test():
    assert len(rules()) == len(Rule)
    assert all(looks_at and test and "{" not in test for looks_at, test in rules())
