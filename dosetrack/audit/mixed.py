"""A linear model with one random intercept: the spread between groups beside the spread within.

y = X b + u(group) + e, with u and e normal. The variances are fitted by restricted maximum
likelihood (REML). The effect of a group is its best linear unbiased prediction: the mean of its
residuals, drawn toward zero the more the fewer observations it has.

What is told of a group is its effect against the mean effect of the groups at hand: it stays within
this department, and does not carry the doubt about all departments there could be.

The spread between few groups is known badly, and its REML estimate is often exactly zero, which
would give every effect an interval of width zero. Intervals therefore average over every share of
variance between groups, weighted by the restricted likelihood, with no share preferred beforehand.
"""

from __future__ import annotations

import threading
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dosetrack.tables import constants

FloatArray = NDArray[np.float64]

_ZERO_SHARE = 1e-5  # a fitted share of variance below this is zero: the edge of what is possible
_SAME_LIKELIHOOD = 0.01  # logarithm; the fit may miss the best of the grid by this and no more
_warnings_lock = threading.Lock()  # the filter of warnings belongs to the whole process


@dataclass(frozen=True, slots=True)
class RandomIntercept:
    """A fitted model. Variances and effects in units of the response, groups in the order given.

    between_variance : of the group effects; 0 where the data show none
    fixed, fixed_errors : coefficients of the columns of the design and their standard errors
    effects : prediction for each group at the fitted variances
    relative : effects less their mean over the groups
    low, high : ends of the interval of `relative`, over every share of variance between groups
    residuals : shape (n,), response minus fixed part minus effect
    log_likelihood : restricted, at the fit
    has_converged : the fit reached the highest restricted likelihood that a search over a grid finds
    """

    between_variance: float
    residual_variance: float
    fixed: FloatArray
    fixed_errors: FloatArray
    effects: FloatArray
    relative: FloatArray
    low: FloatArray
    high: FloatArray
    residuals: FloatArray
    log_likelihood: float
    has_converged: bool

    @property
    def share_between(self) -> float:
        """Between-group variance over the total of both, 0 to 1."""
        return self.between_variance / (self.between_variance + self.residual_variance)


def random_intercept(
    response: FloatArray, design: FloatArray, groups: NDArray[np.int_], *, confidence: float
) -> RandomIntercept:
    """The model of `response` fitted by REML.

    Parameters
    ----------
    response : shape (n,), not fitted without residue by `design`
    design : shape (n, p), full rank, an intercept among its columns
    groups : shape (n,), group of each observation, 0 to the number of groups - 1, each of them met
    confidence : of the intervals, 0 to 1

    References
    ----------
    Patterson and Thompson, Biometrika 1971;58:545 (REML); Robinson, Stat Sci 1991;6:15 (prediction of
    effects, mixed model equations); both from memory.
    """
    data = _Data(response, design, groups)
    ratio, is_fitted = _fitted_ratio(response, design, groups)
    grid = _grid()
    likelihoods = np.array([data.log_likelihood(_ratio_of(share)) for share in grid])
    at_fit = data.log_likelihood(ratio)
    solved = data.solved(ratio)
    low, high = _intervals(data, grid, likelihoods, confidence)
    return RandomIntercept(
        between_variance=ratio * solved.residual_variance,
        residual_variance=solved.residual_variance,
        fixed=solved.fixed,
        fixed_errors=solved.fixed_errors,
        effects=solved.effects,
        relative=solved.relative,
        low=low,
        high=high,
        residuals=response - design @ solved.fixed - solved.effects[groups],
        log_likelihood=at_fit,
        has_converged=is_fitted and at_fit >= float(likelihoods.max()) - _SAME_LIKELIHOOD,
    )


def _fitted_ratio(response: FloatArray, design: FloatArray, groups: NDArray[np.int_]) -> tuple[float, bool]:
    """(variance between groups over variance within, whether the library found one)."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    model = MixedLM(response, design, groups=groups)
    # It warns at a variance of zero, the plain case of groups that do not differ; the grid checks it.
    with _warnings_lock, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            fit: Any = model.fit(reml=True, method="powell")  # its gradients fail near a variance of zero
            ratio = float(np.asarray(fit.cov_re_unscaled)[0, 0])
        except (np.linalg.LinAlgError, ValueError):
            return 0.0, False
    if not np.isfinite(ratio) or ratio < 0.0:
        return 0.0, False
    return (0.0 if ratio / (1.0 + ratio) < _ZERO_SHARE else ratio), True


@dataclass(frozen=True, slots=True)
class _Solved:
    """Solution of the mixed model equations at one ratio of variances."""

    residual_variance: float
    fixed: FloatArray
    fixed_errors: FloatArray
    effects: FloatArray
    relative: FloatArray
    errors: FloatArray


class _Data:
    """Sums of the data per group, from which every ratio of variances is solved quickly."""

    def __init__(self, response: FloatArray, design: FloatArray, groups: NDArray[np.int_]) -> None:
        self.n, self.p = design.shape
        self.counts = np.bincount(groups).astype(float)
        self.xx, self.xy, self.yy = design.T @ design, design.T @ response, float(response @ response)
        self.sums_x = np.zeros((len(self.counts), self.p))
        np.add.at(self.sums_x, groups, design)
        self.sums_y = np.bincount(groups, weights=response)

    def _weighted(self, ratio: float) -> tuple[FloatArray, FloatArray, FloatArray, float]:
        """(weights, X'V⁻¹X, X'V⁻¹y, y'V⁻¹y) for V = I + ratio · ZZ', by Woodbury's identity."""
        weights = ratio / (1.0 + ratio * self.counts)
        xvx = self.xx - (self.sums_x * weights[:, None]).T @ self.sums_x
        xvy = self.xy - self.sums_x.T @ (weights * self.sums_y)
        return weights, xvx, xvy, self.yy - float(weights @ self.sums_y**2)

    def log_likelihood(self, ratio: float) -> float:
        """Restricted log-likelihood at `ratio`, the residual variance at its best."""
        _, xvx, xvy, yvy = self._weighted(ratio)
        free = self.n - self.p
        residue = max(yvy - float(xvy @ np.linalg.solve(xvx, xvy)), np.finfo(float).tiny)
        _, log_det = np.linalg.slogdet(xvx)
        spread = float(np.log1p(ratio * self.counts).sum())
        return float(-0.5 * (free * (log(2 * pi * residue / free) + 1.0) + spread + float(log_det)))

    def solved(self, ratio: float) -> _Solved:
        """Coefficients, effects, and effects against their mean with their errors, at `ratio`.

        The errors hold the doubt of the coefficients too (the inverse of the mixed model equations);
        at ratio 0 effects and errors are 0.
        """
        weights, xvx, xvy, yvy = self._weighted(ratio)
        covariance = np.linalg.inv(xvx)
        fixed = covariance @ xvy
        variance = (yvy - float(xvy @ fixed)) / (self.n - self.p)
        drawn = self.sums_x * weights[:, None]
        effects = weights * self.sums_y - drawn @ fixed
        about_mean = drawn - drawn.mean(axis=0)
        # diagonal of M (diag(weights) + drawn covariance drawn') M, M taking the mean away
        own = weights * (1.0 - 2.0 / len(weights)) + weights.mean() / len(weights)
        errors = np.sqrt(variance * (own + ((about_mean @ covariance) * about_mean).sum(axis=1)))
        return _Solved(
            residual_variance=variance,
            fixed=fixed,
            fixed_errors=np.sqrt(variance * np.diag(covariance)),
            effects=effects,
            relative=effects - effects.mean(),
            errors=errors,
        )


def _grid() -> FloatArray:
    """Shares of variance between groups, the middles of equal steps from 0 to 1."""
    steps = int(constants("audit_statistics")["grid_steps"].number)
    return (np.arange(steps) + 0.5) / steps


def _ratio_of(share: float) -> float:
    return share / (1.0 - share)


def _intervals(
    data: _Data, grid: FloatArray, likelihoods: FloatArray, confidence: float
) -> tuple[FloatArray, FloatArray]:
    """Ends of the interval of each effect against the mean: of a mixture of t distributions over `grid`."""
    weights = np.exp(likelihoods - likelihoods.max())
    heavy = weights > exp(-15.0)
    parts = [data.solved(_ratio_of(share)) for share in grid[heavy]]
    shares = weights[heavy] / weights[heavy].sum()
    effects = np.array([part.relative for part in parts])
    errors = np.array([part.errors for part in parts])
    error, free = (1.0 - confidence) / 2.0, data.n - data.p
    low = _mixture_quantile(error, effects, errors, shares, free)
    high = _mixture_quantile(1.0 - error, effects, errors, shares, free)
    return low, high


def _mixture_quantile(
    probability: float, effects: FloatArray, errors: FloatArray, shares: FloatArray, free: int
) -> FloatArray:
    """Quantile of each group's mixture by bisection between the outermost parts."""
    from scipy.special import stdtr, stdtrit

    ends = effects + errors * float(stdtrit(free, probability))
    low: FloatArray = ends.min(axis=0)
    high: FloatArray = ends.max(axis=0)
    for _ in range(40):  # halves the distance each time: far below any rounding that is shown
        middle = (low + high) / 2.0
        below = shares @ stdtr(free, (middle - effects) / errors)
        low, high = np.where(below < probability, middle, low), np.where(below < probability, high, middle)
    return np.asarray((low + high) / 2.0)


def group_numbers(names: Sequence[str]) -> tuple[tuple[str, ...], NDArray[np.int_]]:
    """(names in order, number of each observation's name)."""
    order = tuple(sorted(set(names)))
    place = {name: number for number, name in enumerate(order)}
    return order, np.array([place[name] for name in names], dtype=np.int_)
