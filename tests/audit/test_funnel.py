"""Funnel limits against scipy's exact binomials."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from dosetrack.audit.funnel import Place, funnel, funnel_limits

COUNTS = st.lists(
    st.integers(0, 60).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))), max_size=8
)


@pytest.mark.parametrize("share", [0.01, 0.08, 0.3, 0.5, 0.93])
@pytest.mark.parametrize("of", [1, 2, 5, 20, 63, 250])
def test_limits_are_scipys_exact_binomial_intervals(of: int, share: float) -> None:
    found = funnel_limits(of, share=share)
    inner, outer = (stats.binom.interval(c, of, share) for c in (0.95, 0.998))
    assert (found.inner_low * of, found.inner_high * of) == pytest.approx(inner, abs=1e-9)
    assert (found.outer_low * of, found.outer_high * of) == pytest.approx(outer, abs=1e-9)


@pytest.mark.parametrize("share", [0.05, 0.2])
def test_a_point_beyond_a_limit_is_as_rare_as_it_says(share: float) -> None:
    """Tail probabilities of the counts outside, from scipy: each at most half of 5 % and 0.2 %."""
    for of in range(1, 120):
        law, found = stats.binom(of, share), funnel_limits(of, share=share)
        for low, high, error in (
            (found.inner_low, found.inner_high, 0.025),
            (found.outer_low, found.outer_high, 0.001),
        ):
            assert law.cdf(round(low * of) - 1) <= error
            assert law.sf(round(high * of)) <= error


def test_points_are_placed() -> None:
    found = funnel([("few", 1, 2), ("many", 20, 60), ("far", 30, 60), ("rest", 40, 400)])
    # share 91 / 522 = 0.174; scipy.stats.binom(60, 0.174): sf(19) = 0.0018, sf(29) = 1e-9
    assert {p.key: p.place for p in found.points} == {
        "few": Place.WITHIN,
        "many": Place.OUTSIDE_INNER,
        "far": Place.OUTSIDE_OUTER,
        "rest": Place.OUTSIDE_OUTER,
    }
    assert found.share == pytest.approx(91 / 522)


def test_points_stand_by_name_and_never_by_share() -> None:
    rows = [("C", 0, 10), ("A", 9, 10), ("B", 5, 10)]
    assert [p.key for p in funnel(rows).points] == ["A", "B", "C"]


def test_no_case_one_case_none_over_and_all_over() -> None:
    assert funnel([]).share is None
    assert funnel([("A", 0, 0)]).points == ()
    assert funnel([("A", 1, 1)]).points[0].place is Place.WITHIN
    for over in (0, 10):
        only = funnel([("A", over, 10), ("B", over, 10)])
        assert {p.place for p in only.points} == {Place.WITHIN}
        limits = only.points[0].limits
        assert (limits.inner_low, limits.outer_high) == (over / 10, over / 10)


@given(COUNTS, st.randoms(use_true_random=False))
@settings(max_examples=40)
def test_order_of_arrival_does_not_matter(counts: list[tuple[int, int]], chance: object) -> None:
    rows = [(f"operator {i}", over, of) for i, (over, of) in enumerate(counts)]
    other = list(rows)
    chance.shuffle(other)  # type: ignore[attr-defined]
    assert funnel(rows) == funnel(other)


@given(COUNTS)
@settings(max_examples=40)
def test_inner_limits_lie_within_the_outer_ones(counts: list[tuple[int, int]]) -> None:
    found = funnel([(str(i), over, of) for i, (over, of) in enumerate(counts)])
    for limits in found.curve:
        assert limits.outer_low <= limits.inner_low <= limits.inner_high <= limits.outer_high


def test_impossible_limits_are_refused() -> None:
    with pytest.raises(ValueError, match="wants one case"):
        funnel_limits(0, share=0.5)
