"""What is known of the system and of the patient on its table, beyond the events themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from dosetrack.errors import InputError
from dosetrack.skin.beam import Point

RoomAxis = Literal["+x", "-x", "+y", "-y", "+z", "-z"]
"""A direction of the room, axes of a head-first supine patient: x left, y down, z head."""
AngleFrame = Literal["patient", "machine"]
Position = Literal["HFS", "HFP", "FFS", "FFP", "HFDL", "HFDR", "FFDL", "FFDR"]
Arms = Literal["beside", "raised", "unknown"]
BodyRegion = Literal["head", "neck", "chest", "abdomen", "pelvis", "legs"]


@dataclass(frozen=True, slots=True)
class TableAxes:
    """Which way each table reading grows in the room, and whether that was tried on this system.

    The wording of the standard and the everyday meaning of longitudinal and lateral differ
    (PS3.3 C.8.7.5 against common practice); so this is a dated setting of each system.
    """

    longitudinal: RoomAxis = "+z"
    lateral: RoomAxis = "+x"
    height: RoomAxis = "+y"
    is_verified: bool = False

    def __post_init__(self) -> None:
        given = (self.longitudinal, self.lateral, self.height)
        if sorted(axis[1:] for axis in given) != ["x", "y", "z"]:
            raise InputError(
                field="table axes",
                given=" ".join(given),
                accepted="x, y and z once each for the longitudinal, lateral and height reading",
            )


@dataclass(frozen=True, slots=True)
class SystemSetup:
    """One x-ray system as the site's settings describe it.

    angle_frame : 'patient' where the system turns its angles with the patient's position as the
        standard asks, 'machine' where it always reports them as for head-first supine
    calibration_factor : true over displayed air kerma by plane; a plane left out: not calibrated, 1
    table_transmission : of table and pad at a right angle
    is_transmission_measured : on this system, not the published default
    table_half_width_mm, table_length_mm, pad_mm : of the table top [mm]
    isocentre_height_mm : table height reading with the pad top at the isocentre; None: not measured [mm]
    """

    table_axes: TableAxes = TableAxes()
    angle_frame: AngleFrame = "patient"
    calibration_factor: tuple[tuple[str, float], ...] = ()
    table_transmission: float | None = None
    is_transmission_measured: bool = False
    table_half_width_mm: float | None = None
    table_length_mm: float | None = None
    pad_mm: float | None = None
    isocentre_height_mm: float | None = None


@dataclass(frozen=True, slots=True)
class PatientSetup:
    """The patient on the table.

    position : None: as the events tell it, else head-first supine, assumed
    region : what lies at the isocentre at the anchor; None: the chest, assumed
    is_region_from_name : nobody told the region; it was taken from the procedure's name
    shift_mm : moves the body from where it was assumed to lie, patient axes x left, y back, z head [mm]
    """

    height_cm: float | None = None
    weight_kg: float | None = None
    sex: str | None = None
    position: Position | None = None
    region: BodyRegion | None = None
    is_region_from_name: bool = False
    arms: Arms = "unknown"
    shift_mm: Point = (0.0, 0.0, 0.0)
