"""Where the body and the table top lie against the isocentre while the table has not moved."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dosetrack.skin.beam import Point, TableTop
from dosetrack.skin.body import pad_contact, pad_direction
from dosetrack.skin.frames import room_of_patient
from dosetrack.skin.model import FloatArray, Surface
from dosetrack.skin.places import landmark
from dosetrack.skin.placing_notes import PlacingNotes
from dosetrack.skin.setup import BodyRegion, PatientSetup, Position, SystemSetup
from dosetrack.tables import constants


@dataclass(frozen=True, slots=True)
class BodyOnTable:
    """The table top, and the body frame point at the isocentre, at zero displacement [mm]."""

    origin_mm: Point
    table: TableTop


def body_on_table(
    *,
    surface: Surface,
    system: SystemSetup,
    patient: PatientSetup,
    position: Position,
    pad_top_y_mm: float | None,
    notes: PlacingNotes,
) -> BodyOnTable:
    """The body with its region at the isocentre, on the pad, moved by the shift of the setup.

    Parameters
    ----------
    pad_top_y_mm : height of the patient's side of the pad at zero displacement, room axis y, down
        positive [mm]; None: not known, the isocentre is taken at mid-depth of the body

    References
    ----------
    DICOM PS3.17 FFF.1.3: half the thickness of the patient is the default height above the table.
    """
    region = _region(patient, notes)
    height_mm = _height_mm(surface)
    down = np.array(pad_direction(position))
    on_pad = float(np.array(pad_contact(surface, position)) @ down)
    origin = np.array(landmark(region, height_mm, surface))
    if pad_top_y_mm is None:
        notes.case(
            "position",
            f"the {region} lay at the isocentre at the first event, at mid-depth of the body; "
            "the height of the table over the isocentre is not known",
        )
    else:
        notes.case("table-anchor", f"the {region} lay at the isocentre at the first event")
        origin += (on_pad - pad_top_y_mm - float(origin @ down)) * down
    origin -= np.asarray(patient.shift_mm, dtype=np.float64)
    skin_y = on_pad - float(origin @ down)
    x, y, z = (float(number) for number in origin)
    return BodyOnTable(
        origin_mm=(x, y, z),
        table=_table_top(
            system,
            skin_y,
            _ends(room_of_patient(position), origin, height_mm),
            notes,
            known_top_y_mm=pad_top_y_mm,
        ),
    )


def pad_mm(system: SystemSetup) -> float:
    """Thickness of the pad under the patient [mm]; the usual one where the setup has none."""
    return constants("skin_placing")["pad"].number if system.pad_mm is None else system.pad_mm


def _table_top(
    system: SystemSetup,
    skin_y_mm: float,
    ends_mm: tuple[float, float],
    notes: PlacingNotes,
    *,
    known_top_y_mm: float | None,
) -> TableTop:
    table = constants("skin_placing")
    half_width, length = system.table_half_width_mm, system.table_length_mm
    if half_width is None or length is None or system.pad_mm is None:
        notes.case("table-size", "size of the table top and pad as usual, not told for this system")
    half_width = table["table_half_width"].number if half_width is None else half_width
    length = table["table_length"].number if length is None else length
    transmission = system.table_transmission
    if transmission is None:
        transmission = constants("skin_screening")["table_transmission"].number
    if not system.is_transmission_measured:
        notes.case(
            "table-transmission", f"table and pad transmit {transmission:g} (not measured on this system)"
        )
    # the body never sinks through the pad, wherever it was shifted to
    pad_y = skin_y_mm if known_top_y_mm is None else max(skin_y_mm, known_top_y_mm)
    beyond = table["table_beyond_body"].number
    feet_end, head_end = ends_mm[0] - beyond, ends_mm[1] + beyond
    return TableTop(
        top_y_mm=pad_y + pad_mm(system),
        half_width_mm=half_width,
        z_min_mm=min(feet_end, head_end - length),
        z_max_mm=head_end,
        transmission=transmission,
    )


def _region(patient: PatientSetup, notes: PlacingNotes) -> BodyRegion:
    if patient.region is not None:
        if patient.is_region_from_name:
            notes.case("region", f"region {patient.region}, from the name of the procedure")
        return patient.region
    notes.case("region", "region not told, the chest taken")
    return "chest"


def _height_mm(surface: Surface) -> float:
    if np.isfinite(surface.height_mm) and surface.height_mm > 0:
        return surface.height_mm
    return float(np.ptp(surface.points_mm[:, 2]))


def _ends(q: FloatArray, origin: FloatArray, height_mm: float) -> tuple[float, float]:
    """Room z of the ends of the body, the lower first [mm]."""
    soles, top = (float(q[2] @ (np.array([0.0, 0.0, z]) - origin)) for z in (0.0, height_mm))
    return min(soles, top), max(soles, top)
