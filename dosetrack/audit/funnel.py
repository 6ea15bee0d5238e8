"""Shares over a level beside the share of all, with the scatter that chance alone gives.

The limits widen where there are few cases. A point outside is a question about case mix, room and
data first. There is no order among the points.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from dosetrack.audit.intervals import ShareInterval, share_interval
from dosetrack.tables import constants


class Place(StrEnum):
    """Where a share lies among the limits."""

    WITHIN = "within chance"
    OUTSIDE_INNER = "outside the inner limits"
    OUTSIDE_OUTER = "outside the outer limits"


@dataclass(frozen=True, slots=True)
class FunnelLimits:
    """Shares that chance gives with `of` cases; ends included."""

    of: int
    inner_low: float
    inner_high: float
    outer_low: float
    outer_high: float


@dataclass(frozen=True, slots=True)
class FunnelPoint:
    """One operator or room. key : who; limits : of its own number of cases."""

    key: str
    share: ShareInterval
    limits: FunnelLimits
    place: Place


@dataclass(frozen=True, slots=True)
class Funnel:
    """share : of all cases together, the points' own included; None without any case.

    points : in order of key
    curve : limits from one case to the largest point, for drawing
    """

    share: float | None
    n: int
    of: int
    points: tuple[FunnelPoint, ...]
    curve: tuple[FunnelLimits, ...]


def funnel_limits(of: int, *, share: float) -> FunnelLimits:
    """The shares of `of` cases that chance gives where each is over with probability `share`.

    A count below the lower end, or above the upper one, has a probability of at most half the error.

    Parameters
    ----------
    of : at least one case
    share : 0 to 1

    References
    ----------
    Spiegelhalter, Stat Med 2005;24:1185 (from memory): exact binomial limits of 95 and 99.8 %.
    """
    if of < 1 or not 0.0 <= share <= 1.0:
        raise ValueError(f"limits of {of} cases at share {share}: wants one case at least, share 0 to 1")
    inner = _counts(of, share=share, coverage=_own("funnel_inner"))
    outer = _counts(of, share=share, coverage=_own("funnel_outer"))
    return FunnelLimits(of, inner[0] / of, inner[1] / of, outer[0] / of, outer[1] / of)


def _counts(of: int, *, share: float, coverage: float) -> tuple[int, int]:
    import numpy as np
    from scipy.special import bdtr

    if share in (0.0, 1.0):
        return (round(share) * of, round(share) * of)
    at_most = np.asarray(bdtr(np.arange(of + 1), of, share))
    error = (1.0 - coverage) / 2.0
    low, high = (int(np.searchsorted(at_most, p, side="left")) for p in (error, 1.0 - error))
    return low, min(high, of)


def funnel(counts: Iterable[tuple[str, int, int]]) -> Funnel:
    """The funnel of (key, cases over, cases); keys without a case are left out."""
    known = sorted(row for row in counts if row[2] > 0)
    n, of = sum(over for _, over, _ in known), sum(cases for _, _, cases in known)
    if not of:
        return Funnel(share=None, n=0, of=0, points=(), curve=())
    share = n / of
    return Funnel(
        share=share,
        n=n,
        of=of,
        points=tuple(_point(key, over, cases, share) for key, over, cases in known),
        curve=tuple(funnel_limits(k, share=share) for k in _drawn(max(cases for _, _, cases in known))),
    )


def _point(key: str, over: int, cases: int, share: float) -> FunnelPoint:
    limits, found = funnel_limits(cases, share=share), over / cases
    place = Place.WITHIN
    if not limits.outer_low <= found <= limits.outer_high:
        place = Place.OUTSIDE_OUTER
    elif not limits.inner_low <= found <= limits.inner_high:
        place = Place.OUTSIDE_INNER
    return FunnelPoint(key, share_interval(over, of=cases), limits, place)


def _drawn(most: int) -> list[int]:
    step = max(1, most // 200)  # a curve needs no more points than a screen shows
    return sorted({*range(1, most + 1, step), most})


def _own(key: str) -> float:
    return constants("audit_statistics")[key].number
