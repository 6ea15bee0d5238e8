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

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from math import cos, fsum, isfinite, radians

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.records.report import IrradiationEvent
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
from dosetrack.skin.filtration import filter_findings, filtration_of
from dosetrack.skin.gantry_angles import (
    POSITIONS,
    GantryAngles,
    angles_as_told,
    in_machine_frame,
    turned_end_for_end,
)
from dosetrack.skin.model import NotMapped, PlacedBeam, PlacedCase, Surface
from dosetrack.skin.placing_notes import PlacingNotes
from dosetrack.skin.setup import PatientSetup, Position, SystemSetup
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
        self._findings: list[Finding] = []
        self._beams: list[PlacedBeam] = []
        self._not_mapped: list[NotMapped] = []
        self._refused: list[tuple[IrradiationEvent, Refusal]] = []
        self._zero = 0
        self._steep: list[float] = []
        self._position = self._main_position()
        self._angles = self._machine_angles()
        self._track = table_track(events, system.table_axes, self._notes)
        self._anchors = self._first_by_position()
        self._body: BodyOnTable = body_on_table(
            surface=surface,
            system=system,
            patient=patient,
            position=self._position,
            pad_top_y_mm=self._pad_top_y_mm(),
            notes=self._notes,
        )

    def case(self) -> PlacedCase:
        """The case with everything placed."""
        for row, event in enumerate(self._events):
            kerma = event.reference_air_kerma_mgy
            if kerma == 0:
                self._zero += 1
                continue
            refusal = self._place(row, event)
            if refusal is not None:
                self._refused.append((event, refusal))
                self._not_mapped.append(NotMapped(event.uid, _positive(kerma), refusal.reason))
        mapped = fsum(placed.beam.reference_air_kerma_mgy for placed in self._beams)
        missed = fsum(one.reference_air_kerma_mgy or 0.0 for one in self._not_mapped)
        self._notes_of_case()
        findings = [*self._findings, *self._track.findings, *self._refusals(), *self._arms()]
        findings += [one for event in self._events for one in filter_findings(event)]
        return PlacedCase(
            beams=tuple(self._beams),
            not_mapped=tuple(self._not_mapped),
            table=self._body.table,
            position=self._position,
            origin_mm=self._body.origin_mm,
            mapped_fraction=mapped / (mapped + missed) if mapped + missed > 0 else None,
            is_table_known=self._track.is_known,
            assumed=self._notes.assumptions(events=len(self._events)),
            findings=tuple(dict.fromkeys(findings)),
            zero_dose_events=self._zero,
        )

    def _place(self, row: int, event: IrradiationEvent) -> Refusal | None:
        """Add the beams of one event; or why it has none."""
        refusal = self._refusal_at_sight(event)
        if refusal is not None:
            return refusal
        angles = self._angles[row]
        if angles is None:
            return Refusal("gantry angles not told")
        distances = distances_of(event, self._usual, self._notes)
        if isinstance(distances, Refusal):
            return distances
        start, end = self._displacement(row, event)
        reference = reference_distance_mm(
            event, distances, angles, table_top_y_mm=self._body.table.top_y_mm + start[1], notes=self._notes
        )
        if reference is None:
            return Refusal("the reference point lies behind the source", is_impossible=True)
        field = field_at_detector_mm(event, distances, reference_mm=reference, notes=self._notes)
        if field is None:
            return Refusal("field size not told")
        kerma = event.reference_air_kerma_mgy
        assert kerma is not None
        if self._is_turned(event):
            angles = turned_end_for_end(angles)
        filtration = filtration_of(event)
        for assumed in filtration.assumed:
            self._notes.event(assumed.key, assumed.text)
        shares = shares_of_way(start, end)
        plane = event.plane or "single"
        for first, last in pairwise(shares):
            part = angles if len(shares) == 2 else angles.between(start=first, end=last)
            beam = Beam(
                reference_air_kerma_mgy=kerma / (len(shares) - 1),
                source_to_isocenter_mm=distances.isocenter_mm,
                source_to_detector_mm=distances.detector_mm,
                field_width_mm=field[0],
                field_height_mm=field[1],
                primary_angle_deg=part.primary_deg,
                secondary_angle_deg=part.secondary_deg,
                primary_end_angle_deg=part.primary_end_deg,
                secondary_end_angle_deg=part.secondary_end_deg,
                source_to_reference_point_mm=reference,
                table_offset_mm=along(start, end, (first + last) / 2) if len(shares) > 2 else start,
                kvp=_positive(event.kvp),
                al_mm=filtration.al_mm,
                cu_mm=filtration.cu_mm,
                calibration_factor=self._factor(plane),
            )
            self._beams.append(PlacedBeam(beam, event.uid, plane, is_fluoroscopy(event), event.started_at))
        self._look_at(event, angles, kerma)
        return None

    def _refusal_at_sight(self, event: IrradiationEvent) -> Refusal | None:
        kerma = event.reference_air_kerma_mgy
        if kerma is None:
            return Refusal("air kerma not told")
        if not (isfinite(kerma) and kerma > 0):
            return Refusal(f"air kerma of {kerma:g} mGy cannot be", is_impossible=True)
        turned = constants("skin_placing")["table_turned_least"].number
        for name, angle in (
            ("rotated", event.table_rotation_deg),
            ("tilted", event.table_head_tilt_deg),
            ("tilted sideways", event.table_cradle_tilt_deg),
        ):
            if angle is not None and not abs(angle) <= turned:
                return Refusal(f"table {name}, and its pivot is not known for this system")
        lay = self._told_position(event)
        if self._patient.position is None and lay is not None and lay[2:] != self._position[2:]:
            return Refusal(f"the patient lay {lay}, {self._position} in most of the case")
        return None

    # where the patient lay

    def _told_position(self, event: IrradiationEvent) -> Position | None:
        return _POSITION_WORDS.get(event.patient_position or "")

    def _main_position(self) -> Position:
        """As the setup tells; else as most air kerma of the events was given; else assumed."""
        told: dict[Position, float] = {}
        for event in self._events:
            lay = self._told_position(event)
            if lay is not None:
                told[lay] = told.get(lay, 0.0) + (_positive(event.reference_air_kerma_mgy) or 0.0)
        if self._patient.position is not None:
            return self._patient.position
        if not told:
            self._notes.case("patient-position", "patient taken to lie head first, supine (not told)")
            return "HFS"
        position = max(told, key=told.__getitem__)
        if len(told) > 1:
            others = ", ".join(sorted(lay for lay in told if lay != position))
            self._findings.append(
                finding(FindingCode.PATIENT_POSITION_CHANGES, position=position, others=others)
            )
            if any(lay[2:] == position[2:] for lay in told if lay != position):
                self._notes.case(
                    "patient-turned",
                    "after the patient was turned the same part of the body lay at the isocentre",
                )
        return position

    def _is_turned(self, event: IrradiationEvent) -> bool:
        """Whether the patient lay the other way round, head for feet, in this event."""
        lay = self._told_position(event)
        return self._patient.position is None and lay is not None and lay != self._position

    def _machine_angles(self) -> list[GantryAngles | None]:
        told = angles_as_told(self._events, self._notes)
        frame = self._system.angle_frame
        if self._position != "HFS":
            self._notes.case("angle-frame", f"angles are relative to the {frame}")
        if frame == "machine":
            return told
        return [
            None if angles is None else in_machine_frame(angles, self._told_position(event) or self._position)
            for event, angles in zip(self._events, told, strict=True)
        ]

    # where the table stood

    def _first_by_position(self) -> dict[bool, Point]:
        """Table at the first event of each way the patient lay, the turned one at the height of the other."""
        anchors: dict[bool, Point] = {}
        for event, start in zip(self._events, self._track.start_mm, strict=True):
            anchors.setdefault(self._is_turned(event), start)
        return anchors

    def _displacement(self, row: int, event: IrradiationEvent) -> tuple[Point, Point]:
        """Of table and patient since the anchor, at the start and the end of an event [mm]."""
        is_turned = self._is_turned(event)
        x0, y0, z0 = self._anchors[is_turned]
        if False in self._anchors:
            y0 = self._anchors[False][1]
        sign = -1.0 if is_turned else 1.0
        x, y, z = self._track.start_mm[row]
        start = (sign * (x - x0), y - y0, sign * (z - z0))
        if self._track.end_mm[row] == (x, y, z):
            return start, start
        x, y, z = self._track.end_mm[row]
        return start, (sign * (x - x0), y - y0, sign * (z - z0))

    def _pad_top_y_mm(self) -> float | None:
        """Patient's side of the pad at zero displacement, room axis y [mm]; None: not known."""
        if not self._events:
            return None
        track, axis = self._track, self._system.table_axes.height
        anchor = self._anchors.get(False, self._anchors.get(True, (0.0, 0.0, 0.0)))
        if track.is_from_isocentre:
            return anchor[1] - pad_mm(self._system)
        measured = self._system.isocentre_height_mm
        if measured is not None and axis[1] == "y" and track.is_height_known:
            return anchor[1] - (measured if axis[0] == "+" else -measured)
        return self._pad_from_source(anchor[1])

    def _pad_from_source(self, anchor_y_mm: float) -> float | None:
        """The same from the distance source to table of an upright beam."""
        upright = cos(radians(constants("skin_placing")["upright_within"].number))
        for row, event in enumerate(self._events):
            angles, told = self._angles[row], _positive(event.source_to_table_mm)
            isocenter = _positive(event.source_to_isocenter_mm)
            if angles is None or told is None or isocenter is None:
                continue
            cosine = cos(radians(angles.primary_deg)) * cos(radians(angles.secondary_deg))
            if cosine < upright:
                continue
            top_y = isocenter * cosine - told
            return top_y - (self._track.start_mm[row][1] - anchor_y_mm) - pad_mm(self._system)
        return None

    # what is said of the whole

    def _factor(self, plane: str) -> float:
        for name, factor in self._system.calibration_factor:
            if name == plane:
                return factor
        of_plane = "" if plane == "single" else f" of plane {plane}"
        self._notes.case("calibration", f"air kerma meter{of_plane} not calibrated, factor 1")
        return 1.0

    def _look_at(self, event: IrradiationEvent, angles: GantryAngles, kerma: float) -> None:
        least = constants("skin_placing")["column_angulation_least"].number
        column = event.column_angulation_deg
        if column is not None and not abs(column) <= least:
            # PS3.3 (0018,1450): the angle of the beam to the normal of the detector
            self._notes.event(
                "column-angulation", f"beam at right angles to the detector though told {column:g}° off"
            )
        if _is_steep(angles):
            self._steep.append(kerma)

    def _notes_of_case(self) -> None:
        if self._beams:
            self._notes.case("field-centred", "collimated fields lie on the axis of the beam")

    def _refusals(self) -> list[Finding]:
        """One finding for each reason, with the air kerma it keeps off the map."""
        grouped: dict[tuple[str, bool], list[IrradiationEvent]] = {}
        for event, refusal in self._refused:
            grouped.setdefault((refusal.reason, refusal.is_impossible), []).append(event)
        found = []
        for (reason, is_impossible), events in grouped.items():
            kerma = fsum(_positive(event.reference_air_kerma_mgy) or 0.0 for event in events)
            kind = FindingCode.BEAM_IMPOSSIBLE if is_impossible else FindingCode.EVENTS_NOT_MAPPED
            found.append(
                finding(
                    kind,
                    event_uid=events[0].uid if len(events) == 1 else None,
                    count=len(events),
                    of=len(self._events),
                    kerma=f"{kerma:.3g}",
                    reason=reason,
                )
            )
        return found

    def _arms(self) -> list[Finding]:
        if not self._steep or self._patient.arms != "unknown" or self._patient.region not in _ARM_REGIONS:
            return []
        self._notes.case("arms", "the arms are not in steep beams (not told how they lay)")
        return [
            finding(
                FindingCode.ARMS_IN_BEAM_UNKNOWN, count=len(self._steep), kerma=f"{fsum(self._steep):.3g}"
            )
        ]


_POSITION_WORDS: dict[str, Position] = {word: word for word in POSITIONS}


def _in_time_order(events: Sequence[IrradiationEvent]) -> tuple[IrradiationEvent, ...]:
    """By the time they started, where every event tells it; else as they came."""
    try:
        moments = [datetime.fromisoformat(event.started_at or "") for event in events]
        order = sorted(range(len(moments)), key=moments.__getitem__)
    except (ValueError, TypeError):  # a vague time; or some with and some without an offset
        return tuple(events)
    return tuple(events[row] for row in order)


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
