"""Typed against reported: differences, and which slip explains them. Ratios are arithmetic."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.reconcile import (
    GivenInjection,
    choice_for,
    compare,
    settle,
    suspected_slip,
    told_twice,
    undecided,
)
from dosetrack.records.entries import SettledDifference

KERMA, DAP, TIME = "reference_air_kerma_mgy", "dose_area_product_gycm2", "fluoroscopy_time_s"
AT = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("quantity", "typed", "reported", "words"),
    [
        # 1 Gy·cm² = 10 dGy·cm² = 100 cGy·cm² = 100 µGy·m² = 1000 mGy·cm² = 0.0001 Gy·m²
        (DAP, 2140.0, 214.0, "typed is 10 times the reported: dGy·cm² read as Gy·cm²"),
        (DAP, 21400.0, 214.0, "typed is 100 times the reported: cGy·cm² or µGy·m² read as Gy·cm²"),
        (DAP, 214000.0, 214.0, "typed is 1 000 times the reported: mGy·cm² read as Gy·cm²"),
        (DAP, 2140000.0, 214.0, "typed is 10 000 times the reported: Gy·cm² read as Gy·m²"),
        (DAP, 21.0, 214.0, "the reported is 10 times the typed: Gy·cm² read as dGy·cm²"),
        (DAP, 2.2, 214.0, "the reported is 100 times the typed: Gy·cm² read as cGy·cm² or µGy·m²"),
        (DAP, 0.0214, 214.0, "the reported is 10 000 times the typed: Gy·m² read as Gy·cm²"),
        (KERMA, 3400e3, 3400.0, "typed is 1 000 times the reported: mGy read as Gy"),
        (KERMA, 3.4, 3400.0, "the reported is 1 000 times the typed: Gy read as mGy"),
        (KERMA, 340.0, 3400.0, "the reported is 10 times the typed: a decimal point or a digit slipped"),
        (TIME, 41 * 3600.0, 41 * 60.0, "typed is 60 times the reported: seconds read as minutes"),
        (TIME, 41.0, 41 * 60.0, "the reported is 60 times the typed: minutes read as seconds"),
        ("contrast_ml", 120.0, 12.0, "typed is 10 times the reported: a decimal point or a digit slipped"),
        (DAP, 300.0, 214.0, None),
        (DAP, 0.0, 214.0, None),
    ],
)
def test_a_slip_is_named_by_its_factor(
    quantity: str, typed: float, reported: float, words: str | None
) -> None:
    assert suspected_slip(quantity, typed=typed, reported=reported) == words


def test_a_difference_is_typed_minus_reported() -> None:
    found = compare(KERMA, "a", typed=3300.0, reported=3000.0)
    assert (found.difference, found.difference_percent) == (300.0, pytest.approx(10.0))
    assert (found.agrees, found.needs_decision, found.slip, found.missing) == (False, True, None, None)


@pytest.mark.parametrize(
    ("quantity", "typed", "reported", "agrees"),
    [
        (KERMA, 2850.0, 3000.0, True),  # 5 % of 3000 is 150
        (KERMA, 2849.0, 3000.0, False),
        (KERMA, 4.0, 5.0, True),  # the last digit of a console
        (DAP, 0.5, 0.6, True),
        (TIME, 60.0, 66.0, True),
        (KERMA, 5.0, 0.0, False),
    ],
)
def test_small_differences_agree(quantity: str, typed: float, reported: float, agrees: bool) -> None:
    assert compare(quantity, None, typed=typed, reported=reported).agrees is agrees


def test_missing_sides_are_named_and_ask_nothing() -> None:
    assert compare(DAP, "b", typed=None, reported=3.0).missing == "typed"
    only_typed = compare(DAP, "b", typed=3.0, reported=None)
    assert (only_typed.missing, only_typed.agrees, only_typed.needs_decision) == ("reported", None, False)


def test_a_choice_holds_for_these_very_numbers() -> None:
    found = compare(DAP, "a", typed=21400.0, reported=214.0)
    settled = settle(found, "reported")
    assert settled == SettledDifference(DAP, "a", 21400.0, 214.0, "reported", found.slip)
    assert choice_for(found, [settled]) == "reported"
    assert undecided([found], [settled]) == ()
    later = compare(DAP, "a", typed=21400.0, reported=250.0)
    assert choice_for(later, [settled]) is None
    assert undecided([later], [settled]) == (later,)


def injection(name: str, seconds: float, volume_ml: float) -> GivenInjection:
    return GivenInjection(name, AT + timedelta(seconds=seconds), volume_ml)


def test_an_injection_typed_and_told_by_the_injector_is_paired_once() -> None:
    typed = [injection("t1", 0, 12.0), injection("t2", 60, 120.0), injection("t3", 400, 12.0)]
    injector = [injection("i1", 10, 12.0), injection("i2", 70, 12.0), injection("i3", 1000, 12.0)]
    pairs = told_twice(typed, injector)
    assert [(p.typed.entry_id, p.injector.entry_id) for p in pairs] == [("t1", "i1"), ("t2", "i2")]
    assert [p.slip is None for p in pairs] == [True, False]


positive = st.floats(0.001, 1e6)


@given(positive, positive)
def test_what_agrees_names_no_slip_and_the_signs_match(typed: float, reported: float) -> None:
    found = compare(DAP, None, typed=typed, reported=reported)
    assert found.difference is not None
    assert found.difference_percent is not None
    assert (found.difference >= 0) == (found.difference_percent >= 0)
    assert not (found.slip and found.agrees and reported > 2.5)
