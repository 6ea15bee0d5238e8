"""How far percentiles and shares can be trusted: intervals that assume no distribution.

A percentile's interval lies between two of the values themselves; a share's limits are exact
binomial ones. Both hold at least the confidence asked for, mostly more, since counts come in steps.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from dosetrack.audit.typical import quantile
from dosetrack.tables import constants

FRACTIONS = (0.10, 0.25, 0.50, 0.75, 0.90, 0.95)
"""The percentiles an audit shows."""


@dataclass(frozen=True, slots=True)
class PercentileInterval:
    """One percentile, in the unit of the values.

    value : type 7 of Hyndman and Fan, as everywhere in the audit
    low, high : values of two cases; None where even the lowest or highest case is no bound yet
    coverage : exact probability that the interval holds the percentile; None without both ends
    """

    fraction: float
    value: float
    low: float | None
    high: float | None
    coverage: float | None


@dataclass(frozen=True, slots=True)
class Percentiles:
    """The percentiles of one quantity; `rows` is empty where no case has it."""

    n: int
    missing: int
    rows: tuple[PercentileInterval, ...] = ()


@dataclass(frozen=True, slots=True)
class ShareInterval:
    """n of `of` cases with exact limits; share and limits are None where `of` is 0."""

    n: int
    of: int
    share: float | None
    low: float | None
    high: float | None


def confidence() -> float:
    """The confidence of every interval of the audit, from 0 to 1."""
    return constants("audit_statistics")["confidence"].number


def percentiles(values: Iterable[float | None], fractions: Sequence[float] = FRACTIONS) -> Percentiles:
    """The percentiles of the known `values`; missing ones are left out and counted."""
    given = list(values)
    known = sorted(v for v in given if v is not None)
    if not known:
        return Percentiles(n=0, missing=len(given))
    rows = tuple(percentile_interval(known, fraction) for fraction in fractions)
    return Percentiles(n=len(known), missing=len(given) - len(known), rows=rows)


def percentile_interval(ordered: Sequence[float], fraction: float) -> PercentileInterval:
    """The quantile of ascending `ordered` with its interval by order statistics.

    The number of cases below the true percentile is binomial. The lower end is the highest case
    that lies above the percentile with at most half of the error, the upper end alike.

    Parameters
    ----------
    ordered : at least one value, ascending
    fraction : above 0 and below 1

    References
    ----------
    Conover, Practical Nonparametric Statistics, 3rd edition 1999, section 3.2 (from memory).

    Examples
    --------
    >>> found = percentile_interval([float(x) for x in range(1, 21)], 0.5)
    >>> found.value, found.low, found.high, round(found.coverage, 3)
    (10.5, 6.0, 15.0, 0.959)
    """
    n = len(ordered)
    lower, upper, coverage = interval_ranks(n, fraction=fraction, confidence=confidence())
    return PercentileInterval(
        fraction=fraction,
        value=quantile(ordered, fraction),
        low=ordered[lower - 1] if lower >= 1 else None,
        high=ordered[upper - 1] if upper <= n else None,
        coverage=coverage if lower >= 1 and upper <= n else None,
    )


@lru_cache(maxsize=4096)
def interval_ranks(n: int, *, fraction: float, confidence: float) -> tuple[int, int, float]:
    """(lower rank, upper rank, coverage) of the interval for a percentile of `n` values.

    Ranks count from 1; 0 and n + 1 mean that no value bounds the percentile on that side.
    """
    import numpy as np
    from scipy.special import bdtr

    if n < 1 or not 0.0 < fraction < 1.0:
        raise ValueError(
            f"percentile {fraction} of {n} values: wants above 0, below 1 and one value at least"
        )
    at_most = np.asarray(bdtr(np.arange(n + 1), n, fraction))  # P(count <= k), k = 0 ... n
    error = (1.0 - confidence) / 2.0
    lower = int(np.searchsorted(at_most, error, side="right"))
    upper = int(np.searchsorted(at_most, 1.0 - error, side="left")) + 1
    below_lower = float(at_most[lower - 1]) if lower else 0.0
    return lower, upper, float(at_most[upper - 1]) - below_lower


def share_interval(n: int, *, of: int) -> ShareInterval:
    """The share n / of with exact limits.

    References
    ----------
    Clopper and Pearson, Biometrika 1934;26:404.

    Examples
    --------
    >>> found = share_interval(9, of=24)
    >>> found.share, round(found.low, 4), round(found.high, 4)
    (0.375, 0.188, 0.5941)
    """
    from scipy.special import betaincinv

    if not 0 <= n <= of:
        raise ValueError(f"{n} of {of}: wants 0 <= n <= of")
    if of == 0:
        return ShareInterval(n=0, of=0, share=None, low=None, high=None)
    error = (1.0 - confidence()) / 2.0
    return ShareInterval(
        n=n,
        of=of,
        share=n / of,
        low=float(betaincinv(n, of - n + 1, error)) if n else 0.0,
        high=float(betaincinv(n + 1, of - n, 1.0 - error)) if n < of else 1.0,
    )
