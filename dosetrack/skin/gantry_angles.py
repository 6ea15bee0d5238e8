"""Gantry angles of the events in the machine frame: from the patient's frame, missing ones, arcs."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import isfinite

from dosetrack.records.report import IrradiationEvent
from dosetrack.skin.placing_notes import PlacingNotes
from dosetrack.skin.setup import Position
from dosetrack.tables import constants

POSITIONS: tuple[Position, ...] = ("HFS", "HFP", "FFS", "FFP", "HFDL", "HFDR", "FFDL", "FFDR")

_TO_MACHINE: dict[Position, tuple[int, int, int]] = {
    # sign of the primary angle, turn added to it [deg], sign of the secondary angle: what the
    # rotation of the patient on the table (PS3.17 FFF.1.2.2.2) makes of the direction of the beam
    "HFS": (1, 0, 1),
    "HFP": (1, 180, 1),
    "FFS": (-1, 0, -1),
    "FFP": (-1, 180, -1),
    "HFDL": (1, 90, 1),
    "HFDR": (1, -90, 1),
    "FFDL": (-1, -90, -1),
    "FFDR": (-1, 90, -1),
}
_MOST_DEG = 360.0


@dataclass(frozen=True, slots=True)
class GantryAngles:
    """Where the detector stands, and where an arc ends; None: no arc [deg]."""

    primary_deg: float
    secondary_deg: float
    primary_end_deg: float | None = None
    secondary_end_deg: float | None = None

    def between(self, *, start: float, end: float) -> GantryAngles:
        """The part of an arc from the share `start` to the share `end` of its way, 0 to 1."""
        if self.primary_end_deg is None and self.secondary_end_deg is None:
            return self
        primary, primary_end = _part(self.primary_deg, self.primary_end_deg, start, end)
        secondary, secondary_end = _part(self.secondary_deg, self.secondary_end_deg, start, end)
        return GantryAngles(primary, secondary, primary_end, secondary_end)


def in_machine_frame(angles: GantryAngles, position: Position) -> GantryAngles:
    """Angles told relative to a patient in `position`, as the machine stands.

    The direction to the detector d = (sin A cos S, -cos A cos S, sin S) is turned with the patient.
    For every position that is again such a direction, with A and S of either sign and A turned by a
    quarter or half turn; so an arc stays an arc. The field turns with it, at most by half a turn
    about the beam, which leaves a centred rectangle as it is.

    References
    ----------
    DICOM PS3.17 FFF.1.2.2.2: directions of the patient on the table for each position.
    """
    if position == "HFS":
        return angles
    primary_sign, turn, secondary_sign = _TO_MACHINE[position]
    primary = primary_sign * angles.primary_deg + turn
    whole = 360.0 * round(primary / 360.0)
    return GantryAngles(
        primary_deg=primary - whole,
        secondary_deg=secondary_sign * angles.secondary_deg,
        primary_end_deg=(
            None if angles.primary_end_deg is None else primary_sign * angles.primary_end_deg + turn - whole
        ),
        secondary_end_deg=(
            None if angles.secondary_end_deg is None else secondary_sign * angles.secondary_end_deg
        ),
    )


def turned_end_for_end(angles: GantryAngles) -> GantryAngles:
    """The same beam seen from a patient turned head for feet (half a turn about the vertical)."""
    return in_machine_frame(angles, "FFS")


def angles_as_told(events: Sequence[IrradiationEvent], notes: PlacingNotes) -> list[GantryAngles | None]:
    """Angles of each event in the frame they were told in; None: not known well enough.

    An angle that is missing is taken from the events before and after in the same plane, where
    these agree and most of the air kerma of the plane has angles; else, where the other angle is
    told, it is taken as 0.
    """
    primary = _filled(events, lambda e: _told(e.primary_angle_deg, e.primary_end_angle_deg))
    secondary = _filled(events, lambda e: _told(e.secondary_angle_deg, e.secondary_end_angle_deg))
    return [
        _angles(event, one, other, notes)
        for event, one, other in zip(events, primary, secondary, strict=True)
    ]


def _told(start: float | None, end: float | None) -> float | None:
    """The angle at the start, else at the end; None where neither is a usable number."""
    if start is not None and -_MOST_DEG <= start <= _MOST_DEG:
        return start
    if end is not None and -_MOST_DEG <= end <= _MOST_DEG:
        return end
    return None


@dataclass(frozen=True, slots=True)
class _Filled:
    """An angle as told or as the neighbours have it."""

    deg: float | None
    is_told: bool


def _filled(
    events: Sequence[IrradiationEvent], angle: Callable[[IrradiationEvent], float | None]
) -> list[_Filled]:
    told = [angle(event) for event in events]
    if None not in told:
        return [_Filled(deg, True) for deg in told]
    planes = {event.plane for event in events}
    usable = {plane for plane in planes if _known_share(events, told, plane)}
    before = _last_known(zip(events, told, strict=True))
    after = _last_known(zip(reversed(events), reversed(told), strict=True))[::-1]
    apart = constants("skin_placing")["neighbour_views_apart"].number
    filled = []
    for event, deg, left, right in zip(events, told, before, after, strict=True):
        if deg is not None:
            filled.append(_Filled(deg, True))
            continue
        near = [one for one in (left, right) if one is not None]
        agree = bool(near) and max(near) - min(near) <= apart
        filled.append(_Filled(near[0] if agree and event.plane in usable else None, False))
    return filled


def _known_share(events: Sequence[IrradiationEvent], told: Sequence[float | None], plane: str | None) -> bool:
    """Whether most of the air kerma of a plane has this angle."""
    whole = known = 0.0
    for event, deg in zip(events, told, strict=True):
        kerma = event.reference_air_kerma_mgy
        if event.plane != plane or kerma is None or not isfinite(kerma) or kerma <= 0:
            continue
        whole += kerma
        known += kerma if deg is not None else 0.0
    return whole > 0 and known / whole >= constants("skin_placing")["angles_known_share"].number


def _last_known(pairs: Iterable[tuple[IrradiationEvent, float | None]]) -> list[float | None]:
    """For each event the angle of the nearest earlier event of its plane that tells it."""
    last: dict[str | None, float] = {}
    found = []
    for event, deg in pairs:
        found.append(last.get(event.plane))
        if deg is not None:
            last[event.plane] = deg
    return found


def _angles(
    event: IrradiationEvent, primary: _Filled, secondary: _Filled, notes: PlacingNotes
) -> GantryAngles | None:
    start = (primary.deg, secondary.deg)
    if not (primary.is_told and secondary.is_told):
        if None in start and not (primary.is_told or secondary.is_told):
            return None
        for name, angle in (("primary", primary), ("secondary", secondary)):
            if not angle.is_told:
                how = "as in the events beside it" if angle.deg is not None else "taken as 0"
                notes.event("angles", f"{name} angle not known, {how},")
    first, second = (0.0 if deg is None else deg for deg in start)
    first_end = _end(first, event.primary_end_angle_deg, event, notes)
    second_end = _end(second, event.secondary_end_angle_deg, event, notes)
    if first_end is None and second_end is None:
        return GantryAngles(first, second)
    return GantryAngles(first, second, first_end, second_end)


def _end(start: float, end: float | None, event: IrradiationEvent, notes: PlacingNotes) -> float | None:
    """Where the arc ends so that a straight sweep takes the way it likely took; None: not moved."""
    if end is None or not -_MOST_DEG <= end <= _MOST_DEG:
        return None
    table = constants("skin_placing")
    way = end - start
    if abs(way) < table["angle_least"].number:
        return None
    if abs(way) <= 180:
        return end
    if event.type == "rotational" and abs(way) <= table["arc_as_told_most"].number:
        notes.event("arc-direction", f"the arc of {abs(way):.0f}° runs from start to end as told")
        return end
    while abs(way) > 180:
        way -= 360 if way > 0 else -360
    notes.event("arc-direction", f"the arc of more than half a turn takes the short way, {abs(way):.0f}°,")
    return None if abs(way) < table["angle_least"].number else start + way


def _part(first: float, last: float | None, start: float, end: float) -> tuple[float, float | None]:
    if last is None:
        return first, None
    way = last - first
    return first + way * start, first + way * end
