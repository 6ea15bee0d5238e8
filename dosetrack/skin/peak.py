"""The peak of a skin dose map: where it is, which events built it, how much skin has how much."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from dosetrack.skin.model import DoseBand, EventShare, FloatArray, PlacedBeam, PlacedCase, Surface
from dosetrack.tables import constants

_MGY_PER_GY = 1000.0
_MM2_PER_CM2 = 100.0
_EDGES = 5


@cache
def levels_mgy() -> tuple[float, ...]:
    """The doses at which the bands of the map begin, above 0 [mGy] (`tables/skin_map.csv`)."""
    table = constants("skin_map")
    return tuple(table[f"band_edge_{n}"].number * _MGY_PER_GY for n in range(1, _EDGES + 1))


def dose_bands(dose_mgy: FloatArray, surface: Surface) -> tuple[DoseBand, ...]:
    """The area of skin in each band of dose, from 0 up; the areas add to the whole surface.

    Parameters
    ----------
    dose_mgy : shape (n,), one for each patch [mGy]
    """
    edges = (0.0, *levels_mgy())
    which = np.searchsorted(np.asarray(edges), dose_mgy, side="right") - 1
    areas = np.bincount(which, weights=surface.area_mm2, minlength=len(edges)) / _MM2_PER_CM2
    ends = (*edges[1:], None)
    return tuple(DoseBand(low, high, float(a)) for low, high, a in zip(edges, ends, areas, strict=True))


EventKey = tuple[int, str | None, str, str | None, int]
"""Case, event, plane, start, and the beam's own number where nothing tells its event."""


def event_keys(cases: Sequence[PlacedCase]) -> list[EventKey]:
    """Which event each beam belongs to, in the order of the beams.

    Beams of one case with one UID and plane are one event; without a UID those with the same plane
    and start; a beam with neither stands for itself.
    """
    return [_key(c, b, n) for c, case in enumerate(cases) for n, b in enumerate(case.beams)]


def _key(case: int, placed: PlacedBeam, number: int) -> EventKey:
    if placed.uid is not None:
        return (case, placed.uid, placed.plane, None, -1)
    if placed.started_at is not None:
        return (case, None, placed.plane, placed.started_at, -1)
    return (case, None, placed.plane, None, number)


def event_shares(keys: Sequence[EventKey], contributions_mgy: FloatArray) -> tuple[EventShare, ...]:
    """What each event gave to the peak, in order of its first beam; zeros too.

    contributions_mgy : shape (n_beams,), of each beam at the peak patch [mGy]
    """
    sums: dict[EventKey, float] = {}
    for key, dose in zip(keys, contributions_mgy.tolist(), strict=True):
        sums[key] = sums.get(key, 0.0) + dose
    return tuple(EventShare(uid=key[1], peak_contribution_mgy=dose) for key, dose in sums.items())


def fluoroscopy_share(beams: Sequence[PlacedBeam], contributions_mgy: FloatArray) -> float | None:
    """Part of the peak given by fluoroscopy, 0 to 1; None where a contributing event's type is not known."""
    total = float(contributions_mgy.sum())
    if total <= 0:
        return None
    kinds = [b.is_fluoroscopy for b in beams]
    if any(kind is None for kind, dose in zip(kinds, contributions_mgy.tolist(), strict=True) if dose > 0):
        return None
    by_fluoroscopy = np.array([kind is True for kind in kinds])
    return float(contributions_mgy[by_fluoroscopy].sum()) / total


def bound_mgy(
    cases: Sequence[PlacedCase],
    contributions_mgy: FloatArray,
    *,
    peak_mgy: float,
    off_skin: Sequence[PlacedBeam] = (),
) -> float | None:
    """The peak if all air kerma that lies on no skin of the map had met the peak patch [mGy].

    It is taken at the highest skin dose per air kerma of any beam that did meet the patch. None when
    all lies on the skin, or when an event that was not placed has no air kerma to reckon with.

    Parameters
    ----------
    contributions_mgy : of each beam at the peak patch, shape (n_beams,) [mGy]
    off_skin : beams that meet no patch
    """
    not_mapped = [n.reference_air_kerma_mgy for case in cases for n in case.not_mapped]
    known = [kerma for kerma in not_mapped if kerma is not None]
    missing = sum(known) + sum(b.beam.reference_air_kerma_mgy for b in off_skin)
    if len(known) < len(not_mapped) or missing <= 0:
        return None
    given = np.array([b.beam.reference_air_kerma_mgy for case in cases for b in case.beams])
    met = (contributions_mgy > 0) & (given > 0)
    if not met.any():
        return None
    return peak_mgy + missing * float((contributions_mgy[met] / given[met]).max())
