"""Intervals of percentiles and shares against published tables, R and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from dosetrack.audit.intervals import (
    FRACTIONS,
    ShareInterval,
    interval_ranks,
    percentile_interval,
    percentiles,
    share_interval,
)

VALUES = st.lists(st.floats(0.01, 1e5, allow_nan=False), min_size=1, max_size=80)


class TestPercentiles:
    # A textbook's table A.7, 'Confidence intervals for the population median' (opened as a scan: page
    # 656 of its appendix): of the intervals listed for n, the narrowest of 95 % or more
    @pytest.mark.parametrize(
        ("n", "lower", "upper", "percent"),
        [(6, 1, 6, 96.9), (9, 2, 8, 96.1), (12, 3, 10, 96.1), (15, 4, 12, 96.5), (17, 5, 13, 95.1),
         (18, 5, 14, 96.9), (19, 5, 15, 98.1), (20, 6, 15, 95.9)],
    )  # fmt: skip
    def test_the_median_as_a_published_table_has_it(
        self, n: int, lower: int, upper: int, percent: float
    ) -> None:
        low, high, coverage = interval_ranks(n, fraction=0.5, confidence=0.95)
        assert (low, high) == (lower, upper)
        assert 100 * coverage == pytest.approx(percent, abs=0.05 + 1e-9)  # the table's rounding

    def test_the_median_of_a_published_example_in_r(self) -> None:
        """R package statpsych, ci.median(.05, y): estimate 20.7, limits 10.8 and 30.9 (opened)."""
        y = [30.2, 20.4, 15.1, 10.2, 10.5, 60.8, 20.8, 25.0, 20.7, 30.9, 10.8, 5.1, 50.9, 40.0, 20.9, 10.8, 0,
             20.5, 50.8]  # fmt: skip
        found = percentile_interval(sorted(y), 0.5)
        assert (found.value, found.low, found.high) == (20.7, 10.8, 30.9)

    def test_five_cases_bound_no_median(self) -> None:
        """Both ends hold it with 93.8 % (table A.7, n 5): too little for 95 %."""
        found = percentile_interval([1.0, 2.0, 3.0, 4.0, 5.0], 0.5)
        assert (found.value, found.low, found.high, found.coverage) == (3.0, None, None, None)

    def test_an_outer_percentile_may_be_bounded_on_one_side(self) -> None:
        found = percentile_interval([float(x) for x in range(1, 21)], 0.95)
        assert found.low == 17.0  # scipy.stats.binom.cdf(16, 20, 0.95) = 0.016 <= 0.025 < cdf(17) = 0.075
        assert (found.high, found.coverage) == (None, None)

    @pytest.mark.parametrize("fraction", FRACTIONS)
    @pytest.mark.parametrize("n", [1, 7, 20, 61, 400])
    def test_ranks_are_scipys_binomial(self, n: int, fraction: float) -> None:
        binomial = stats.binom(n, fraction)
        low, high, coverage = interval_ranks(n, fraction=fraction, confidence=0.95)
        assert binomial.cdf(low - 1) <= 0.025 < binomial.cdf(low)
        assert binomial.sf(high - 1) <= 0.025
        assert high == 1 or binomial.sf(high - 2) > 0.025
        assert coverage == pytest.approx(binomial.cdf(high - 1) - binomial.cdf(low - 1), abs=1e-12)

    def test_scipys_own_interval_of_a_quantile_is_the_same(self) -> None:
        """scipy.stats.quantile_test gives the exact interval of a quantile by order statistics."""
        values = np.random.default_rng(11).lognormal(4.0, 0.8, 137)
        for fraction in FRACTIONS:
            theirs = stats.quantile_test(values, p=fraction).confidence_interval(0.95)
            found = percentile_interval(sorted(values), fraction)
            assert (found.low, found.high) == (theirs.low, theirs.high)

    def test_intervals_hold_the_truth_as_often_as_they_say(self) -> None:
        """5000 samples of 40 from a lognormal law: 95 % or more, less three standard errors (0.9 %)."""
        draws = np.sort(np.random.default_rng(5).lognormal(0.0, 1.0, (5000, 40)), axis=1)
        for fraction in (0.25, 0.5, 0.75):
            low, high, _ = interval_ranks(40, fraction=fraction, confidence=0.95)
            truth = stats.lognorm(1.0).ppf(fraction)
            held = (draws[:, low - 1] <= truth) & (truth <= draws[:, high - 1])
            assert held.mean() > 0.95 - 0.009

    @given(VALUES)
    @settings(max_examples=50)
    def test_order_does_not_matter_and_missing_values_are_counted(self, values: list[float]) -> None:
        assert percentiles([None, *reversed(values), None]) == percentiles([None, None, *values])
        assert percentiles([None, *values]).missing == 1

    @given(VALUES)
    @settings(max_examples=50)
    def test_the_interval_holds_the_value(self, values: list[float]) -> None:
        for row in percentiles(values).rows:
            assert row.low is None or row.low <= row.value
            assert row.high is None or row.value <= row.high

    def test_nothing_known_one_case_and_all_equal(self) -> None:
        assert percentiles([None]).rows == ()
        assert {(r.value, r.low, r.high) for r in percentiles([3.0]).rows} == {(3.0, None, None)}
        median = percentiles([2.0] * 10).rows[2]
        assert (median.value, median.low, median.high) == (2.0, 2.0, 2.0)

    @pytest.mark.parametrize(("n", "fraction"), [(0, 0.5), (3, 0.0), (3, 1.0)])
    def test_impossible_percentiles_are_refused(self, n: int, fraction: float) -> None:
        with pytest.raises(ValueError, match="wants above 0"):
            interval_ranks(n, fraction=fraction, confidence=0.95)


class TestShares:
    def test_published_example_in_r(self) -> None:
        """binom.test(9, 24, 1/6) in R: 95 percent confidence interval 0.1879929 0.5940636 (opened)."""
        found = share_interval(9, of=24)
        assert (found.low, found.high) == (
            pytest.approx(0.1879929, abs=5e-8),
            pytest.approx(0.5940636, abs=5e-8),
        )

    @pytest.mark.parametrize(("n", "of"), [(0, 1), (1, 1), (0, 30), (30, 30), (3, 20), (117, 950)])
    def test_scipys_exact_interval_is_the_same(self, n: int, of: int) -> None:
        theirs = stats.binomtest(n, of).proportion_ci(0.95, method="exact")
        found = share_interval(n, of=of)
        # scipy finds the ends by search, here by the beta function
        assert (found.low, found.high) == (
            pytest.approx(theirs.low, abs=1e-9),
            pytest.approx(theirs.high, abs=1e-9),
        )

    def test_no_case_gives_no_share(self) -> None:
        assert share_interval(0, of=0) == ShareInterval(n=0, of=0, share=None, low=None, high=None)

    def test_more_than_all_is_refused(self) -> None:
        with pytest.raises(ValueError, match="4 of 3"):
            share_interval(4, of=3)
