"""Quantiles of type 7 against published worked examples and independent libraries."""

from __future__ import annotations

import statistics as standard_library

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.audit import Statistics, quantile, statistics

NUMBERS = st.lists(st.floats(0, 1e6, allow_nan=False), min_size=2, max_size=40)


@pytest.mark.parametrize(
    ("values", "fraction", "expected"),
    [
        # Gnumeric 0.52 function reference, PERCENTILE (opened)
        ([11.4, 17.3, 21.3, 25.9, 40.1], 0.42, 20.02),
        # DolphinDB function reference, quantile, 'linear' (opened)
        ([6, 47, 49, 15, 42, 41, 7, 39, 43, 40, 36], 0.25, 25.5),
        ([6, 47, 49, 15, 42, 41, 7, 39, 43, 40, 36], 0.5, 40.0),
        ([6, 47, 49, 15, 42, 41, 7, 39, 43, 40, 36], 0.75, 42.5),
        # polars function reference, quantile, 'linear' (opened)
        ([0, 1, 2, 3, 4, 5], 0.3, 1.5),
    ],
)
def test_published_worked_examples(values: list[float], fraction: float, expected: float) -> None:
    assert quantile(sorted(values), fraction) == pytest.approx(expected, abs=1e-12)


@given(NUMBERS, st.floats(0, 1))
def test_agrees_with_numpy_and_pandas(values: list[float], fraction: float) -> None:
    ours = quantile(sorted(values), fraction)
    assert ours == pytest.approx(float(np.quantile(values, fraction, method="linear")), rel=1e-9, abs=1e-9)
    assert ours == pytest.approx(float(pd.Series(values).quantile(fraction)), rel=1e-9, abs=1e-9)


@given(NUMBERS)
def test_quartiles_agree_with_the_standard_library(values: list[float]) -> None:
    p25, median, p75 = standard_library.quantiles(values, n=4, method="inclusive")
    found = statistics(values)
    assert (found.p25, found.median, found.p75) == tuple(
        pytest.approx(q, rel=1e-9, abs=1e-9) for q in (p25, median, p75)
    )


def test_quantile_agrees_with_scipy_where_installed() -> None:
    mstats = pytest.importorskip("scipy.stats.mstats")
    values = [3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0]
    fractions = [0.1, 0.25, 0.5, 0.75, 0.9]
    theirs = mstats.mquantiles(values, prob=fractions, alphap=1, betap=1)
    assert [quantile(sorted(values), f) for f in fractions] == pytest.approx(list(theirs))


def test_missing_values_are_left_out_and_counted() -> None:
    assert statistics([None, 2.0, None, 4.0]) == Statistics(
        n=2, missing=2, median=3.0, p25=2.5, p75=3.5, p10=pytest.approx(2.2), p90=pytest.approx(3.8)
    )
    assert statistics([None, None]) == Statistics(n=0, missing=2)
    assert statistics([7.0]).p90 == 7.0


@pytest.mark.parametrize(("values", "fraction"), [([], 0.5), ([1.0], 1.1), ([1.0], -0.1)])
def test_impossible_quantiles_are_refused(values: list[float], fraction: float) -> None:
    with pytest.raises(ValueError, match="at least one value"):
        quantile(values, fraction)
