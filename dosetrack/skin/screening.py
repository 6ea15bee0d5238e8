"""The possible range of peak skin dose while only cumulative air kerma and rough geometry are known.

A range to act on, not a measurement: the upper end takes all air kerma of a plane on one spot, the
lower end only the most used view. Skin nearer than the reference point receives more than the
reference air kerma, so nothing is capped at it.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import cos, fsum, radians
from typing import Literal

from dosetrack.radiation.account import RadiationAccount, plane_of
from dosetrack.radiation.field import reference_distance_mm
from dosetrack.records.report import IrradiationEvent
from dosetrack.skin.running_sums import RunningSums
from dosetrack.tables import constants

Region = Literal["cardiac", "neuro", "body", "single_view"]
_LATERAL_PLANE = "b"
_View = tuple[float, float]
"""Primary and secondary angle [deg]."""


@dataclass(frozen=True, slots=True)
class RoughGeometry:
    """What is known of one plane's beams; None is assumed and said so.

    source_to_reference_mm : focal spot to reference point [mm]
    source_to_skin_mm : focal spot to skin, shortest likely [mm]
    crosses_table : whether the beams pass the table top
    largest_view_share : part of the air kerma given in the most used view, 0 to 1
    """

    source_to_reference_mm: float | None = None
    source_to_skin_mm: float | None = None
    crosses_table: bool | None = None
    largest_view_share: float | None = None


@dataclass(frozen=True, slots=True)
class SkinRange:
    """Possible peak skin dose [mGy].

    assumed : what stood in for facts that are missing
    basis : 'estimated' from air kerma alone, or 'map'
    """

    low_mgy: float
    high_mgy: float
    assumed: tuple[str, ...]
    basis: str = "estimated"


def estimated_skin_range(
    account: RadiationAccount,
    geometry: Mapping[str, RoughGeometry] | None = None,
    *,
    region: Region | None = None,
    planes_overlap: bool | None = None,
) -> SkinRange | None:
    """The possible range of peak skin dose of a case; None while no air kerma is known.

    Parameters
    ----------
    geometry : plane -> what is known of its beams
    region : sets the share of one view where the events do not tell it; None: the smallest share
    planes_overlap : True adds the planes on one spot; None takes them apart and says so

    Notes
    -----
    upper = Ka,r x (d_ref / d_skin)² x T0 x (backscatter x medium); lower = upper x share of the
    most used view; both ends are then widened for meter and table. Constants and their sources:
    `tables/skin_screening.csv`.
    """
    table = constants("skin_screening")
    assumed: list[str] = []
    ends = []
    for plane in account.planes:
        figure = plane.reference_air_kerma_mgy.higher
        if figure is None:
            continue
        known = _geometry_of(plane.plane, geometry or {})
        factor = _upper_factor(plane.plane, known, assumed)
        share = known.largest_view_share or _assumed_share(region, assumed)
        ends.append((figure.value * factor * share, figure.value * factor))
    if not ends:
        return None
    if len(ends) > 1 and not planes_overlap:
        if planes_overlap is None:
            assumed.append("beams of the planes do not overlap on the skin")
        ends = [(max(low for low, _ in ends), max(high for _, high in ends))]
    low, high = max(low for low, _ in ends), sum(high for _, high in ends)
    widening = table["widening"].number
    assumed.append(f"backscatter and medium factor {table['backscatter_medium'].number:g} (water)")
    assumed.append(f"meter and table within a factor of {widening:g}")
    return SkinRange(low_mgy=low / widening, high_mgy=high * widening, assumed=tuple(dict.fromkeys(assumed)))


def rough_geometry(events: Sequence[IrradiationEvent]) -> dict[str, RoughGeometry]:
    """What the events tell of each plane's beams, weighted by air kerma.

    A plane crosses the table only if at least half of its air kerma with known angles does; the
    share of the most used view needs the angles of every event with air kerma.
    """
    planes = {plane_of(e) for e in events}
    return {p: _plane_geometry([e for e in events if plane_of(e) == p]) for p in planes}


def _plane_geometry(events: Sequence[IrradiationEvent]) -> RoughGeometry:
    weighted = [(e.reference_air_kerma_mgy or 0.0, e) for e in events]
    whole = sum(w for w, _ in weighted)
    if whole <= 0:
        return RoughGeometry()
    distances = [(w, d) for w, e in weighted if (d := reference_distance_mm(e)) is not None]
    known = sum(w for w, _ in distances)
    under = [(w, c) for w, e in weighted if (c := _under_table_cosine(e)) is not None]
    angled = sum(w for w, _ in under)
    least = constants("skin_screening")["under_table_cosine"].number
    crossing = sum(w for w, c in under if c >= least)
    return RoughGeometry(
        source_to_reference_mm=sum(w * d for w, d in distances) / known if known > 0 else None,
        crosses_table=crossing >= angled / 2 if angled > 0 else None,
        largest_view_share=_largest_view_share(weighted, whole) if angled == whole else None,
    )


def _under_table_cosine(event: IrradiationEvent) -> float | None:
    """Cosine between the beam and the vertical; 1 for a tube straight under a supine patient."""
    if event.primary_angle_deg is None or event.secondary_angle_deg is None:
        return None
    return cos(radians(event.primary_angle_deg)) * cos(radians(event.secondary_angle_deg))


def _largest_view_share(weighted: Sequence[tuple[float, IrradiationEvent]], whole: float) -> float:
    """The largest part of the air kerma whose views lie within one bin of one event's view."""
    width = constants("skin_screening")["view_bin"].number
    views: dict[_View, float] = {}
    for weight, event in weighted:
        view = (event.primary_angle_deg or 0.0, event.secondary_angle_deg or 0.0)
        views[view] = views.get(view, 0.0) + weight
    p0, s0 = _most_used(views, width)
    best = fsum(w for (p, s), w in views.items() if abs(p - p0) <= width and abs(s - s0) <= width)
    return min(1.0, best / whole)


def _most_used(views: Mapping[_View, float], width: float) -> _View:
    """The view with the most air kerma within `width` of both its angles.

    One pass by primary angle over running sums by secondary angle: a case may have thousands of
    different views, and comparing each with each would take seconds.
    """
    by_primary = sorted(views)
    secondaries = sorted({secondary for _, secondary in views})
    sums = RunningSums(len(secondaries))
    best, found = -1.0, by_primary[0]
    entering = leaving = 0
    for primary, secondary in by_primary:
        while entering < len(by_primary) and by_primary[entering][0] <= primary + width:
            sums.add(bisect_left(secondaries, by_primary[entering][1]), views[by_primary[entering]])
            entering += 1
        while by_primary[leaving][0] < primary - width:
            sums.add(bisect_left(secondaries, by_primary[leaving][1]), -views[by_primary[leaving]])
            leaving += 1
        above = sums.before(bisect_right(secondaries, secondary + width))
        near = above - sums.before(bisect_left(secondaries, secondary - width))
        if near > best:
            best, found = near, (primary, secondary)
    return found


def _geometry_of(plane: str, geometry: Mapping[str, RoughGeometry]) -> RoughGeometry:
    """That of the plane; 'single' stands for it where the report did not name the one plane."""
    return geometry.get(plane) or geometry.get("single") or RoughGeometry()


def _upper_factor(plane: str, known: RoughGeometry, assumed: list[str]) -> float:
    """Skin dose over reference air kerma with everything on one spot."""
    table = constants("skin_screening")
    crosses = known.crosses_table
    if crosses is None:
        crosses = plane != _LATERAL_PLANE
        what = "passes the table" if crosses else "misses the table"
        assumed.append(f"{_beam(plane)} {what}")
    reference = known.source_to_reference_mm
    if reference is None:
        reference = table["source_to_reference"].number
        assumed.append(f"{_beam(plane)}: reference point {reference:g} mm from the focal spot")
    skin = known.source_to_skin_mm
    if skin is None:
        skin = table["source_to_skin" if crosses else "source_to_skin_near"].number
        assumed.append(f"{_beam(plane)}: skin {skin:g} mm from the focal spot")
    transmission = 1.0
    if crosses:
        transmission = table["table_transmission"].number
        assumed.append(f"table and pad transmit {transmission:g}")
    return (reference / skin) ** 2 * transmission * table["backscatter_medium"].number


def _assumed_share(region: Region | None, assumed: list[str]) -> float:
    table = constants("skin_screening")
    share = table[f"share_{region or 'cardiac'}"].number
    assumed.append(f"{share:.0%} of the air kerma in the most used view")
    return share


def _beam(plane: str) -> str:
    return f"beam of plane {plane.upper()}" if plane in ("a", "b") else "beam"
