"""Median and percentiles of what cases received; missing values are left out and counted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import floor


@dataclass(frozen=True, slots=True)
class Statistics:
    """One quantity over some cases, in the unit of its name; None where no case has it.

    n : cases that have the quantity
    missing : cases that lack it
    """

    n: int
    missing: int
    median: float | None = None
    p25: float | None = None
    p75: float | None = None
    p10: float | None = None
    p90: float | None = None


def statistics(values: Iterable[float | None]) -> Statistics:
    """Median, quartiles and outer deciles of the known `values`."""
    given = list(values)
    known = sorted(v for v in given if v is not None)
    missing = len(given) - len(known)
    if not known:
        return Statistics(n=0, missing=missing)
    return Statistics(
        n=len(known),
        missing=missing,
        median=quantile(known, 0.5),
        p25=quantile(known, 0.25),
        p75=quantile(known, 0.75),
        p10=quantile(known, 0.1),
        p90=quantile(known, 0.9),
    )


def quantile(ordered: Sequence[float], fraction: float) -> float:
    """The quantile of ascending `ordered` by linear interpolation: type 7 of Hyndman and Fan.

    Parameters
    ----------
    ordered : at least one value, ascending
    fraction : 0 to 1

    References
    ----------
    Hyndman and Fan 1996, Sample quantiles in statistical packages, The American Statistician
    50:361, definition 7 (from memory): position (n - 1) p, counted from 0.

    Examples
    --------
    >>> quantile([1.0, 2.0, 3.0, 4.0], 0.25)
    1.75
    """
    if not ordered or not 0 <= fraction <= 1:
        raise ValueError(f"quantile {fraction} of {len(ordered)} values: wants 0 to 1 and at least one value")
    position = (len(ordered) - 1) * fraction
    below = floor(position)
    low = ordered[below]
    if below == position:
        return low
    return low + (position - below) * (ordered[below + 1] - low)
