"""Gantry angles of the events: the patient's frame and the machine's, missing ones, arcs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.skin.frames import detector_direction, source_point
from dosetrack.skin.gantry_angles import POSITIONS, GantryAngles, in_machine_frame
from dosetrack.skin.setup import Position
from tests.skin.placing_events import PATIENT, VERIFIED, codes, event, events, keys, placed, text_of

# DICOM PS3.17 FFF.1.2.2.2, opened: directions of the patient's left, back and head in table axes,
# which are x left, y down, z head of a head-first supine patient
DIRECTIONS: dict[Position, tuple[tuple[int, int, int], ...]] = {
    "HFS": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "HFP": ((-1, 0, 0), (0, -1, 0), (0, 0, 1)),
    "HFDR": ((0, -1, 0), (1, 0, 0), (0, 0, 1)),
    "HFDL": ((0, 1, 0), (-1, 0, 0), (0, 0, 1)),
    "FFS": ((-1, 0, 0), (0, 1, 0), (0, 0, -1)),
    "FFP": ((1, 0, 0), (0, -1, 0), (0, 0, -1)),
    "FFDR": ((0, -1, 0), (-1, 0, 0), (0, 0, -1)),
    "FFDL": ((0, 1, 0), (1, 0, 0), (0, 0, -1)),
}


@given(
    position=st.sampled_from(POSITIONS),
    primary=st.floats(-180, 180),
    secondary=st.floats(-90, 90),
)
def test_the_detector_stands_where_the_turned_patient_has_it(
    position: Position, primary: float, secondary: float
) -> None:
    machine = in_machine_frame(GantryAngles(primary, secondary), position)
    in_patient = detector_direction(primary, secondary)
    expected = in_patient @ np.array(DIRECTIONS[position], dtype=float)
    got = detector_direction(machine.primary_deg, machine.secondary_deg)
    assert got == pytest.approx(expected, abs=1e-9)
    assert -180 <= machine.primary_deg <= 180


def test_feet_first_the_left_side_of_the_patient_lies_at_the_right_of_the_room() -> None:
    # by hand: a patient lying feet first, supine has the left at room -x and the head at room -z.
    # LAO 90 in the patient's frame: detector at the patient's left, so the source at room +x;
    # 30 cranial: detector toward the head, so toward room -z and the source toward +z
    lateral, cranial = events(
        {"primary_angle_deg": 90.0, "patient_position": "FFS"},
        {"secondary_angle_deg": 30.0, "patient_position": "FFS"},
    )
    one, other = (placed_beam.beam for placed_beam in placed([lateral, cranial]).beams)
    source = source_point(one.primary_angle_deg, one.secondary_angle_deg, source_to_isocenter_mm=750.0)
    assert source == pytest.approx([750.0, 0.0, 0.0], abs=1e-9)
    source = source_point(other.primary_angle_deg, other.secondary_angle_deg, source_to_isocenter_mm=750.0)
    assert source == pytest.approx([0.0, 750.0 * np.cos(np.pi / 6), 375.0], abs=1e-9)


def test_a_system_that_always_tells_machine_angles_is_taken_at_its_word() -> None:
    told = events({"primary_angle_deg": 90.0, "secondary_angle_deg": 10.0, "patient_position": "FFS"})
    case = placed(told, system=replace(VERIFIED, angle_frame="machine"))
    assert (case.beams[0].beam.primary_angle_deg, case.beams[0].beam.secondary_angle_deg) == (90.0, 10.0)
    assert "machine" in text_of(case, "angle-frame")


def test_an_arc_stays_the_same_arc_for_a_prone_patient() -> None:
    # prone: half a turn about the long axis; -30 .. 30 over the front is 150 .. 210 for the machine
    case = placed(
        events({"primary_angle_deg": -30.0, "primary_end_angle_deg": 30.0, "patient_position": "HFP"})
    )
    beam = case.beams[0].beam
    assert (beam.primary_angle_deg, beam.primary_end_angle_deg) == (150.0, 210.0)


def test_an_arc_is_told_in_half_a_turn_either_way_with_its_length_kept() -> None:
    # prone: 30 .. 60 is 210 .. 240, the same as -150 .. -120
    case = placed(
        events({"primary_angle_deg": 30.0, "primary_end_angle_deg": 60.0, "patient_position": "HFP"})
    )
    beam = case.beams[0].beam
    assert (beam.primary_angle_deg, beam.primary_end_angle_deg) == (-150.0, -120.0)


def test_the_frame_of_the_angles_is_no_question_head_first_supine() -> None:
    assert "angle-frame" not in keys(placed([event()]))


def test_position_by_hand_leaves_the_angles_in_the_frame_the_machine_turned_them_in() -> None:
    # entered at the console as head first, truly feet first: the machine told its own angles
    case = placed(events({"primary_angle_deg": 40.0}), patient=replace(PATIENT, position="FFS"))
    assert case.position == "FFS"
    assert case.beams[0].beam.primary_angle_deg == 40.0


def test_one_missing_angle_is_taken_as_zero_and_said() -> None:
    case = placed([event(secondary_angle_deg=None, primary_angle_deg=20.0)])
    assert (case.beams[0].beam.primary_angle_deg, case.beams[0].beam.secondary_angle_deg) == (20.0, 0.0)
    assert text_of(case, "angles") == "secondary angle not known, taken as 0, in 1 of 1 event"


def test_an_event_without_angles_between_two_of_one_view_takes_that_view() -> None:
    none = {"primary_angle_deg": None, "secondary_angle_deg": None}
    case = placed(events({"primary_angle_deg": 30.0}, none, {"primary_angle_deg": 34.0}))
    assert case.beams[1].beam.primary_angle_deg == 30.0
    assert "as in the events beside it" in text_of(case, "angles")
    assert case.mapped_fraction == 1.0


@pytest.mark.parametrize("after", [{"primary_angle_deg": -60.0}, {"primary_angle_deg": 60.0, "plane": "b"}])
def test_an_event_without_angles_between_two_views_is_not_mapped(after: dict[str, object]) -> None:
    none = {"primary_angle_deg": None, "secondary_angle_deg": None, "plane": after.get("plane", "single")}
    start = {"primary_angle_deg": 30.0} if "plane" not in after else {"plane": "a"}
    case = placed(events(start, none | {"reference_air_kerma_mgy": 30.0}, after))
    assert [one.uid for one in case.not_mapped] == ["2"]
    assert case.not_mapped[0].reason == "gantry angles not told"
    assert case.mapped_fraction == pytest.approx(20 / 50)
    assert codes(case) == ["events-not-mapped"]


def test_a_case_without_any_angle_maps_nothing() -> None:
    none = {"primary_angle_deg": None, "secondary_angle_deg": None}
    case = placed(events(none, none, none))
    assert case.beams == ()
    assert case.mapped_fraction == 0.0
    assert "3 of 3 events, 30 mGy," in case.findings[0].text


def test_an_angle_that_is_no_number_is_a_missing_one() -> None:
    case = placed([event(primary_angle_deg=float("nan"), secondary_angle_deg=float("inf"))])
    assert case.beams == ()
    assert case.mapped_fraction == 0.0


@pytest.mark.parametrize(
    ("kind", "start", "end", "expected"),
    [
        ("rotational", -90.0, 90.0, 90.0),  # half a turn: as told
        ("rotational", -100.0, 100.0, 100.0),  # a run for reconstruction, under the table
        ("rotational", 175.0, -175.0, 185.0),  # 350 as numbers, 10 as a way
        ("rotational", -175.0, 175.0, -185.0),
        ("stationary", -100.0, 100.0, -260.0),  # 200 as numbers; the short way is 160
        ("fluoroscopy", 20.0, 20.05, None),  # not moved
        ("fluoroscopy", -180.0, 180.0, None),  # a whole turn is none
    ],
)
def test_arc_by_the_likely_way(kind: str, start: float, end: float, expected: float | None) -> None:
    case = placed([event(type=kind, primary_angle_deg=start, primary_end_angle_deg=end)])
    beam = case.beams[0].beam
    assert beam.primary_angle_deg == start
    assert beam.primary_end_angle_deg == (None if expected is None else pytest.approx(expected))
    assert ("arc-direction" in keys(case)) == (abs(end - start) > 180)


def test_the_end_of_a_secondary_arc_is_kept() -> None:
    beam = placed([event(secondary_angle_deg=-10.0, secondary_end_angle_deg=25.0)]).beams[0].beam
    assert (beam.secondary_angle_deg, beam.secondary_end_angle_deg) == (-10.0, 25.0)
    assert beam.primary_end_angle_deg is None
