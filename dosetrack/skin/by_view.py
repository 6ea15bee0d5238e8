"""What each view, and each part of a case, gave to every patch of a skin map.

Both are sums over some of the beams of a map that is already there: nothing about the patient or
the system is decided here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import fsum
from typing import TYPE_CHECKING, cast

import numpy as np

from dosetrack.skin.beam import Beam
from dosetrack.skin.kernel import DoseField
from dosetrack.skin.model import FloatArray, PlacedBeam, PlacedCase, SkinMap
from dosetrack.skin.peak import event_keys
from dosetrack.tables import constants

if TYPE_CHECKING:
    from dosetrack.skin.quality import Medium

_ViewKey = tuple[int, int, int | None, int | None]


@dataclass(frozen=True, slots=True)
class View:
    """A gantry view, or an arc between two [deg]; LAO and cranial positive."""

    primary_deg: float
    secondary_deg: float
    primary_end_deg: float | None = None
    secondary_end_deg: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ViewDoses:
    """dose_mgy : of each view at each patch, shape (n_views, n), the largest view first [mGy]."""

    views: tuple[View, ...]
    dose_mgy: FloatArray

    def largest(self, patch: int, count: int) -> list[tuple[View, float]]:
        """The `count` views that gave most to a patch, those that gave nothing left out."""
        given = self.dose_mgy[:, patch]
        order = np.argsort(-given, kind="stable")[:count]
        return [(self.views[i], float(given[i])) for i in order if given[i] > 0]


@dataclass(frozen=True, slots=True, eq=False)
class Moment:
    """The map after the first `events` of `of` events; dose_mgy of every patch, shape (n,) [mGy]."""

    events: int
    of: int
    at: str | None
    dose_mgy: FloatArray


def doses_by_view(skin_map: SkinMap) -> ViewDoses:
    """What each view gave to each patch; views within half a bin of one another are one view."""
    groups: dict[_ViewKey, list[Beam]] = {}
    sums: dict[_ViewKey, FloatArray] = {}
    for case in skin_map.cases:
        of_case: dict[_ViewKey, list[Beam]] = {}
        for placed in case.beams:
            of_case.setdefault(_view_key(placed.beam), []).append(placed.beam)
        for key, given in zip(of_case, _parts(skin_map, case, list(of_case.values())), strict=True):
            groups.setdefault(key, []).extend(of_case[key])
            sums[key] = sums[key] + given if key in sums else given
    order = sorted(sums, key=lambda key: -float(sums[key].max()))
    doses = [sums[key] for key in order]
    return ViewDoses(
        views=tuple(_mean_view(groups[key]) for key in order),
        dose_mgy=np.vstack(doses) if doses else np.zeros((0, len(skin_map.dose_mgy))),
    )


def moments(skin_map: SkinMap, *, steps: int) -> tuple[Moment, ...]:
    """The map after each part of the events, at most `steps` parts of even size; the last is the whole.

    Cases stand one after the other, as on the map.
    """
    keys = event_keys(skin_map.cases)
    ends = event_ends(skin_map, steps=steps)
    n_events = ends[-1] if ends else 0
    found: list[Moment] = []
    sums, seen, first = np.zeros(len(skin_map.dose_mgy)), 0, 0
    for case in skin_map.cases:
        of_case = keys[first : first + len(case.beams)]
        first += len(case.beams)
        chunks = _chunks(case.beams, of_case, seen=seen, ends=ends)
        for (after, beams), given in zip(
            chunks, _parts(skin_map, case, [[b.beam for b in c] for _, c in chunks]), strict=True
        ):
            sums = sums + given
            if after in ends:
                found.append(Moment(after, n_events, beams[-1].started_at, sums))
        seen += len(set(of_case))
    return tuple(found)


def event_ends(skin_map: SkinMap, *, steps: int) -> tuple[int, ...]:
    """After how many events each of at most `steps` parts of a map ends, rising; the last is all."""
    count = len(set(event_keys(skin_map.cases)))
    return tuple(sorted({-(-count * (k + 1) // steps) for k in range(steps)})) if count else ()


def _chunks(
    beams: Sequence[PlacedBeam], keys: Sequence[object], *, seen: int, ends: Sequence[int]
) -> list[tuple[int, list[PlacedBeam]]]:
    """The beams of a case cut after the events in `ends`; each with how many events it ends after."""
    number = {key: seen + n for n, key in enumerate(dict.fromkeys(keys), start=1)}
    cuts = [end for end in ends if seen < end < seen + len(number)]
    cuts.append(seen + len(number))
    chunks: dict[int, list[PlacedBeam]] = {}
    for beam, key in zip(beams, keys, strict=True):
        chunks.setdefault(next(cut for cut in cuts if number[key] <= cut), []).append(beam)
    return sorted(chunks.items())


def _parts(skin_map: SkinMap, case: PlacedCase, groups: Sequence[Sequence[Beam]]) -> Iterator[FloatArray]:
    """The dose of each group of beams of a case, shape (n,) each [mGy]."""
    surface = skin_map.surface
    field = DoseField(
        surface.points_mm - np.asarray(case.origin_mm),
        surface.normals,
        case.table,
        case.position,
        surface.part,
        medium=cast("Medium", skin_map.medium),
    )
    before = field.dose_mgy
    for group in groups:
        field.add_all(group)
        after = field.dose_mgy
        yield np.maximum(after - before, 0.0)
        before = after


def _view_key(beam: Beam) -> _ViewKey:
    width = constants("skin_screening")["view_bin"].number
    ends = (beam.primary_end_angle_deg, beam.secondary_end_angle_deg)
    primary_end, secondary_end = (None if end is None else round(end / width) for end in ends)
    return (
        round(beam.primary_angle_deg / width),
        round(beam.secondary_angle_deg / width),
        primary_end,
        secondary_end,
    )


def _mean_view(beams: Sequence[Beam]) -> View:
    """The mean of each angle, weighted by air kerma."""
    weights = [beam.reference_air_kerma_mgy for beam in beams]
    whole = fsum(weights)

    def mean(angles: list[float | None]) -> float | None:
        if any(a is None for a in angles):
            return None
        return fsum(w * a for w, a in zip(weights, angles, strict=True) if a is not None) / whole

    return View(
        primary_deg=mean([b.primary_angle_deg for b in beams]) or 0.0,
        secondary_deg=mean([b.secondary_angle_deg for b in beams]) or 0.0,
        primary_end_deg=mean([b.primary_end_angle_deg for b in beams]),
        secondary_end_deg=mean([b.secondary_end_angle_deg for b in beams]),
    )
