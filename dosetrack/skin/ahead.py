"""What if the beam stays as it is, and which gantry moves would leave the hot skin.

Prompts for the operator of a running case, not advice: every answer carries what it costs. Leaving
the hot skin spreads the dose; the total goes on rising.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import acos, asin, atan2, degrees, exp, isfinite

import numpy as np
from numpy.typing import NDArray

from dosetrack.records.report import IrradiationEvent
from dosetrack.skin.beam import Beam
from dosetrack.skin.frames import detector_direction, room_of_patient, source_point
from dosetrack.skin.kernel import DoseField
from dosetrack.skin.model import FloatArray, PlacedBeam, PlacedCase, SkinMap, Surface
from dosetrack.skin.peak import levels_mgy
from dosetrack.skin.quality import check_medium
from dosetrack.skin.setup import AngleFrame
from dosetrack.skin.variations import field_on
from dosetrack.tables import constants

_SECONDS_PER_MINUTE = 60.0
_MM_PER_CM = 10.0


@dataclass(frozen=True, slots=True)
class TimeToLevel:
    """Fluoroscopy with the beam as it is until the peak of the map reaches a level.

    minutes : None when it is not reached this way; then `reason` says why [min]
    """

    level_mgy: float
    minutes: float | None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class GantryMove:
    """One view whose field would lie beside the hot skin.

    primary_deg, secondary_deg : of the view, in the frame of `Ahead.angle_frame` [deg]
    moved_deg : between the directions of the beam now and then [deg]
    rate_ratio : highest skin dose rate there over that now, rough; None: not known
    thickness_mm : of the body along the axis of the beam; None: not known [mm]
    """

    primary_deg: float
    secondary_deg: float
    moved_deg: float
    rate_ratio: float | None
    thickness_mm: float | None


@dataclass(frozen=True, slots=True)
class Ahead:
    """What may come, with the beam as it is now and with it moved.

    skin_rate_mgy_per_min : highest skin dose rate of the beam now; None: rate not known [mGy/min]
    next_level, next_level_of_upper_end : for the peak, and for the upper end of its range
    meets_hot_skin : whether the beam now lies on the hot skin
    moves : the least moves that leave it, the smallest angle first; of two in one direction the nearer
    views_tried : how many views were looked at
    """

    skin_rate_mgy_per_min: float | None
    next_level: TimeToLevel | None
    next_level_of_upper_end: TimeToLevel | None
    meets_hot_skin: bool
    moves: tuple[GantryMove, ...]
    views_tried: int
    angle_frame: AngleFrame


def fluoroscopy_rate(events: Sequence[IrradiationEvent], *, plane: str | None = None) -> float | None:
    """Air kerma per minute of the latest fluoroscopy at the reference point, as displayed [mGy/min].

    Parameters
    ----------
    events : in order of time
    plane : only events of this plane; None: of any

    Returns
    -------
    The mean over the latest events that together last a minute (`tables/skin_ahead.csv`); None when
    no fluoroscopy tells both air kerma and time.
    """
    enough = constants("skin_ahead")["recent_seconds"].number
    kerma = seconds = 0.0
    for event in reversed(events):
        given, lasted = event.reference_air_kerma_mgy, event.duration_s
        if event.type != "fluoroscopy" or (plane is not None and event.plane != plane):
            continue
        if given is None or lasted is None or not lasted > 0:
            continue
        kerma, seconds = kerma + given, seconds + lasted
        if seconds >= enough:
            break
    return kerma / seconds * _SECONDS_PER_MINUTE if seconds > 0 else None


def look_ahead(
    found: SkinMap,
    *,
    rate_mgy_per_min: float | None,
    now: PlacedBeam | None = None,
    angle_frame: AngleFrame = "patient",
) -> Ahead | None:
    """What may come in a running case; None while the map has no peak or no beam.

    Parameters
    ----------
    found : the map so far; the last of its cases is the running one
    rate_mgy_per_min : air kerma rate of fluoroscopy at the reference point as displayed, such as
        `fluoroscopy_rate` gives; None: not known [mGy/min]
    now : the beam as it is; None: the last one of the running case. After an arc it stands at its end
    angle_frame : in which frame the views are told, as on the console of the system

    Notes
    -----
    The air kerma rate is taken to rise with the thickness d of the body along the beam as
    exp(mu d), because the system keeps the detector's signal; table and grid, the largest output of
    the system and overlapping anatomy are left out. So `rate_ratio` is rough.
    """
    running = found.cases[-1] if found.cases else None
    if found.peak_mgy is None or running is None or not running.beams:
        return None
    beam = _standing((now or running.beams[-1]).beam)
    look = _Look(found, running)
    per_kerma = look.dose_per_kerma(beam)
    rate = rate_mgy_per_min if rate_mgy_per_min is not None and rate_mgy_per_min > 0 else None
    skin_rate = None if rate is None else per_kerma * rate
    upper = 1.0 if found.high_mgy is None else found.high_mgy / found.peak_mgy
    meets = bool(look.meets_hot_skin([beam])[0])
    views = _views_round(beam)
    moves = look.moves(beam, views, angle_frame) if meets else ()
    return Ahead(
        skin_rate_mgy_per_min=None if skin_rate is None else float(skin_rate.max()),
        next_level=_time_to_level(found.dose_mgy, skin_rate),
        next_level_of_upper_end=_time_to_level(
            found.dose_mgy * upper, None if skin_rate is None else skin_rate * upper
        ),
        meets_hot_skin=meets,
        moves=moves,
        views_tried=len(views) if meets else 0,
        angle_frame=angle_frame,
    )


def _time_to_level(dose_mgy: FloatArray, rate_mgy_per_min: FloatArray | None) -> TimeToLevel | None:
    """Minutes until any patch reaches the first level above the peak; None above the last level."""
    level = next((one for one in levels_mgy() if one > dose_mgy.max()), None)
    if level is None:
        return None
    if rate_mgy_per_min is None:
        return TimeToLevel(level, None, "fluoroscopy rate not known")
    met = rate_mgy_per_min > 0
    if not met.any():
        return TimeToLevel(level, None, "the beam meets no skin of the map")
    minutes = float(((level - dose_mgy[met]) / rate_mgy_per_min[met]).min())
    farthest = constants("skin_ahead")["farthest"].number
    if minutes > farthest:
        return TimeToLevel(level, None, f"more than {farthest:g} min away")
    return TimeToLevel(level, minutes)


class _Look:
    """The running map as the beam sees it."""

    def __init__(self, found: SkinMap, running: PlacedCase) -> None:
        surface, medium = found.surface, check_medium(found.medium)
        self._surface = surface
        self._case = running
        self._points = surface.points_mm - np.asarray(running.origin_mm)
        self._with_table = field_on(running, surface.points_mm, surface.normals, surface.part, medium=medium)
        no_table = replace(running, table=None)
        self._free = field_on(no_table, surface.points_mm, surface.normals, surface.part, medium=medium)
        least = constants("skin_ahead")["hot_share"].number * float(found.dose_mgy.max())
        hot = found.dose_mgy >= least
        self._hot = field_on(no_table, surface.points_mm[hot], surface.normals[hot], None, medium=medium)

    def dose_per_kerma(self, beam: Beam) -> FloatArray:
        """Skin dose of each patch over the displayed air kerma, shape (n,)."""
        return _dose_of(self._with_table, beam)

    def meets_hot_skin(self, beams: Sequence[Beam]) -> NDArray[np.bool_]:
        """Whether the field of each beam, with a margin, lies on hot skin, shape (beams,)."""
        if not beams:
            return np.zeros(0, dtype=np.bool_)
        entered = self._hot.footprints([self._with_margin(beam) for beam in beams])
        return np.array([footprint.any() for footprint in entered], dtype=np.bool_)

    def moves(self, beam: Beam, views: Sequence[Beam], frame: AngleFrame) -> tuple[GantryMove, ...]:
        """The least moves that leave the hot skin, the smallest angle first."""
        meets = self.meets_hot_skin(views)
        free = [view for view, is_met in zip(views, meets, strict=True) if not is_met]
        nearest = [view for view in free if not any(_is_beyond(view, other, beam) for other in free)]
        nearest.sort(key=lambda view: _apart_deg(beam, view))
        base = float(_dose_of(self._free, beam).max())
        thickness = self.thickness_mm(beam)
        found = []
        for view in nearest:
            highest = float(_dose_of(self._free, view).max())
            if highest <= 0:  # past the body: no view of the patient
                continue
            found.append(self._move(beam, view, frame, ratio=highest / base, thickness_now_mm=thickness))
        return tuple(found[: int(constants("skin_ahead")["most_moves"].number)])

    def thickness_mm(self, beam: Beam) -> float | None:
        """Length of the beam's axis in the body; None where the axis does not pass through [mm]."""
        q = room_of_patient(self._case.position)
        source = source_point(
            beam.primary_angle_deg,
            beam.secondary_angle_deg,
            source_to_isocenter_mm=beam.source_to_isocenter_mm,
        ) - np.asarray(beam.table_offset_mm)
        along = detector_direction(beam.primary_angle_deg, beam.secondary_angle_deg)
        return _length_inside(self._surface, self._points, source @ q, along @ q)

    def _move(
        self, beam: Beam, view: Beam, frame: AngleFrame, *, ratio: float, thickness_now_mm: float | None
    ) -> GantryMove:
        thickness = self.thickness_mm(view)
        rate_ratio = None
        if thickness is not None and thickness_now_mm is not None:
            per_mm = constants("skin_ahead")["attenuation"].number / _MM_PER_CM
            rate_ratio = ratio * exp(per_mm * (thickness - thickness_now_mm))
        primary, secondary = self._as_told(view, frame)
        return GantryMove(primary, secondary, _apart_deg(beam, view), rate_ratio, thickness)

    def _as_told(self, view: Beam, frame: AngleFrame) -> tuple[float, float]:
        if frame == "machine" or self._case.position == "HFS":
            return view.primary_angle_deg, view.secondary_angle_deg
        x, y, z = room_of_patient(self._case.position).T @ _direction(view)
        return degrees(atan2(x, -y)), degrees(asin(max(-1.0, min(1.0, z))))

    def _with_margin(self, beam: Beam) -> Beam:
        """The field wider by the margin on each side, where it meets the isocentre."""
        scale = beam.source_to_detector_mm / beam.source_to_isocenter_mm
        more = 2 * constants("skin_ahead")["hot_margin"].number * scale
        return replace(
            beam, field_width_mm=beam.field_width_mm + more, field_height_mm=beam.field_height_mm + more
        )


def _standing(beam: Beam) -> Beam:
    """The beam at the end of its arc, per mGy of displayed air kerma."""
    primary, secondary = beam.primary_end_angle_deg, beam.secondary_end_angle_deg
    return replace(
        beam,
        reference_air_kerma_mgy=1.0,
        primary_angle_deg=beam.primary_angle_deg if primary is None else primary,
        secondary_angle_deg=beam.secondary_angle_deg if secondary is None else secondary,
        primary_end_angle_deg=None,
        secondary_end_angle_deg=None,
    )


def _views_round(beam: Beam) -> list[Beam]:
    """The views to try: steps of both angles about the one now, within the limits of a C-arm."""
    table = constants("skin_ahead")
    step = table["step"].number
    primary_steps = _steps(table["primary_reach"].number, step)
    secondary_steps = _steps(table["secondary_reach"].number, step)
    found = []
    for more_primary in primary_steps:
        for more_secondary in secondary_steps:
            primary = beam.primary_angle_deg + more_primary
            secondary = beam.secondary_angle_deg + more_secondary
            is_within = abs(primary) <= table["primary_limit"].number
            is_within &= abs(secondary) <= table["secondary_limit"].number
            if is_within and (more_primary or more_secondary):
                found.append(replace(beam, primary_angle_deg=primary, secondary_angle_deg=secondary))
    return found


def _steps(reach: float, step: float) -> list[float]:
    count = int(reach // step)
    return [step * n for n in range(-count, count + 1)]


def _is_beyond(view: Beam, other: Beam, now: Beam) -> bool:
    """Whether `other` is a smaller move in the same direction, by both angles."""
    if other is view:
        return False
    pairs = (
        (view.primary_angle_deg - now.primary_angle_deg, other.primary_angle_deg - now.primary_angle_deg),
        (
            view.secondary_angle_deg - now.secondary_angle_deg,
            other.secondary_angle_deg - now.secondary_angle_deg,
        ),
    )
    return all(abs(less) <= abs(more) and less * more >= 0 for more, less in pairs)


def _direction(beam: Beam) -> FloatArray:
    return detector_direction(beam.primary_angle_deg, beam.secondary_angle_deg)


def _apart_deg(one: Beam, other: Beam) -> float:
    """Angle between two beams [deg]."""
    return degrees(acos(max(-1.0, min(1.0, float(_direction(one) @ _direction(other))))))


def _dose_of(field: DoseField, beam: Beam) -> FloatArray:
    """What one beam gives to each patch; `field` is only used to sum and grows by it."""
    before = field.dose_mgy
    field.add(beam)
    found: FloatArray = np.maximum(field.dose_mgy - before, 0.0)
    return found


def _length_inside(
    surface: Surface, points_mm: FloatArray, source_mm: FloatArray, along: FloatArray
) -> float | None:
    """Between the skin nearest to a ray where it enters and where it leaves [mm].

    Each end is where the ray meets the plane of that patch. None when no skin lies at the ray on one
    of the sides: past the body, or through an end that is not drawn.
    """
    away = points_mm - source_mm
    depth = away @ along
    beside = np.linalg.norm(away - depth[:, np.newaxis] * along, axis=1)
    slope = surface.normals @ along
    ends = []
    for side in (slope < 0, slope > 0):
        places = np.flatnonzero(side & (depth > 0))
        if not len(places):
            return None
        nearest = places[beside[places].argmin()]
        if beside[nearest] > 1.5 * float(np.sqrt(surface.area_mm2[nearest])):
            return None
        ends.append(float(surface.normals[nearest] @ away[nearest]) / float(slope[nearest]))
    length = ends[1] - ends[0]
    return length if isfinite(length) and length > 0 else None
