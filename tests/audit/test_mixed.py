"""The mixed model against textbook output of R, statsmodels on its open data, and the long way."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats
from statsmodels.regression.mixed_linear_model import MixedLM

from dosetrack.audit import mixed
from dosetrack.audit.mixed import FloatArray, group_numbers, random_intercept

# Faraway, Extending the Linear Model with R: brightness of paper by shift operator, lmer by REML:
# operator 0.0681 (0.261), residual 0.1062 (0.326), intercept 60.400 (0.149), REML criterion 18.6;
# the author's page of changes to the book, one-way analysis of variance (opened)
PULP = [
    59.8, 60.0, 60.8, 60.8, 59.8, 59.8, 60.2, 60.4, 59.9, 60.0,
    60.7, 60.7, 60.5, 60.9, 60.3, 61.0, 60.8, 60.6, 60.5, 60.5,
]  # fmt: skip
OPERATOR = np.repeat(np.arange(4), 5)


def grunfeld() -> tuple[FloatArray, FloatArray, np.ndarray]:
    """Investment, value and capital of 11 firms over 20 years: the data set shipped with statsmodels."""
    data = sm.datasets.grunfeld.load_pandas().data
    design = np.column_stack([np.ones(len(data)), np.log(data["value"]), np.log(data["capital"])])
    return np.log(data["invest"].to_numpy()), design, group_numbers(list(data["firm"]))[1]


def dense_restricted_likelihood(ratio: float, y: FloatArray, x: FloatArray, g: np.ndarray) -> float:
    """REML log-likelihood as textbooks write it, with the whole covariance matrix."""
    z = np.eye(g.max() + 1)[g]
    v = np.eye(len(y)) + ratio * z @ z.T
    inverse = np.linalg.inv(v)
    b = np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ y)
    free = len(y) - x.shape[1]
    variance = (y - x @ b) @ inverse @ (y - x @ b) / free
    determinants = np.linalg.slogdet(v)[1] + np.linalg.slogdet(x.T @ inverse @ x)[1]
    return float(-0.5 * (free * (np.log(2 * np.pi * variance) + 1) + determinants))


class TestTextbook:
    def test_operators_of_a_paper_mill(self) -> None:
        fit = random_intercept(np.array(PULP), np.ones((20, 1)), OPERATOR, confidence=0.95)
        # half a digit of what is printed
        assert fit.between_variance == pytest.approx(0.0681, abs=5e-5)
        assert fit.residual_variance == pytest.approx(0.1062, abs=6e-5)
        assert fit.fixed[0] == pytest.approx(60.400, abs=5e-4)
        assert fit.fixed_errors[0] == pytest.approx(0.149, abs=6e-4)
        assert -2 * fit.log_likelihood == pytest.approx(18.6, abs=0.05)
        assert fit.has_converged

    def test_equal_counts_have_a_closed_form(self) -> None:
        """Analysis of variance: between = (mean square between - within) / 5; effects are drawn by
        5 between / (5 between + within)."""
        by_operator = np.array(PULP).reshape(4, 5)
        means = by_operator.mean(axis=1)
        within = float(by_operator.var(axis=1, ddof=1).mean())
        between = float(means.var(ddof=1)) - within / 5
        fit = random_intercept(np.array(PULP), np.ones((20, 1)), OPERATOR, confidence=0.95)
        # the search for the variances stops at about 1e-4 of them
        assert fit.between_variance == pytest.approx(between, rel=5e-4)
        assert fit.residual_variance == pytest.approx(within, rel=5e-4)
        drawn = 5 * between / (5 * between + within) * (means - means.mean())
        assert fit.effects == pytest.approx(drawn, rel=5e-4)


class TestOpenData:
    def test_statsmodels_has_the_same_variances_coefficients_and_effects(self) -> None:
        y, x, g = grunfeld()
        fit = random_intercept(y, x, g, confidence=0.95)
        theirs = MixedLM(y, x, groups=g).fit(reml=True, method="bfgs")  # another search than ours
        # two searches meet within the flat top of the likelihood
        assert fit.between_variance == pytest.approx(float(theirs.cov_re[0, 0]), rel=2e-3)
        assert fit.residual_variance == pytest.approx(float(theirs.scale), rel=2e-3)
        assert fit.fixed == pytest.approx(theirs.fe_params, rel=1e-3)
        assert fit.log_likelihood == pytest.approx(theirs.llf, abs=1e-5)
        assert fit.effects == pytest.approx(
            [float(u.iloc[0]) for u in theirs.random_effects.values()], rel=1e-3
        )

    def test_the_long_way_has_the_same_top(self) -> None:
        y, x, g = grunfeld()
        fit = random_intercept(y, x, g, confidence=0.95)
        ratio = fit.between_variance / fit.residual_variance
        assert fit.log_likelihood == pytest.approx(dense_restricted_likelihood(ratio, y, x, g), abs=1e-8)
        top = optimize.minimize_scalar(
            lambda r: -dense_restricted_likelihood(r, y, x, g), bounds=(1e-3, 20), method="bounded"
        )
        assert fit.log_likelihood == pytest.approx(-top.fun, abs=1e-5)
        z = np.eye(g.max() + 1)[g]
        v = fit.residual_variance * np.eye(len(y)) + fit.between_variance * z @ z.T
        errors = np.sqrt(np.diag(np.linalg.inv(x.T @ np.linalg.inv(v) @ x)))  # generalised least squares
        assert fit.fixed_errors == pytest.approx(errors, rel=1e-8)


class TestIntervals:
    def test_groups_alike_have_a_variance_of_zero_and_intervals_of_some_width(self) -> None:
        y = np.tile(np.random.default_rng(4).normal(size=10), 6)
        fit = random_intercept(y, np.ones((60, 1)), np.repeat(np.arange(6), 10), confidence=0.95)
        assert fit.between_variance == 0.0
        assert fit.effects == pytest.approx(np.zeros(6), abs=1e-12)
        assert np.all(fit.low < -0.05)
        assert np.all(fit.high > 0.05)
        assert fit.has_converged

    def test_intervals_hold_the_true_effect_as_often_as_they_say(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """75 departments of 6 operators, 8 to 40 cases each, scatter 0.5, alike or not: 95 % of 450
        effects, less four standard errors of 1.03 %. Intervals do not rest on the fit: it is left out."""
        monkeypatch.setattr(mixed, "_fitted_ratio", lambda *_: (0.1, True))
        chance = np.random.default_rng(17)
        groups = np.repeat(np.arange(6), [8, 10, 15, 20, 30, 40])
        held = []
        for spread in (0.0, 0.15, 0.5) * 25:
            truth = chance.normal(0, spread, 6)
            size = chance.normal(0, 0.2, len(groups))
            y = 4 + size + truth[groups] + chance.normal(0, 0.5, len(groups))
            fit = random_intercept(y, np.column_stack([np.ones(len(y)), size]), groups, confidence=0.95)
            away = truth - truth.mean()
            held.append((fit.low <= away) & (away <= fit.high))
        assert np.mean(held) > 0.95 - 0.041

    def test_with_many_cases_they_are_those_of_the_means(self) -> None:
        """400 cases each of 8: the mean of one against the mean of all has the error
        scatter √((1 - 1/8) / 400), by arithmetic; nothing is left to draw toward zero."""
        chance = np.random.default_rng(2)
        groups = np.repeat(np.arange(8), 400)
        y = np.linspace(-1, 1, 8)[groups] + chance.normal(0, 0.5, len(groups))
        fit = random_intercept(y, np.ones((len(y), 1)), groups, confidence=0.95)
        means = np.array([y[groups == g].mean() for g in range(8)])
        error = np.sqrt(fit.residual_variance * (1 - 1 / 8) / 400)
        assert (fit.high - fit.low) / 2 == pytest.approx(np.full(8, stats.norm.ppf(0.975) * error), rel=0.01)
        assert (fit.high + fit.low) / 2 == pytest.approx(means - means.mean(), abs=0.01)

    def test_errors_are_those_of_the_mixed_model_equations(self) -> None:
        """Henderson's equations solved whole, then the mean of the effects taken away."""
        y, x, g = grunfeld()
        z, ratio = np.eye(g.max() + 1)[g], 2.5
        left = np.block([[x.T @ x, x.T @ z], [z.T @ x, z.T @ z + np.eye(z.shape[1]) / ratio]])
        solution = np.linalg.solve(left, np.concatenate([x.T @ y, z.T @ y]))
        found = mixed._Data(y, x, g).solved(ratio)
        assert np.concatenate([found.fixed, found.effects]) == pytest.approx(solution, abs=1e-8)
        covariance = found.residual_variance * np.linalg.inv(left)[x.shape[1] :, x.shape[1] :]
        centring = np.eye(z.shape[1]) - 1 / z.shape[1]
        expected = np.sqrt(np.diag(centring @ covariance @ centring))
        assert found.errors == pytest.approx(expected, rel=1e-8)

    def test_a_finer_grid_changes_no_interval(self, monkeypatch: pytest.MonkeyPatch) -> None:
        y, x, g = grunfeld()
        coarse = random_intercept(y, x, g, confidence=0.95)
        steps = 2000
        monkeypatch.setattr(mixed, "_grid", lambda: (np.arange(steps) + 0.5) / steps)
        fine = random_intercept(y, x, g, confidence=0.95)
        assert coarse.low == pytest.approx(fine.low, abs=0.001 * float((fine.high - fine.low).max()))


def test_the_order_of_observations_hardly_matters() -> None:
    """Sums of floats in another order: nothing above rounding."""
    y, x, g = grunfeld()
    order = np.random.default_rng(1).permutation(len(y))
    one, other = (random_intercept(y[o], x[o], g[o], confidence=0.95) for o in (np.arange(len(y)), order))
    assert one.effects == pytest.approx(other.effects, rel=1e-3)
    assert one.low == pytest.approx(other.low, rel=1e-9)
