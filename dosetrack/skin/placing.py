"""The irradiation events of a case as beams placed on a patient: the input of the skin dose map.

Whatever an event lacks is taken for granted by a stated assumption, or the event is not mapped and
says why; its air kerma is then still counted. Keys of the assumptions made here:

position : the region of interest lay at the isocentre, at mid-depth; table height not known
table-anchor : as `position`, but the table height over the isocentre is known
region : which part of the body lay at the isocentre
patient-position : how the patient lay (head first, supine ...)
patient-turned : the patient was turned head for feet within the case
angle-frame : angles are relative to the patient, or to the machine; for other than head first supine
angles : a gantry angle that is missing
arc-direction : which way an arc of more than half a turn went
source-to-isocenter, source-to-detector : a distance that is missing
reference-point : where the air kerma is told for
field : field size from its area or from DAP over Ka,r
field-centred : collimated fields lie on the axis of the beam
column-angulation : the beam stands at right angles to the detector
table-axes : directions of the table readings
table-movement : the table did not move, or not in one direction
table-position : a table reading missing in some events
table-size : size of the table top and thickness of the pad
table-transmission : of table and pad
calibration : the air kerma meter of a plane has no factor
arms : the arms are not in the beam
Those of the beam quality are in `filtration`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from math import cos, fsum, isfinite, radians
from typing import TypedDict

from dosetrack.findings import Finding
from dosetrack.records.report import Filter, IrradiationEvent
from dosetrack.skin.beam import Beam, Point
from dosetrack.skin.beam_of_event import (
    Refusal,
    UsualDistances,
    distances_of,
    field_at_detector_mm,
    is_fluoroscopy,
    reference_distance_mm,
)
from dosetrack.skin.body_on_table import BodyOnTable, body_on_table, pad_mm
from dosetrack.skin.filtration import Filtration, filter_findings, filtration_of
from dosetrack.skin.gantry_angles import (
    GantryAngles,
    angles_as_told,
    in_machine_frame,
    turned_end_for_end,
)
from dosetrack.skin.model import NotMapped, PlacedBeam, PlacedCase, Surface
from dosetrack.skin.patient_position import PatientPositions
from dosetrack.skin.placing_findings import arms_finding, refusal_findings, said_once, usable_kerma_mgy
from dosetrack.skin.placing_notes import PlacingNotes
from dosetrack.skin.setup import PatientSetup, SystemSetup
from dosetrack.skin.table_movement import along, shares_of_way, table_track
from dosetrack.tables import constants

_ARM_REGIONS = ("chest", "abdomen", "pelvis", None)


def placed_case(
    events: Sequence[IrradiationEvent],
    *,
    system: SystemSetup,
    patient: PatientSetup,
    surface: Surface,
) -> PlacedCase:
    """The events of one case in one room as beams on the body of `surface`.

    Parameters
    ----------
    events : of all planes, each once, with readings and angles as sent
    system : axes, angle frame, calibration and table of the room
    patient : how the patient lay, as far as a person told; else as the events tell
    surface : the body, in its body frame

    Returns
    -------
    Beams in time order, in the machine frame, with the displayed air kerma and the factor of its
    meter beside it. The table has its zero displacement at the first event. An event with a moving
    table gives several beams of the same uid.

    Notes
    -----
    For a case that is running: call it again with the events so far (some 30 ms per 1000) and add
    what `beams_added` returns to the running sum. Nothing is kept between the calls, because a later
    event may change how the earlier ones are read: a majority, a usual distance, a table that
    turns out to stand at zero throughout.
    """
    return _Placing(_in_time_order(events), system, patient, surface).case()


def beams_added(before: PlacedCase, after: PlacedCase) -> tuple[PlacedBeam, ...] | None:
    """The beams of `after` that `before` does not hold; None when earlier ones lie elsewhere now.

    With None the map has to be computed anew.
    """
    same = (before.table, before.position, before.origin_mm) == (after.table, after.position, after.origin_mm)
    held = len(before.beams)
    return after.beams[held:] if same and after.beams[:held] == before.beams else None


class _Placing:
    """One pass over the events of a case."""

    def __init__(
        self,
        events: Sequence[IrradiationEvent],
        system: SystemSetup,
        patient: PatientSetup,
        surface: Surface,
    ) -> None:
        self._events = events
        self._system = system
        self._patient = patient
        self._notes = PlacingNotes()
        self._usual = UsualDistances(events)
        self._beams: list[PlacedBeam] = []
        self._refused: list[tuple[IrradiationEvent, Refusal]] = []
        self._steep_mgy: list[float] = []
        self._filtrations: dict[tuple[Filter, ...], Filtration] = {}
        self._positions = PatientPositions(events, set_by_hand=patient.position, notes=self._notes)
        self._angles = self._machine_angles()
        self._track = table_track(events, system.table_axes, self._notes)
        self._anchors = self._first_by_turn()
        self._body: BodyOnTable = body_on_table(
            surface=surface,
            system=system,
            patient=patient,
            position=self._positions.main,
            pad_top_y_mm=self._pad_top_y_mm(),
            notes=self._notes,
        )

    def case(self) -> PlacedCase:
        """The case with everything placed."""
        zero = 0
        for row, event in enumerate(self._events):
            if event.reference_air_kerma_mgy == 0 and not _is_dose_told_elsewhere(event):
                zero += 1
                continue
            refusal = self._place(row, event)
            if refusal is not None:
                self._refused.append((event, refusal))
        not_mapped = tuple(
            NotMapped(event.uid, usable_kerma_mgy(event) or None, refusal.reason)
            for event, refusal in self._refused
        )
        mapped = fsum(placed.beam.reference_air_kerma_mgy for placed in self._beams)
        whole = mapped + fsum(one.reference_air_kerma_mgy or 0.0 for one in not_mapped)
        if self._beams:
            self._notes.case("field-centred", "collimated fields lie on the axis of the beam")
        return PlacedCase(
            beams=tuple(self._beams),
            not_mapped=not_mapped,
            table=self._body.table,
            position=self._positions.main,
            origin_mm=self._body.origin_mm,
            mapped_fraction=mapped / whole if whole > 0 else None,
            is_table_known=self._track.is_known,
            findings=said_once(self._findings()),
            assumed=self._notes.assumptions(events=len(self._events)),
            zero_dose_events=zero,
        )

    def _place(self, row: int, event: IrradiationEvent) -> Refusal | None:
        """Add the beams of one event; or why it has none."""
        refusal = self._refusal_at_sight(row, event)
        if refusal is not None:
            return refusal
        angles = self._angles[row]
        if angles is None:
            return Refusal("gantry angles not told")
        distances = distances_of(event, self._usual, self._notes)
        if isinstance(distances, Refusal):
            return distances
        start, end = self._displacement(row)
        reference = reference_distance_mm(
            event, distances, angles, table_top_y_mm=self._body.table.top_y_mm + start[1], notes=self._notes
        )
        if reference is None:
            return Refusal("the reference point lies behind the source", is_impossible=True)
        field = field_at_detector_mm(event, distances, reference_mm=reference, notes=self._notes)
        if field is None:
            return Refusal("field size not told")
        beam = Beam(
            reference_air_kerma_mgy=usable_kerma_mgy(event),
            source_to_isocenter_mm=distances.isocenter_mm,
            source_to_detector_mm=distances.detector_mm,
            field_width_mm=field[0],
            field_height_mm=field[1],
            primary_angle_deg=angles.primary_deg,
            secondary_angle_deg=angles.secondary_deg,
            primary_end_angle_deg=angles.primary_end_deg,
            secondary_end_angle_deg=angles.secondary_end_deg,
            source_to_reference_point_mm=reference,
            table_offset_mm=start,
            kvp=_positive(event.kvp),
            calibration_factor=self._factor(event.plane or "single"),
            **self._filtration(event),
        )
        self._look_at(event, angles)
        kind, plane = is_fluoroscopy(event), event.plane or "single"
        self._beams += (
            PlacedBeam(part, event.uid, plane, kind, event.started_at)
            for part in _parts(beam, angles, start, end)
        )
        return None

    def _refusal_at_sight(self, row: int, event: IrradiationEvent) -> Refusal | None:
        kerma = event.reference_air_kerma_mgy
        if kerma is None:
            return Refusal("air kerma not told")
        if kerma == 0:
            return Refusal("air kerma told as 0 with dose-area product above 0")
        if not (isfinite(kerma) and kerma > 0):
            return Refusal(f"air kerma of {kerma:g} mGy cannot be", is_impossible=True)
        for name, angle in (
            ("rotated", event.table_rotation_deg),
            ("tilted", event.table_head_tilt_deg),
            ("tilted sideways", event.table_cradle_tilt_deg),
        ):
            if angle and not abs(angle) <= constants("skin_placing")["table_turned_least"].number:
                return Refusal(f"table {name}, and its pivot is not known for this system")
        lay = self._positions.other_side(row)
        if lay is not None:
            return Refusal(f"the patient lay {lay}, {self._positions.main} in most of the case")
        return None

    def _filtration(self, event: IrradiationEvent) -> _Filters:
        found = self._filtrations.get(event.filters)
        if found is None:
            found = self._filtrations[event.filters] = filtration_of(event)
        for assumed in found.assumed:
            self._notes.event(assumed.key, assumed.text)
        return {"al_mm": found.al_mm, "cu_mm": found.cu_mm}

    def _machine_angles(self) -> list[GantryAngles | None]:
        """Angles of each event as the machine stands, turned for an event told head for feet."""
        told = angles_as_told(self._events, self._notes)
        frame, main = self._system.angle_frame, self._positions.main
        if main != "HFS" or any(self._positions.is_turned):
            self._notes.case("angle-frame", f"angles are relative to the {frame}")
        if frame == "patient":
            told = [
                None if angles is None else in_machine_frame(angles, lay or main)
                for angles, lay in zip(told, self._positions.told, strict=True)
            ]
        return [
            turned_end_for_end(angles) if is_turned and angles is not None else angles
            for angles, is_turned in zip(told, self._positions.is_turned, strict=True)
        ]

    def _first_by_turn(self) -> dict[bool, Point]:
        """Table readings at the first event of each way round the patient lay, in room axes [mm]."""
        anchors: dict[bool, Point] = {}
        for is_turned, start in zip(self._positions.is_turned, self._track.start_mm, strict=True):
            anchors.setdefault(is_turned, start)
        return anchors

    def _displacement(self, row: int) -> tuple[Point, Point]:
        """Of table and patient since the anchor, at the start and the end of an event [mm].

        While the patient lies head for feet the room is seen half a turn round the vertical, and the
        anchor is the first event lying so; the height is counted on.
        """
        start, end = self._track.start_mm[row], self._track.end_mm[row]
        is_turned = self._positions.is_turned[row]
        x0, _, z0 = self._anchors[is_turned]
        y0 = self._track.start_mm[0][1]
        sign = -1.0 if is_turned else 1.0
        first = (sign * (start[0] - x0), start[1] - y0, sign * (start[2] - z0))
        if end == start:
            return first, first
        return first, (sign * (end[0] - x0), end[1] - y0, sign * (end[2] - z0))

    def _pad_top_y_mm(self) -> float | None:
        """Patient's side of the pad at zero displacement, room axis y [mm]; None: not known."""
        if not self._events:
            return None
        track, axis = self._track, self._system.table_axes.height
        reading = track.start_mm[0][1]
        if track.is_from_isocentre:
            return reading - pad_mm(self._system)
        measured = self._system.isocentre_height_mm
        if measured is not None and axis[1] == "y" and track.is_height_known:
            return reading - (measured if axis[0] == "+" else -measured)
        return self._pad_from_source(reading)

    def _pad_from_source(self, anchor_y_mm: float) -> float | None:
        """The same from the distance source to table of an upright beam."""
        upright = cos(radians(constants("skin_placing")["upright_within"].number))
        for row, event in enumerate(self._events):
            angles, told = self._angles[row], _positive(event.source_to_table_mm)
            isocenter = _positive(event.source_to_isocenter_mm)
            if angles is None or told is None or isocenter is None:
                continue
            cosine = cos(radians(angles.primary_deg)) * cos(radians(angles.secondary_deg))
            if cosine >= upright:
                moved = self._track.start_mm[row][1] - anchor_y_mm
                return isocenter * cosine - told - moved - pad_mm(self._system)
        return None

    def _factor(self, plane: str) -> float:
        for name, factor in self._system.calibration_factor:
            if name == plane:
                return factor
        of_plane = "" if plane == "single" else f" of plane {plane}"
        self._notes.case("calibration", f"air kerma meter{of_plane} not calibrated, factor 1")
        return 1.0

    def _look_at(self, event: IrradiationEvent, angles: GantryAngles) -> None:
        """Note what a beam that was placed does not show."""
        column = event.column_angulation_deg
        if column and not abs(column) <= constants("skin_placing")["column_angulation_least"].number:
            # PS3.3 (0018,1450): the angle of the beam to the normal of the detector
            self._notes.event(
                "column-angulation", "beam at right angles to the detector though told otherwise"
            )
        if _is_steep(angles):
            self._steep_mgy.append(usable_kerma_mgy(event))

    def _findings(self) -> Iterator[Finding]:
        yield from self._positions.findings
        yield from self._track.findings
        yield from refusal_findings(self._refused, events=len(self._events))
        if self._steep_mgy and self._patient.arms == "unknown" and self._patient.region in _ARM_REGIONS:
            self._notes.case("arms", "the arms are not in steep beams (not told how they lay)")
            yield arms_finding(self._steep_mgy)
        for event in self._events:
            if event.filters:
                yield from filter_findings(event)


class _Filters(TypedDict):
    al_mm: float
    cu_mm: float


def _parts(beam: Beam, angles: GantryAngles, start: Point, end: Point) -> Iterator[Beam]:
    """The beam, or equal parts of it along the way of a moving table."""
    if start == end:
        yield beam
        return
    shares = shares_of_way(start, end)
    kerma = beam.reference_air_kerma_mgy / (len(shares) - 1)
    for first, last in pairwise(shares):
        part = angles.between(start=first, end=last)
        yield replace(
            beam,
            reference_air_kerma_mgy=kerma,
            primary_angle_deg=part.primary_deg,
            secondary_angle_deg=part.secondary_deg,
            primary_end_angle_deg=part.primary_end_deg,
            secondary_end_angle_deg=part.secondary_end_deg,
            table_offset_mm=along(start, end, (first + last) / 2),
        )


def _in_time_order(events: Sequence[IrradiationEvent]) -> tuple[IrradiationEvent, ...]:
    """By the time they started, where every event tells it; else as they came."""
    try:
        moments = [datetime.fromisoformat(event.started_at or "") for event in events]
        order = sorted(range(len(moments)), key=moments.__getitem__)
    except (ValueError, TypeError):  # a vague time; or some with and some without an offset
        return tuple(events)
    return tuple(events[row] for row in order)


def _is_dose_told_elsewhere(event: IrradiationEvent) -> bool:
    """Whether an air kerma of 0 contradicts the dose-area product; a faint event may round to 0."""
    dap = event.dose_area_product_gycm2
    return dap is not None and dap > constants("consistency")["zero_kerma_from_dap"].number


def _positive(number: float | None) -> float | None:
    return number if number is not None and isfinite(number) and number > 0 else None


def _is_steep(angles: GantryAngles) -> bool:
    """Whether a beam, or any part of its arc, is further from the vertical than 60 degrees."""
    least = constants("skin_screening")["under_table_cosine"].number
    for share in (0.0, 0.25, 0.5, 0.75, 1.0) if angles.primary_end_deg is not None else (0.0,):
        part = angles.between(start=share, end=share)
        if abs(cos(radians(part.primary_deg)) * cos(radians(part.secondary_deg))) < least - 1e-9:
            return True
    return False
