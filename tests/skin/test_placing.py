"""Events become placed beams: which ones, distances, reference point, field, body, what is said."""

from __future__ import annotations

import time
from dataclasses import replace
from math import inf, nan, sqrt

import numpy as np
import pytest

from dosetrack.records.report import Filter
from dosetrack.skin.body import sheet
from dosetrack.skin.frames import room_of_patient
from dosetrack.skin.gantry_angles import POSITIONS
from dosetrack.skin.patient_position import position_of
from dosetrack.skin.placing import beams_added
from dosetrack.skin.setup import PatientSetup, Position, SystemSetup
from tests.skin.placing_events import (
    BODY,
    PATIENT,
    SHEET,
    VERIFIED,
    codes,
    event,
    events,
    keys,
    placed,
    text_of,
)


def only_beam(**facts: object):  # type: ignore[no-untyped-def]
    """The beam of the invented event with some facts other."""
    return placed([event(**facts)]).beams[0].beam


# which events


def test_events_without_dose_are_counted_and_those_of_unknown_dose_are_not_mapped() -> None:
    none = {"reference_air_kerma_mgy": 0.0, "dose_area_product_gycm2": 0.01}
    case = placed(events(none, {"reference_air_kerma_mgy": None}, {}))
    assert case.zero_dose_events == 1
    assert [(one.uid, one.reference_air_kerma_mgy, one.reason) for one in case.not_mapped] == [
        ("2", None, "air kerma not told")
    ]
    assert [one.uid for one in case.beams] == ["3"]
    assert case.mapped_fraction == 1.0
    assert codes(case) == ["events-not-mapped"]
    assert "1 of 3 events, air kerma not known, could not be placed" in case.findings[0].text


def test_an_air_kerma_of_zero_that_the_dose_area_product_contradicts_is_not_a_zero() -> None:
    case = placed(events({"reference_air_kerma_mgy": 0.0, "dose_area_product_gycm2": 2.0}, {}))
    assert case.zero_dose_events == 0
    assert [(one.reference_air_kerma_mgy, "told as 0" in one.reason) for one in case.not_mapped] == [
        (None, True)
    ]


def test_no_events_and_no_dose_give_a_case_without_a_fraction() -> None:
    assert placed([]).mapped_fraction is None
    assert placed([event(reference_air_kerma_mgy=0.0, dose_area_product_gycm2=None)]).mapped_fraction is None


@pytest.mark.parametrize(
    "facts",
    [
        {"source_to_isocenter_mm": 0.0},
        {"source_to_detector_mm": -5.0},
        {"source_to_detector_mm": 700.0},
        {"source_to_isocenter_mm": nan},
        {"source_to_detector_mm": inf},
        {"reference_air_kerma_mgy": nan},
        {"reference_air_kerma_mgy": -1.0},
        {"source_to_isocenter_mm": 100.0, "source_to_reference_point_mm": None},
    ],
)
def test_impossible_numbers_are_not_mapped_and_found(facts: dict[str, object]) -> None:
    case = placed(events(facts, {}))
    assert [one.uid for one in case.not_mapped] == ["1"]
    assert codes(case) == ["beam-impossible"]
    assert case.not_mapped[0].reason in case.findings[0].text


def test_many_impossible_numbers_are_one_finding() -> None:
    case = placed(events(*({"source_to_isocenter_mm": -float(n)} for n in range(1, 9))))
    assert codes(case) == ["beam-impossible"]
    assert "8 of 8 events, 80 mGy," in case.findings[0].text
    assert "and 7 other reasons" in case.findings[0].text


def test_beams_are_in_time_order_and_carry_what_the_event_was() -> None:
    first, second, third = events({}, {"type": "rotational", "plane": "b"}, {"type": "other"})
    case = placed([third, first, second])
    assert [(b.uid, b.plane, b.is_fluoroscopy) for b in case.beams] == [
        ("1", "single", True), ("2", "b", False), ("3", "single", None),
    ]  # fmt: skip


def test_events_of_which_one_has_no_time_stay_as_they_came() -> None:
    first, second = events({}, {})
    case = placed([second, replace(first, started_at=None)])
    assert [b.uid for b in case.beams] == ["2", "1"]


# distances


def test_missing_distances_are_the_usual_ones_of_the_plane() -> None:
    none = {"source_to_isocenter_mm": None, "source_to_detector_mm": None}
    told = {"source_to_isocenter_mm": 785.0, "source_to_detector_mm": 1200.0}
    case = placed(events(none, told, told | {"plane": "b", "source_to_isocenter_mm": 700.0}))
    beam = case.beams[0].beam
    assert (beam.source_to_isocenter_mm, beam.source_to_detector_mm) == (785.0, 1200.0)
    assert text_of(case, "source-to-isocenter") == (
        "source to isocentre 785 mm (as in other events of the plane), not told in 1 of 3 events"
    )
    assert {"source-to-detector"} <= keys(case)


def test_distances_no_event_tells_come_from_the_table() -> None:
    beam = only_beam(source_to_isocenter_mm=None, source_to_detector_mm=None)
    assert (beam.source_to_isocenter_mm, beam.source_to_detector_mm) == (750.0, 1100.0)


# reference point


@pytest.mark.parametrize(
    ("facts", "expected", "is_assumed"),
    [
        ({"source_to_reference_point_mm": 620.0}, 620.0, False),
        # the definitions of DICOM PS3.16 CID 10025
        ({"reference_point": "15cm-from-isocenter"}, 750 - 150, False),
        ({"reference_point": "113860", "source_to_isocenter_mm": 785.0}, 785 - 150, False),
        ({"reference_point": "30cm-from-detector"}, 1100 - 300, False),
        ({"reference_point": "30cm in Front of Image Input Surface"}, 1100 - 300, False),
        ({"reference_point": "100cm-from-source"}, 1000, False),
        # told, but no distance of a reference point: the definition decides
        ({"source_to_reference_point_mm": 60.0, "reference_point": "30cm-from-detector"}, 800, True),
        ({"reference_point": None}, 600, True),
        ({"reference_point": "somewhere"}, 600, True),
    ],
)
def test_reference_point(facts: dict[str, object], expected: float, is_assumed: bool) -> None:
    case = placed([event(**{"source_to_reference_point_mm": None} | facts)])
    assert case.beams[0].beam.source_to_reference_point_mm == pytest.approx(expected)
    assert ("reference-point" in keys(case)) == is_assumed


@pytest.mark.parametrize(
    ("angle", "height", "expected"),
    [
        # table top 120 below the isocentre at the first event: the point is at y = 110, 640 above the source
        (0.0, -50.0, 750 - 110),
        # the table 30 mm lower: y = 140
        (0.0, -20.0, 750 - 140),
        # along an axis 60 degrees from the vertical the plane y = 110 is 110 / cos 60 from the isocentre
        (60.0, -50.0, 750 - 110 / 0.5),
        # from the side the axis never meets it: 15 cm from the isocentre
        (90.0, -50.0, 600),
    ],
)
def test_reference_point_one_centimetre_above_the_table_top(
    angle: float, height: float, expected: float
) -> None:
    told = {"source_to_reference_point_mm": None, "reference_point": "1cm-above-table"}
    # reading -50 with the pad top at +95, pad 25 mm
    system = replace(VERIFIED, isocentre_height_mm=-145.0)
    case = placed(events(told, told | {"primary_angle_deg": angle, "table_height_mm": height}), system=system)
    assert case.beams[1].beam.source_to_reference_point_mm == pytest.approx(expected)
    assert ("reference-point" in keys(case)) == (angle == 90.0)


# field


def test_field_by_width_and_height_then_area_then_dap_over_kerma() -> None:
    none = {"field_width_mm": None, "field_height_mm": None}
    area = none | {"field_area_cm2": 400.0}
    # 1 Gy·cm² over 10 mGy: 100 cm² at 600 mm, side 100 mm, x 1100 / 600 at the detector
    case = placed(events({}, area, none, {"field_width_mm": 0.0, "field_area_cm2": 225.0}))
    sides = [(b.beam.field_width_mm, b.beam.field_height_mm) for b in case.beams]
    from_dap = 100.0 * 1100 / 600
    assert sides == [(160, 160), (200, 200), pytest.approx((from_dap, from_dap)), (150, 150)]
    assert "from DAP over Ka,r, in 1 of 4 events" in text_of(case, "field")
    assert "of the area told, in 2 of 4 events" in text_of(case, "field")
    assert {one.share for one in case.assumed if one.key == "field"} == {0.25, 0.5}


@pytest.mark.parametrize("dap", [None, 0.0, nan, 1000.0])
def test_without_any_usable_field_the_event_is_not_mapped(dap: float | None) -> None:
    case = placed(
        events({"field_width_mm": None, "field_height_mm": None, "dose_area_product_gycm2": dap}, {})
    )
    assert [one.reason for one in case.not_mapped] == ["field size not told"]
    assert case.mapped_fraction == 0.5


def test_a_beam_off_the_normal_of_the_detector_is_said() -> None:
    # PS3.3 (0018,1450): the angle of the beam to the normal of the detector, no turn of the field
    assert "column-angulation" in keys(placed([event(column_angulation_deg=10.0)]))
    assert "column-angulation" not in keys(placed([event(column_angulation_deg=0.5)]))


# quality and calibration


def test_filters_and_tube_voltage_reach_the_beam() -> None:
    beam = only_beam(filters=(Filter("copper", 0.3, 0.3), Filter("aluminium", 1.0, 1.0)), kvp=75.0)
    assert (beam.kvp, beam.cu_mm) == (75.0, 0.3)
    assert beam.al_mm == pytest.approx(4.0)  # 3 mm inherent by the table of factors
    assert only_beam(kvp=nan).kvp is None


def test_filters_not_in_the_tables_are_found_once() -> None:
    lead = {"filters": (Filter("lead", 1.0, 1.0),)}
    assert codes(placed(events(lead, lead, lead))) == ["filter-material-not-in-table"]


def test_each_plane_has_the_factor_of_its_meter_once() -> None:
    system = replace(VERIFIED, calibration_factor=(("a", 0.92),))
    case = placed(events({"plane": "a"}, {"plane": "b"}), system=system)
    factors = [(b.beam.calibration_factor, b.beam.reference_air_kerma_mgy) for b in case.beams]
    assert factors == [(0.92, 10.0), (1.0, 10.0)]  # air kerma as displayed
    assert text_of(case, "calibration") == "air kerma meter of plane b not calibrated, factor 1"


# how the patient lay


def test_position_not_told_is_head_first_supine_and_said() -> None:
    case = placed([event(patient_position=None)])
    assert (case.position, "patient-position" in keys(case)) == ("HFS", True)
    assert "patient-position" not in keys(placed([event()]))


def test_position_by_hand_comes_before_the_events() -> None:
    case = placed(events({}, {"patient_position": "HFP"}), patient=replace(PATIENT, position="FFS"))
    assert (case.position, codes(case)) == ("FFS", [])
    assert len(case.beams) == 2


def test_a_patient_turned_head_for_feet_within_the_case_is_irradiated_in_the_patient_all_the_same() -> None:
    turned = {
        "patient_position": "FFS", "reference_air_kerma_mgy": 5.0, "table_longitudinal_mm": 900.0,
        "primary_angle_deg": 30.0, "secondary_angle_deg": 20.0,
    }  # fmt: skip
    on = {"table_longitudinal_mm": 920.0, "table_lateral_mm": 15.0}
    case = placed(events({}, turned, turned | on))
    assert case.position == "HFS"
    assert codes(case) == ["patient-position-changes"]
    assert "patient-turned" in keys(case)
    # the standard tells angles relative to the patient: the same beam in the patient as if not turned
    angles = (case.beams[1].beam.primary_angle_deg, case.beams[1].beam.secondary_angle_deg)
    assert angles == (30.0, 20.0)
    assert case.beams[1].beam.table_offset_mm == (0.0, 0.0, 0.0)
    # table 20 mm to the room's head end: 20 mm to the feet of a patient lying feet first; +5 left: -5
    assert case.beams[2].beam.table_offset_mm == (-5.0, 0.0, -20.0)


def test_a_patient_turned_over_within_the_case_is_mapped_for_the_side_with_more_dose() -> None:
    case = placed(events({"reference_air_kerma_mgy": 50.0}, {"patient_position": "HFP"}))
    assert [one.reason for one in case.not_mapped] == ["the patient lay HFP, HFS in most of the case"]
    assert case.mapped_fraction == pytest.approx(50 / 60)
    assert codes(case) == ["patient-position-changes", "events-not-mapped"]


def test_the_position_with_most_air_kerma_counts_not_the_first() -> None:
    case = placed(events({"patient_position": "HFP"}, {"reference_air_kerma_mgy": 11.0}))
    assert case.position == "HFS"


# the body on the table


@pytest.mark.parametrize("position", POSITIONS)
def test_the_lowest_skin_of_the_trunk_lies_on_the_pad(position: Position) -> None:
    system = replace(VERIFIED, isocentre_height_mm=-150.0)  # pad top 100 below the isocentre
    for surface in (BODY, sheet(height_cm=170.0, position=position, spacing_mm=30.0)):
        case = placed([event(patient_position=position)], system=system, surface=surface)
        trunk = surface.points_mm[surface.part == 0]
        room = (trunk - case.origin_mm) @ room_of_patient(position).T
        assert room[:, 1].max() == pytest.approx(100.0, abs=1e-9)
        assert case.table is not None
        assert case.table.top_y_mm == pytest.approx(125.0)
        assert "table-anchor" in keys(case)


def test_height_not_known_the_isocentre_lies_at_mid_depth() -> None:
    case = placed([event()])
    x, y, z = case.origin_mm
    level = BODY.points_mm[(np.abs(BODY.points_mm[:, 2] - z) < 20) & (BODY.part == BODY.parts.index("trunk"))]
    assert x == 0.0
    assert y == pytest.approx((level[:, 1].min() + level[:, 1].max()) / 2, abs=3.0)
    assert "mid-depth" in text_of(case, "position")
    assert case.table is not None
    assert case.table.top_y_mm == pytest.approx(-y + 25.0, abs=1.0)


def test_the_body_is_shifted_against_where_it_was_assumed_to_lie() -> None:
    still = placed([event()])
    moved = placed([event()], patient=replace(PATIENT, shift_mm=(10.0, -20.0, 30.0)))
    assert np.subtract(still.origin_mm, moved.origin_mm) == pytest.approx([10.0, -20.0, 30.0])


def test_a_body_shifted_below_a_measured_pad_takes_the_pad_with_it() -> None:
    system = replace(VERIFIED, isocentre_height_mm=-150.0)  # pad top 100 below the isocentre
    for back, top in ((30.0, 155.0), (-30.0, 125.0)):
        case = placed([event()], system=system, patient=replace(PATIENT, shift_mm=(0.0, back, 0.0)))
        assert case.table is not None
        assert case.table.top_y_mm == pytest.approx(top)


def test_what_a_room_and_patient_without_settings_take_for_granted() -> None:
    case = placed([event(patient_position=None)], system=SystemSetup(), patient=PatientSetup(), surface=SHEET)
    assert keys(case) == {
        "patient-position", "table-axes", "region", "position", "table-size", "table-transmission",
        "calibration", "field-centred", "inherent-filtration", "beam-quality",
    }  # fmt: skip
    assert case.table is not None
    assert case.table.transmission == 0.8


def test_a_region_taken_from_the_name_of_the_procedure_is_said() -> None:
    case = placed([event()], patient=replace(PATIENT, is_region_from_name=True))
    assert text_of(case, "region") == "region abdomen, from the name of the procedure"
    assert "region" not in keys(placed([event()]))


def test_a_sheet_can_be_made_to_face_the_table_before_the_case_is_placed() -> None:
    prone = events({"patient_position": "HFP"}, {"patient_position": "HFS", "reference_air_kerma_mgy": 2.0})
    assert position_of(prone) == "HFP"
    assert position_of(prone, set_by_hand="FFS") == "FFS"
    assert position_of([]) == "HFS"


@pytest.mark.parametrize(
    ("facts", "patient", "is_found"),
    [
        ({"primary_angle_deg": 61.0}, PatientSetup(), True),
        ({"primary_angle_deg": 45.0, "secondary_angle_deg": 46.0}, PatientSetup(), True),
        ({"primary_angle_deg": 59.0}, PatientSetup(), False),
        ({"primary_angle_deg": 90.0}, PatientSetup(arms="raised"), False),
        ({"primary_angle_deg": 90.0}, PatientSetup(region="head"), False),
        ({"primary_angle_deg": -40.0, "primary_end_angle_deg": 80.0}, PatientSetup(), True),
        ({"primary_angle_deg": 45.0, "primary_end_angle_deg": 135.0}, PatientSetup(), True),
    ],
)
def test_a_steep_beam_while_the_arms_are_unknown(
    facts: dict[str, object], patient: PatientSetup, is_found: bool
) -> None:
    case = placed([event(**facts)], patient=patient)
    assert ("arms-in-beam-unknown" in codes(case)) == is_found
    assert ("arms" in keys(case)) == is_found


# a running case


def test_a_running_case_gets_the_beams_of_the_new_event() -> None:
    told = events({}, {"primary_angle_deg": 20.0}, {"table_longitudinal_end_mm": 330.0})
    before, after = placed(told[:2]), placed(told)
    assert beams_added(before, after) == after.beams[2:]
    assert len(after.beams) == 5
    assert beams_added(after, after) == ()
    elsewhere = placed(told, patient=replace(PATIENT, region="head"))
    assert beams_added(before, elsewhere) is None


def test_placing_costs_little() -> None:
    # generous against the 30 ms aimed at, as the machine of the tests is shared
    told = [event(uid=str(n), table_longitudinal_mm=300.0 + sqrt(n)) for n in range(1000)]
    placed(told)
    start = time.process_time()
    placed(told)
    assert time.process_time() - start < 0.15
