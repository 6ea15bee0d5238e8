"""Distances, reference point and field of one event: what its beam needs beside the angles."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from math import cos, isfinite, radians, sqrt
from statistics import median

from dosetrack.records.report import IrradiationEvent
from dosetrack.skin.gantry_angles import GantryAngles
from dosetrack.skin.placing_notes import PlacingNotes
from dosetrack.tables import constants, rows

_MM2_PER_CM2 = 100.0
_CM2_PER_GYCM2_PER_MGY = 1000.0
_TABLETOP = {"1cm-above-table": "above_table_near", "30cm-above-table": "above_table_far"}


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why an event has no beam. is_impossible: a number it tells cannot be."""

    reason: str
    is_impossible: bool = False


@dataclass(frozen=True, slots=True)
class Distances:
    """From the focal spot to the isocentre and to the detector [mm]."""

    isocenter_mm: float
    detector_mm: float


class UsualDistances:
    """Distances that stand in where an event tells none: the median of its plane, else the table's."""

    def __init__(self, events: Sequence[IrradiationEvent]) -> None:
        self._events = events
        self._known: dict[tuple[str, str | None], tuple[float, str]] = {}

    def isocenter(self, plane: str | None) -> tuple[float, str]:
        """Source to isocentre [mm] and where it is from, in words."""
        return self._usual("source_to_isocenter", plane, lambda e: e.source_to_isocenter_mm)

    def detector(self, plane: str | None) -> tuple[float, str]:
        """Source to detector [mm] and where it is from, in words."""
        return self._usual("source_to_detector", plane, lambda e: e.source_to_detector_mm)

    def _usual(
        self, key: str, plane: str | None, of: Callable[[IrradiationEvent], float | None]
    ) -> tuple[float, str]:
        if (key, plane) not in self._known:
            told = [
                number
                for event in self._events
                if event.plane == plane and (number := of(event)) is not None and _is_positive(number)
            ]
            self._known[key, plane] = (
                (median(told), "as in other events of the plane")
                if told
                else (constants("skin_placing")[key].number, "the usual distance")
            )
        return self._known[key, plane]


def distances_of(event: IrradiationEvent, usual: UsualDistances, notes: PlacingNotes) -> Distances | Refusal:
    """The distances of the event's beam; a refusal when those it tells cannot be."""
    isocenter, detector = event.source_to_isocenter_mm, event.source_to_detector_mm
    for name, number in (("isocentre", isocenter), ("detector", detector)):
        if number is not None and not 0 < number <= _most_mm():
            return Refusal(f"source to {name} of {number:g} mm cannot be", is_impossible=True)
    if isocenter is not None and detector is not None and detector < isocenter:
        return Refusal(
            f"the detector, {detector:g} mm from the source, lies before the isocentre at {isocenter:g} mm",
            is_impossible=True,
        )
    if isocenter is None:
        isocenter, origin = usual.isocenter(event.plane)
        notes.event("source-to-isocenter", f"source to isocentre {isocenter:g} mm ({origin}), not told")
        isocenter = min(isocenter, detector) if detector is not None else isocenter
    if detector is None:
        detector, origin = usual.detector(event.plane)
        detector = max(isocenter, detector)
        notes.event("source-to-detector", f"source to detector {detector:g} mm ({origin}), not told")
    return Distances(isocenter, detector)


def reference_distance_mm(
    event: IrradiationEvent,
    distances: Distances,
    angles: GantryAngles,
    *,
    table_top_y_mm: float | None,
    notes: PlacingNotes,
) -> float | None:
    """Focal spot to reference point along the beam axis [mm]; None when it lies behind the source.

    The distance as told, where plausible; else by the definition of the point; else 15 cm from the
    isocentre toward the source.

    Parameters
    ----------
    table_top_y_mm : height of the table top in this event, room axis y [mm]; None: no table known

    References
    ----------
    DICOM PS3.16 CID 10025 Radiation Dose Reference Points.
    """
    least, most = _reference_range()
    told = event.source_to_reference_point_mm
    if told is not None and least <= told <= most:
        return told
    if told is not None:
        notes.event("reference-point", f"reference point told at {told:g} mm from the source not used")
    definition = _definition(event.reference_point)
    defined = _defined_distance(definition, distances, angles, table_top_y_mm)
    if definition in _TABLETOP and defined is not None and not least <= defined <= most:
        defined = None  # the axis meets the table far off, as a beam from the side does
    if defined is not None:
        return defined if defined > 0 else None
    if told is None:
        notes.event("reference-point", "reference point taken 15 cm from the isocentre, not told by distance")
    usual = distances.isocenter_mm - constants("consistency")["reference_point_from_isocenter"].number
    return usual if usual > 0 else None


def _defined_distance(
    definition: str | None, distances: Distances, angles: GantryAngles, table_top_y_mm: float | None
) -> float | None:
    table = constants("consistency")
    if definition == "15cm-from-isocenter":
        return distances.isocenter_mm - table["reference_point_from_isocenter"].number
    if definition == "30cm-from-detector":
        return distances.detector_mm - table["reference_point_from_detector"].number
    if definition == "100cm-from-source":
        return table["reference_point_from_source"].number
    if definition == "in-detector-plane":
        return distances.detector_mm
    if definition in _TABLETOP and table_top_y_mm is not None:
        above = constants("skin_placing")[_TABLETOP[definition]].number
        upright = cos(radians(angles.primary_deg)) * cos(radians(angles.secondary_deg))
        if upright > 0:  # the source is below the table; its height is SOD cos A cos S
            return distances.isocenter_mm - (table_top_y_mm - above) / upright
    return None


def field_at_detector_mm(
    event: IrradiationEvent, distances: Distances, *, reference_mm: float, notes: PlacingNotes
) -> tuple[float, float] | None:
    """Width and height of the collimated field at the detector [mm]; None when nothing tells them.

    As told; else the square of the area told; else the square of dose-area product over reference
    air kerma, which is the area at the reference point.
    """
    width, height, area = event.field_width_mm, event.field_height_mm, event.field_area_cm2
    most_mm, most_cm2 = _most_field()
    if width is not None and height is not None and 0 < width <= most_mm and 0 < height <= most_mm:
        return width, height
    if area is not None and 0 < area <= most_cm2:
        notes.event("field", "field square, of the area told,")
        side = sqrt(area * _MM2_PER_CM2)
        return side, side
    kerma, dap = event.reference_air_kerma_mgy, event.dose_area_product_gycm2
    if kerma and dap is not None and _is_positive(dap):
        mean_cm2 = dap / kerma * _CM2_PER_GYCM2_PER_MGY
        least, most = _field_range()
        if least <= mean_cm2 <= most:
            notes.event("field", "field square, from DAP over Ka,r,")
            side = sqrt(mean_cm2 * _MM2_PER_CM2) * distances.detector_mm / reference_mm
            return side, side
    return None


def is_fluoroscopy(event: IrradiationEvent) -> bool | None:
    """Whether the event is fluoroscopy; None where its type does not tell."""
    if event.type == "fluoroscopy":
        return True
    return False if event.type in ("stationary", "stepping", "rotational") else None


def _is_positive(number: float) -> bool:
    return isfinite(number) and number > 0


@cache
def _most_mm() -> float:
    return float(constants("implausible")["distance_source_to_detector"].high)


@cache
def _most_field() -> tuple[float, float]:
    """Largest side [mm] and area [cm2] of a field that can be."""
    table = constants("implausible")
    return float(table["collimated_field_width"].high), float(table["collimated_field_area"].high)


@cache
def _reference_range() -> tuple[float, float]:
    table = constants("skin_screening")
    return table["reference_distance_least"].number, table["reference_distance_most"].number


@cache
def _field_range() -> tuple[float, float]:
    table = constants("plausibility")
    return table["field_index_possible_least"].number, table["field_index_possible_most"].number


@cache
def _definitions() -> dict[str, str]:
    """Code, meaning and house word of each reference point definition -> house word."""
    found = {}
    for row in _reference_rows(rows("code_values")):
        word, code, meaning = row
        found.update({word: word, code: word, meaning.casefold(): word})
    return found


def _reference_rows(table: Iterable[dict[str, str]]) -> Iterable[tuple[str, str, str]]:
    for row in table:
        if row["set"] == "reference_point":
            yield row["word"], row["code"], row["name"]


def _definition(told: str | None) -> str | None:
    return None if told is None else _definitions().get(told.casefold())
