"""Directions and places of a skin dose: the gantry, the patient on the table, the room.

Room axes: origin at the isocentre, x to the left, y down and z to the head of a head-first supine
patient; x cross y = z. Angles: primary LAO > 0, secondary cranial > 0; the named side is where the
detector goes. Angles are always in the machine frame here.
"""

from __future__ import annotations

from typing import get_args

import numpy as np
from numpy.typing import ArrayLike

from dosetrack.errors import InputError
from dosetrack.skin.model import FloatArray
from dosetrack.skin.setup import Position

_ROOM_OF_PATIENT: dict[Position, tuple[tuple[int, int, int], ...]] = {
    # rows of Q in p_room = Q p_patient; supine and prone: turns about z and y
    "HFS": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "HFP": ((-1, 0, 0), (0, -1, 0), (0, 0, 1)),
    "FFS": ((-1, 0, 0), (0, 1, 0), (0, 0, -1)),
    "FFP": ((1, 0, 0), (0, -1, 0), (0, 0, -1)),
    # decubitus left: lying on the left side, so the patient's left (+x) points down (+y of the room)
    "HFDL": ((0, -1, 0), (1, 0, 0), (0, 0, 1)),
    "HFDR": ((0, 1, 0), (-1, 0, 0), (0, 0, 1)),
    "FFDL": ((0, 1, 0), (1, 0, 0), (0, 0, -1)),
    "FFDR": ((0, -1, 0), (-1, 0, 0), (0, 0, -1)),
}


def detector_direction(primary_deg: ArrayLike, secondary_deg: ArrayLike) -> FloatArray:
    """Unit vector from the isocentre to the detector, room axes, shape (..., 3).

    References
    ----------
    DICOM PS3.3 C.8.7.5 (positioner angles): +90 primary puts the detector at the patient's left,
    +90 secondary at the head (from memory).

    Examples
    --------
    >>> [round(float(x), 9) + 0.0 for x in detector_direction(90.0, 0.0)]
    [1.0, 0.0, 0.0]
    """
    a, s = np.radians(primary_deg), np.radians(secondary_deg)
    return np.stack(np.broadcast_arrays(np.sin(a) * np.cos(s), -np.cos(a) * np.cos(s), np.sin(s)), axis=-1)


def width_direction(primary_deg: ArrayLike, secondary_deg: ArrayLike) -> FloatArray:
    """Unit vector along the width of the detector, room axes, shape (..., 3)."""
    a, s = np.radians(primary_deg), np.radians(secondary_deg)
    return np.stack(np.broadcast_arrays(np.cos(a), np.sin(a), np.zeros_like(s)), axis=-1)


def height_direction(primary_deg: ArrayLike, secondary_deg: ArrayLike) -> FloatArray:
    """Unit vector along the height of the detector, room axes, shape (..., 3).

    Width cross height is the direction to the detector.
    """
    a, s = np.radians(primary_deg), np.radians(secondary_deg)
    return np.stack(np.broadcast_arrays(-np.sin(a) * np.sin(s), np.cos(a) * np.sin(s), np.cos(s)), axis=-1)


def source_point(
    primary_deg: ArrayLike, secondary_deg: ArrayLike, *, source_to_isocenter_mm: ArrayLike
) -> FloatArray:
    """Focal spot, room axes, shape (..., 3) [mm].

    Examples
    --------
    At angles 0 the source is under the table, so that the beam enters the back:

    >>> [round(float(x), 9) + 0.0 for x in source_point(0.0, 0.0, source_to_isocenter_mm=750.0)]
    [0.0, 750.0, 0.0]
    """
    distance = np.asarray(source_to_isocenter_mm, dtype=np.float64)[..., np.newaxis]
    return -distance * detector_direction(primary_deg, secondary_deg)


def room_of_patient(position: Position) -> FloatArray:
    """Rotation Q of a position word, shape (3, 3): p_room = Q p_patient + table displacement.

    A decubitus word names the side the patient lies on.

    References
    ----------
    DICOM PS3.3 C.7.3.1.1.2 (patient position; from memory).

    Examples
    --------
    >>> room_of_patient("HFP").diagonal().tolist()
    [-1.0, -1.0, 1.0]
    """
    if position not in _ROOM_OF_PATIENT:
        raise InputError(field="position", given=position, accepted=", ".join(get_args(Position)))
    return np.array(_ROOM_OF_PATIENT[position], dtype=np.float64)


def to_table_frame(vectors: FloatArray, position: Position) -> FloatArray:
    """Points or directions of the patient frame in room axes that move with the table, shape (n, 3).

    Patient and table top move together, so neither moves in these axes; only the source does.
    """
    return vectors @ room_of_patient(position).T
