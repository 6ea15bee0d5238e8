"""Several cases of one patient on one body: skin dose adds where fields met, and only there.

Each case keeps its own room, position and table; all are placed on one surface. How well they lie
on each other is not known, which widens the range. A case without a map is listed with its air
kerma, which is never added as skin dose.

Dates are the caller's: which cases lie within a window is decided where the window is set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.skin.mapping import Detail, map_with_doses
from dosetrack.skin.model import PlacedCase, SkinMap, Surface


@dataclass(frozen=True, slots=True)
class DatedCase:
    """One case of the patient.

    case_id, day : as the caller names it; day as YYYY-MM-DD, None: not known
    placed : the parts of the case, one for each room or machine; empty: no geometry
    reference_air_kerma_mgy : over all planes, for a case that is not on the map [mGy]
    """

    case_id: str
    day: str | None
    placed: tuple[PlacedCase, ...]
    reference_air_kerma_mgy: float | None = None

    @property
    def is_on_map(self) -> bool:
        """Whether any of its beams could be placed."""
        return any(part.beams for part in self.placed)


@dataclass(frozen=True, slots=True)
class CaseShare:
    """One case on the common map.

    peak_mgy : the highest dose of this case alone, wherever it lies [mGy]
    at_peak_mgy : what it gave to the peak of all cases [mGy]
    under_last_mgy : its highest dose on the skin that the last case irradiates [mGy]
    """

    case_id: str
    day: str | None
    peak_mgy: float
    at_peak_mgy: float
    under_last_mgy: float = 0.0


@dataclass(frozen=True, slots=True)
class NotOnMap:
    """A case without a map: its air kerma stands by itself and is no skin dose [mGy]."""

    case_id: str
    day: str | None
    reference_air_kerma_mgy: float | None


@dataclass(frozen=True, slots=True, eq=False)
class AccumulatedMap:
    """The map of all cases together, what each gave, and the cases that are not on it."""

    map: SkinMap
    shares: tuple[CaseShare, ...]
    not_on_map: tuple[NotOnMap, ...]


def accumulated_map(
    cases: Sequence[DatedCase], surface: Surface, *, medium: str = "water", detail: Detail = "full"
) -> AccumulatedMap:
    """The skin dose of several cases of one patient on one body.

    Parameters
    ----------
    cases : within the window, in order of time, each placed on `surface`
    medium, detail : as for `mapping.skin_map`

    Notes
    -----
    The peak of the sum may lie where no single case has its own. With more than one case on the map
    the range holds the doubt of how they lie on each other (`tables/skin_uncertainty.csv`, row
    'registration').
    """
    on_map = [case for case in cases if case.is_on_map]
    not_on_map = tuple(
        NotOnMap(case.case_id, case.day, case.reference_air_kerma_mgy) for case in cases if not case.is_on_map
    )
    parts = [part for case in cases for part in case.placed]
    found, doses = map_with_doses(parts, surface, medium=medium, detail=detail)
    owners = [number for number, case in enumerate(cases) for _ in case.placed]
    alone = [
        np.sum([dose for owner, dose in zip(owners, doses, strict=True) if owner == number], axis=0)
        for number in range(len(cases))
    ]
    shares = []
    for number, case in enumerate(cases):
        if case.is_on_map and found.peak_index is not None:
            own = alone[number]
            under_last = float(own[alone[-1] > 0].max(initial=0.0)) if cases[-1].is_on_map else 0.0
            shares.append(
                CaseShare(case.case_id, case.day, float(own.max()), float(own[found.peak_index]), under_last)
            )
    return AccumulatedMap(
        map=replace(found, findings=(*found.findings, *_findings(len(on_map), not_on_map))),
        shares=tuple(shares),
        not_on_map=not_on_map,
    )


def _findings(on_map: int, not_on_map: Sequence[NotOnMap]) -> list[Finding]:
    found = [finding(FindingCode.SKIN_CASES_REGISTERED, count=on_map)] if on_map > 1 else []
    for case in not_on_map:
        kerma = case.reference_air_kerma_mgy
        found.append(
            finding(
                FindingCode.SKIN_CASE_NOT_ON_MAP,
                day="a day not known" if case.day is None else case.day,
                kerma="an unknown amount" if kerma is None else f"{kerma:.0f} mGy",
            )
        )
    return found
