"""One x-ray beam and the table top it may cross: the input of every skin dose."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from dosetrack.errors import InputError

Point = tuple[float, float, float]
"""x, y, z [mm]."""


@dataclass(frozen=True, slots=True)
class Beam:
    """One irradiation with the gantry, the table and the patient where they were.

    reference_air_kerma_mgy : at the reference point, free in air, as displayed [mGy]
    source_to_isocenter_mm, source_to_detector_mm : from the focal spot [mm]
    field_width_mm, field_height_mm : collimated field at the detector plane [mm]
    primary_angle_deg, secondary_angle_deg : LAO > 0, cranial > 0, always in the machine frame [deg]
    primary_end_angle_deg, secondary_end_angle_deg : an arc is swept evenly from the start to the
        end exactly as given, never wrapped; None: no arc [deg]
    source_to_reference_point_mm : None: isocentre distance - 150 mm [mm]
    table_offset_mm : displacement of patient and table in room axes, x left, y down, z head of a
        head-first supine patient [mm]
    backscatter, medium_ratio : None: from the tables by beam quality and field at the skin
    kvp, al_mm, cu_mm : tube voltage [kV] and total filtration [mm]; None: 80 kV, 3 mm Al, no copper
    calibration_factor : true over displayed air kerma
    """

    reference_air_kerma_mgy: float
    source_to_isocenter_mm: float
    source_to_detector_mm: float
    field_width_mm: float
    field_height_mm: float
    primary_angle_deg: float = 0.0
    secondary_angle_deg: float = 0.0
    primary_end_angle_deg: float | None = None
    secondary_end_angle_deg: float | None = None
    source_to_reference_point_mm: float | None = None
    table_offset_mm: Point = (0.0, 0.0, 0.0)
    backscatter: float | None = None
    medium_ratio: float | None = None
    kvp: float | None = None
    al_mm: float | None = None
    cu_mm: float | None = None
    calibration_factor: float = 1.0

    def __post_init__(self) -> None:
        for name in ("source_to_isocenter_mm", "source_to_detector_mm", "field_width_mm", "field_height_mm"):
            _positive(name, getattr(self, name))
        for name in (
            "source_to_reference_point_mm",
            "backscatter",
            "medium_ratio",
            "kvp",
            "calibration_factor",
        ):
            if getattr(self, name) is not None:
                _positive(name, getattr(self, name))
        for name in ("reference_air_kerma_mgy", "al_mm", "cu_mm"):
            if getattr(self, name) is not None:
                _not_negative(name, getattr(self, name))
        for name in (
            "primary_angle_deg",
            "secondary_angle_deg",
            "primary_end_angle_deg",
            "secondary_end_angle_deg",
        ):
            if getattr(self, name) is not None:
                _finite(name, getattr(self, name))
        for number in self.table_offset_mm:
            _finite("table_offset_mm", number)


@dataclass(frozen=True, slots=True)
class TableTop:
    """A level table top in the room at zero displacement; it moves with `Beam.table_offset_mm`.

    top_y_mm : height of the plane the rays are tested against, room axis y, down positive [mm]
    half_width_mm : from the midline to each side [mm]
    z_min_mm, z_max_mm : feet end and head end, room axis z [mm]
    transmission : of a ray that crosses it at a right angle, above 0 to 1
    """

    top_y_mm: float
    half_width_mm: float
    z_min_mm: float
    z_max_mm: float
    transmission: float

    def __post_init__(self) -> None:
        for name in ("top_y_mm", "z_min_mm", "z_max_mm"):
            _finite(name, getattr(self, name))
        _positive("half_width_mm", self.half_width_mm)
        if self.z_min_mm >= self.z_max_mm:
            raise InputError(
                field="z_min_mm", given=f"{self.z_min_mm:g}", accepted=f"below z_max_mm, {self.z_max_mm:g}"
            )
        if not 0 < self.transmission <= 1:
            raise InputError(
                field="transmission", given=f"{self.transmission:g}", accepted="above 0, at most 1"
            )


def _finite(name: str, number: float) -> None:
    if not isfinite(number):
        raise InputError(field=name, given=str(number), accepted="a finite number")


def _positive(name: str, number: float) -> None:
    if not (isfinite(number) and number > 0):
        raise InputError(field=name, given=str(number), accepted="a number above 0")


def _not_negative(name: str, number: float) -> None:
    if not (isfinite(number) and number >= 0):
        raise InputError(field=name, given=str(number), accepted="a number of at least 0")
