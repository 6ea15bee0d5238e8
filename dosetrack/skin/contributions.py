"""Which events built the peak of a skin map, and the highest dose of each part of the body."""

from __future__ import annotations

from dataclasses import dataclass
from math import fsum

import numpy as np

from dosetrack.skin.model import FloatArray, PlacedBeam, SkinMap, Surface
from dosetrack.skin.peak import event_keys


@dataclass(frozen=True, slots=True)
class EventGiven:
    """An event by its first beam, and what it gave to the peak [mGy]."""

    placed: PlacedBeam
    dose_mgy: float


@dataclass(frozen=True, slots=True)
class OtherEvents:
    """The events not listed that gave something: how many, and what together [mGy]."""

    count: int
    dose_mgy: float


@dataclass(frozen=True, slots=True)
class PartPeak:
    """The highest dose of one part [mGy] and where on the unrolled skin it is [mm]."""

    name: str
    dose_mgy: float
    across_mm: float
    along_mm: float


def largest_events(skin_map: SkinMap, count: int) -> tuple[list[EventGiven], OtherEvents]:
    """The `count` events that gave most to the peak, the largest first, and the others together.

    Events that gave nothing are in neither.
    """
    beams = [beam for case in skin_map.cases for beam in case.beams]
    first: dict[object, PlacedBeam] = {}
    for key, beam in zip(event_keys(skin_map.cases), beams, strict=True):
        first.setdefault(key, beam)
    given = [
        EventGiven(beam, share.peak_contribution_mgy)
        for beam, share in zip(first.values(), skin_map.by_event, strict=True)
        if share.peak_contribution_mgy > 0
    ]
    given.sort(key=lambda one: -one.dose_mgy)
    rest = given[count:]
    return given[:count], OtherEvents(len(rest), fsum(one.dose_mgy for one in rest))


def highest_by_part(surface: Surface, dose_mgy: FloatArray) -> tuple[PartPeak, ...]:
    """The highest dose of each part that a beam met, the highest first; dose_mgy of shape (n,)."""
    found = []
    for index, name in enumerate(surface.parts):
        members = np.flatnonzero(surface.part == index)
        if not len(members):
            continue
        at = members[int(dose_mgy[members].argmax())]
        if dose_mgy[at] > 0:
            across, along = surface.unrolled_mm[at].tolist()
            found.append(PartPeak(name, float(dose_mgy[at]), across, along))
    return tuple(sorted(found, key=lambda part: -part.dose_mgy))
