"""The dose of one event at the peak, one factor after the other, as a physicist would check it by hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dosetrack.skin.at_peak import at_peak
from dosetrack.skin.beam import Beam
from dosetrack.skin.contributions import largest_events
from dosetrack.skin.factors import (
    backscatter_and_medium,
    calibrated_air_kerma_mgy,
    equivalent_square,
    field_at_skin_mm,
    inverse_square,
)
from dosetrack.skin.kernel import contributions
from dosetrack.skin.quality import check_medium, field_factors
from dosetrack.skin.still_beams import reference_distance_mm

if TYPE_CHECKING:
    from dosetrack.skin.model import PlacedBeam, PlacedCase, SkinMap

_MOST_LOOKED_AT = 20
_MM_PER_CM = 10.0


@dataclass(frozen=True, slots=True)
class WorkedFactors:
    """One event at the peak patch.

    source_to_skin_mm, source_to_reference_mm : straight lines from the focal spot [mm]
    table_path : path through the table over its thickness; 0: the ray misses it
    side_cm : equivalent square field at the skin [cm]
    product_mgy : of all factors; map_mgy : what the map holds for this event [mGy]
    """

    placed: PlacedBeam
    calibrated_mgy: float
    source_to_reference_mm: float
    source_to_skin_mm: float
    inverse_square: float
    transmission: float | None
    table_path: float
    table_factor: float
    side_cm: float
    backscatter_medium: float
    product_mgy: float
    map_mgy: float


def worked_factors(skin_map: SkinMap) -> WorkedFactors | None:
    """The factors of the still event that gave most to the peak; None where there is none."""
    if skin_map.peak_index is None:
        return None
    largest, _ = largest_events(skin_map, _MOST_LOOKED_AT)
    for given in largest:
        beam = given.placed.beam
        if beam.primary_end_angle_deg is not None or beam.secondary_end_angle_deg is not None:
            continue
        for case in skin_map.cases:
            if any(one is given.placed for one in case.beams):
                return _worked(skin_map, case, given.placed)
    return None


def _worked(skin_map: SkinMap, case: PlacedCase, placed: PlacedBeam) -> WorkedFactors:
    index = skin_map.peak_index
    assert index is not None
    point, normal = skin_map.surface.points_mm[index], skin_map.surface.normals[index]
    beam = placed.beam
    alone = _alone(case, placed)
    medium = check_medium(skin_map.medium)
    here = contributions(
        [beam], point - np.asarray(case.origin_mm), normal, case.table, case.position, medium=medium
    )
    met = at_peak(alone, here, point, normal)
    distance, path = float(met.distance_mm[0]), float(met.table_path[0])
    reference = reference_distance_mm(beam)
    side = _side_cm(beam, distance)
    transmission = case.table.transmission if case.table is not None else None
    through = 1.0 if transmission is None else transmission**path
    kerma = calibrated_air_kerma_mgy(beam.reference_air_kerma_mgy, calibration_factor=beam.calibration_factor)
    square = inverse_square(source_to_reference_mm=reference, source_to_skin_mm=distance)
    skin = backscatter_and_medium(field_factors(beam, medium=medium), side_cm=side)
    return WorkedFactors(
        placed=placed,
        calibrated_mgy=kerma,
        source_to_reference_mm=reference,
        source_to_skin_mm=distance,
        inverse_square=square,
        transmission=transmission,
        table_path=path,
        table_factor=through,
        side_cm=side,
        backscatter_medium=skin,
        product_mgy=kerma * square * through * skin,
        map_mgy=float(here[0]),
    )


def _alone(case: PlacedCase, placed: PlacedBeam) -> PlacedCase:
    from dataclasses import replace

    return replace(case, beams=(placed,))


def _side_cm(beam: Beam, distance_mm: float) -> float:
    width, height = (
        field_at_skin_mm(
            field_mm=field, source_to_detector_mm=beam.source_to_detector_mm, source_to_skin_mm=distance_mm
        )
        for field in (beam.field_width_mm, beam.field_height_mm)
    )
    return equivalent_square(width=width, height=height) / _MM_PER_CM
