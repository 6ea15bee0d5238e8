"""What the parts of a skin dose map hand to each other: surface, placed beams, map, peak.

Frames. Body frame: x to the patient's left, y to the back, z to the head; origin on the midline, at
the skin that lies on the pad (y = 0) and at the soles (z = 0). Patient frame: same directions, origin
at the isocentre while the table has not moved. Room frame: `beam.Beam`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dosetrack.findings import Finding
from dosetrack.skin.beam import Beam, Point, TableTop
from dosetrack.skin.setup import Position

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Assumption:
    """One thing taken for granted because it was not known.

    key : stable name, such as 'table-transmission', 'patient-size', 'field', 'table-axes'
    text : a plain sentence part, 'table and pad transmit 0.8 (not measured on this system)'
    share : part of the events it was made for, 0 to 1
    """

    key: str
    text: str
    share: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """The skin as small patches.

    kind : 'body', or 'sheet' at pad height where size or position is not known
    points_mm, normals : centre and outward unit normal of each patch, shape (n, 3), body frame [mm]
    area_mm2 : of each patch, shape (n,)
    part : index into `parts` of each patch, shape (n,)
    parts : 'trunk', 'head', 'left arm' ..., each convex
    unrolled_mm : place on the flat map, shape (n, 2): across (0 at the middle of the back, positive
        to the patient's left as going round) and along z [mm]
    triangles : corners of the mesh as indices into `points_mm`, shape (m, 3)
    """

    kind: str
    points_mm: FloatArray
    normals: FloatArray
    area_mm2: FloatArray
    part: IntArray
    parts: tuple[str, ...]
    unrolled_mm: FloatArray
    triangles: IntArray
    height_mm: float
    assumed: tuple[Assumption, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class PlacedBeam:
    """One event as a beam. is_fluoroscopy: None where the event's type does not tell."""

    beam: Beam
    uid: str | None
    plane: str
    is_fluoroscopy: bool | None
    started_at: str | None


@dataclass(frozen=True, slots=True)
class NotMapped:
    """An event that could not be placed; its air kerma [mGy] and the reason in words."""

    uid: str | None
    reference_air_kerma_mgy: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class PlacedCase:
    """All beams of one case in one room.

    beams : in time order; only those with air kerma above 0
    origin_mm : body frame point that lies at the isocentre while the table has not moved [mm];
        patient frame = body frame - origin_mm
    mapped_fraction : share of the air kerma that could be placed, None when there is none at all
    is_table_known : whether table movement is known within the case
    zero_dose_events : events with an air kerma of 0, which need no place
    """

    beams: tuple[PlacedBeam, ...]
    not_mapped: tuple[NotMapped, ...]
    table: TableTop | None
    position: Position
    origin_mm: Point
    mapped_fraction: float | None
    is_table_known: bool
    assumed: tuple[Assumption, ...] = ()
    findings: tuple[Finding, ...] = ()
    zero_dose_events: int = 0


@dataclass(frozen=True, slots=True)
class EventShare:
    """What one event gave to the peak patch [mGy]."""

    uid: str | None
    peak_contribution_mgy: float


@dataclass(frozen=True, slots=True)
class DoseBand:
    """Area of skin with a dose of at least `from_mgy` and below `to_mgy` (None: no upper end)."""

    from_mgy: float
    to_mgy: float | None
    area_cm2: float


@dataclass(frozen=True, slots=True)
class Influence:
    """How far the peak moves over the likely range of one input; the largest first in a list.

    low_mgy, high_mgy : the peak with the input at either end [mGy]
    """

    key: str
    text: str
    low_mgy: float
    high_mgy: float


@dataclass(frozen=True, slots=True)
class Doubt:
    """One part of the doubt about the peak.

    key : stable name, such as 'meter', 'table', 'position'
    text : what it is and why it has this size, in words
    percent : standard uncertainty (k = 1) of the peak from this part alone [%]
    """

    key: str
    text: str
    percent: float


@dataclass(frozen=True, slots=True, eq=False)
class SkinMap:
    """Absorbed dose to the skin of one case or several, with what stands behind it.

    dose_mgy : shape (n,), one number for each patch of `surface`
    peak_index : patch of the peak, None when nothing was placed
    peak_mgy, low_mgy, high_mgy : the peak and its range, coverage factor 2; None when nothing was placed
    peak_site : in words, 'back, right of midline, at the level of the lumbar spine'
    by_event : in the order given; an event of several beams stands once; the sum is the peak
    growth : (started_at, peak so far of the whole map, dose of the final peak patch) after each event,
        or after several where a case has very many
    bound_mgy : the peak if all air kerma that could not be placed had met the peak patch; None when
        all was placed or nothing was
    doubts : what the range is made of, the largest first
    """

    surface: Surface
    cases: tuple[PlacedCase, ...]
    dose_mgy: FloatArray
    peak_index: int | None
    peak_mgy: float | None
    low_mgy: float | None
    high_mgy: float | None
    peak_site: str | None
    bands: tuple[DoseBand, ...]
    by_event: tuple[EventShare, ...]
    fluoroscopy_share: float | None
    growth: tuple[tuple[str | None, float, float], ...]
    influences: tuple[Influence, ...]
    mapped_fraction: float | None
    medium: str
    assumed: tuple[Assumption, ...]
    findings: tuple[Finding, ...]
    bound_mgy: float | None = None
    doubts: tuple[Doubt, ...] = ()
