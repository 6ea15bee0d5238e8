"""The skin dose map of one case or several on one body: where the dose went, how high, how sure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from math import floor, fsum
from typing import Literal

import numpy as np

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.skin.at_peak import at_peak
from dosetrack.skin.influences import Recomputation, influences, recomputed
from dosetrack.skin.kernel import DoseField
from dosetrack.skin.model import Assumption, FloatArray, PlacedBeam, PlacedCase, SkinMap, Surface
from dosetrack.skin.peak import (
    bound_mgy,
    dose_bands,
    event_keys,
    event_shares,
    fluoroscopy_share,
)
from dosetrack.skin.places import place_name
from dosetrack.skin.quality import Medium, check_medium
from dosetrack.skin.uncertainty import doubts, range_factor
from dosetrack.skin.variations import SomeSkin, field_on, skin_that_matters
from dosetrack.skin.wording import dose_words
from dosetrack.tables import constants

Detail = Literal["full", "peak"]
_BEAMS_AT_ONCE = 64


def skin_map(
    cases: Sequence[PlacedCase], surface: Surface, *, medium: str = "water", detail: Detail = "full"
) -> SkinMap:
    """The dose to each patch of `surface` from all cases, its peak and what stands behind it.

    Parameters
    ----------
    cases : of one patient, in order of time, each placed on `surface`
    medium : what the dose is absorbed in, a word of `quality.MEDIUM_NAMES`
    detail : 'peak' leaves out growth and influences, for a running case or a batch; all other
        numbers are the same

    Notes
    -----
    The range has coverage factor 2 and the form of a ratio: peak / f to peak x f, with f = 1 + 2 u
    (`uncertainty`). Place of the body and registration of cases enter by computing the peak again
    with them shifted. When nothing could be placed, or no beam meets the body, there is no peak.
    """
    return map_with_doses(cases, surface, medium=medium, detail=detail)[0]


def map_with_doses(
    cases: Sequence[PlacedCase], surface: Surface, *, medium: str = "water", detail: Detail = "full"
) -> tuple[SkinMap, tuple[FloatArray, ...]]:
    """The map as by `skin_map`, and the dose of each case alone, shape (n,) each [mGy]."""
    fields, growth = _fields(cases, surface, check_medium(medium), with_growth=detail == "full")
    doses = tuple(field.dose_mgy for field in fields)
    whole = np.sum([np.zeros(len(surface.points_mm)), *doses], axis=0)
    base = _Base(tuple(cases), surface, check_medium(medium), whole)
    if not (whole.size and whole.max() > 0):
        return _without_peak(base), doses
    return _with_peak(base, fields, growth, detail), doses


@dataclass(frozen=True, slots=True, eq=False)
class _Base:
    """What every map has, peak or not."""

    cases: tuple[PlacedCase, ...]
    surface: Surface
    medium: Medium
    dose_mgy: FloatArray

    def mapped_fraction(self, off_skin: Sequence[PlacedBeam] = ()) -> float | None:
        """Share of the air kerma of all cases that lies on the skin of the map, 0 to 1."""
        placed = fsum(b.beam.reference_air_kerma_mgy for case in self.cases for b in case.beams)
        missed = fsum(n.reference_air_kerma_mgy or 0.0 for case in self.cases for n in case.not_mapped)
        off = fsum(b.beam.reference_air_kerma_mgy for b in off_skin)
        return (placed - off) / (placed + missed) if placed + missed > 0 else None

    def assumed(self) -> tuple[Assumption, ...]:
        """Every assumption once."""
        of_cases = [a for case in self.cases for a in case.assumed]
        return tuple(dict.fromkeys([*self.surface.assumed, *of_cases]))

    def findings(self) -> tuple[Finding, ...]:
        """Every finding of surface and cases once."""
        of_cases = [f for case in self.cases for f in case.findings]
        return tuple(dict.fromkeys([*self.surface.findings, *of_cases]))


def _fields(
    cases: Sequence[PlacedCase], surface: Surface, medium: Medium, *, with_growth: bool
) -> tuple[list[DoseField], list[tuple[int, str | None, float]]]:
    """The dose of each case; and (beams so far, start of the event, peak so far) after each step."""
    fields: list[DoseField] = []
    growth: list[tuple[int, str | None, float]] = []
    before, peak, n_beams = np.zeros(len(surface.points_mm)), 0.0, 0
    per_step = _events_per_step(cases)
    for case in cases:
        field = field_on(case, surface.points_mm, surface.normals, surface.part, medium=medium)
        fields.append(field)
        if not with_growth:
            field.add_all([b.beam for b in case.beams])
            continue
        for step in _steps(case, per_step):
            field.add_all([b.beam for b in step])
            n_beams += len(step)
            if before.size:
                peak = max(peak, float((before + field.dose_mgy).max()))
            growth.append((n_beams, step[-1].started_at, peak))
        before = before + field.dose_mgy
    return fields, growth


def _events_per_step(cases: Sequence[PlacedCase]) -> int:
    """How many events one step of the growth holds, so that the steps stay bounded."""
    most = int(constants("skin_map")["growth_steps"].number)
    return -(-len(set(event_keys(cases))) // most) or 1


def _steps(case: PlacedCase, per_step: int) -> list[list[PlacedBeam]]:
    """The beams of a case in steps of so many events."""
    keys = iter(event_keys([case]))
    events = [list(beams) for _, beams in groupby(case.beams, key=lambda _: next(keys))]
    return [
        [beam for event in events[i : i + per_step] for beam in event]
        for i in range(0, len(events), per_step)
    ]


def _with_peak(
    base: _Base, fields: Sequence[DoseField], growth: Sequence[tuple[int, str | None, float]], detail: Detail
) -> SkinMap:
    cases, surface, dose = base.cases, base.surface, base.dose_mgy
    index = int(dose.argmax())
    peak = float(dose[index])
    shares = [
        field.contributions([b.beam for b in case.beams], index)
        for case, field in zip(cases, fields, strict=True)
    ]
    at = [
        at_peak(case, share, surface.points_mm[index], surface.normals[index])
        for case, share in zip(cases, shares, strict=True)
    ]
    skin = skin_that_matters(surface, dose, medium=base.medium)
    again = Recomputation(cases, surface, skin)
    parts = doubts(
        at,
        recomputed(again, at),
        surface_assumed=surface.assumed,
        is_on_leg="leg" in surface.parts[surface.part[index]],
    )
    factor = range_factor(parts)
    each = np.concatenate(shares)
    beams = [b for case in cases for b in case.beams]
    running = np.cumsum(each)
    off_skin = _off_skin(cases, fields, skin)
    bound = bound_mgy(cases, each, peak_mgy=peak, off_skin=off_skin)
    return SkinMap(
        surface=surface,
        cases=cases,
        dose_mgy=dose,
        peak_index=index,
        peak_mgy=peak,
        low_mgy=peak / factor,
        high_mgy=peak * factor,
        peak_site=place_name(surface, index),
        bands=dose_bands(dose, surface),
        by_event=event_shares(event_keys(cases), each),
        fluoroscopy_share=fluoroscopy_share(beams, each),
        growth=tuple((when, so_far, float(running[n - 1])) for n, when, so_far in growth),
        influences=influences(again, at, base.assumed(), peak_mgy=peak) if detail == "full" else (),
        mapped_fraction=base.mapped_fraction(off_skin),
        medium=base.medium,
        assumed=base.assumed(),
        findings=(*base.findings(), *_lower_estimate(base, off_skin, bound)),
        bound_mgy=bound,
        doubts=parts,
    )


def _without_peak(base: _Base) -> SkinMap:
    has_beams = any(case.beams for case in base.cases)
    code = FindingCode.SKIN_BEAMS_MISS_BODY if has_beams else FindingCode.SKIN_NOTHING_PLACED
    keys = event_keys(base.cases)
    return SkinMap(
        surface=base.surface,
        cases=base.cases,
        dose_mgy=base.dose_mgy,
        peak_index=None,
        peak_mgy=None,
        low_mgy=None,
        high_mgy=None,
        peak_site=None,
        bands=dose_bands(base.dose_mgy, base.surface),
        by_event=event_shares(keys, np.zeros(len(keys))),
        fluoroscopy_share=None,
        growth=(),
        influences=(),
        mapped_fraction=base.mapped_fraction([b for case in base.cases for b in case.beams]),
        medium=base.medium,
        assumed=base.assumed(),
        findings=(*base.findings(), finding(code)),
    )


def _off_skin(cases: Sequence[PlacedCase], fields: Sequence[DoseField], skin: SomeSkin) -> list[PlacedBeam]:
    """The beams that meet no patch: beside a flat sheet, or past the body.

    Few patches find most beams; only those that meet none of them are tried on the whole skin.
    """
    found = []
    for case, field in zip(cases, fields, strict=True):
        rest = _that_miss(skin.without_shade().field(case), case.beams)
        for start in range(0, len(rest), _BEAMS_AT_ONCE):
            found += _that_miss(field, rest[start : start + _BEAMS_AT_ONCE])
    return found


def _that_miss(field: DoseField, beams: Sequence[PlacedBeam]) -> list[PlacedBeam]:
    entered = field.footprints([b.beam for b in beams])
    return [b for b, footprint in zip(beams, entered, strict=True) if not footprint.any()]


def _lower_estimate(base: _Base, off_skin: Sequence[PlacedBeam], bound: float | None) -> list[Finding]:
    """The finding that the peak is a lower estimate, when some air kerma lies on no skin of the map."""
    not_mapped = [n for case in base.cases for n in case.not_mapped if n.reference_air_kerma_mgy != 0]
    count = len(not_mapped) + len({(b.uid, b.plane, b.started_at) for b in off_skin})
    if not count:
        return []
    fraction = base.mapped_fraction(off_skin)
    is_known = fraction is not None and all(n.reference_air_kerma_mgy is not None for n in not_mapped)
    share = f"{floor(100 * fraction)} %" if fraction is not None and is_known else "an unknown part"
    most = "" if bound is None else f" Had all of it met that patch, the peak would be {dose_words(bound)}."
    return [finding(FindingCode.SKIN_LOWER_ESTIMATE, share=share, count=count, most=most)]
