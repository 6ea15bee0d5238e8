"""Places on the skin in words, landmarks, and the region a procedure's name tells."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.errors import InputError
from dosetrack.skin.beam import Point
from dosetrack.skin.body import patient_surface, sheet
from dosetrack.skin.model import Surface
from dosetrack.skin.places import landmark, place_for_patient, place_name, region_of
from dosetrack.skin.setup import BodyRegion, PatientSetup
from dosetrack.tables import rows

REGIONS = get_args(BodyRegion)


@pytest.fixture(scope="module")
def body() -> Surface:
    return patient_surface(PatientSetup(170, 70, arms="beside"))


# the vertebral level of a point on the back by its share of the height: common practice, no source
@pytest.mark.parametrize(
    ("point", "name", "plain"),
    [
        (
            (-60, 0, 1120),
            "back, right of midline, at the level of the lumbar spine",
            "on your back, on the right, at about the height of the lowest ribs",
        ),
        (
            (60, 0, 1230),
            "back, left of midline, at the level of the lower thoracic spine",
            "on your back, on the left, just below the shoulder blades",
        ),
        (
            (0, 0, 950),
            "back, in the midline, at the level of the sacrum",
            "at the bottom of your back, in the middle",
        ),
        (
            (190, -120, 1250),
            "left side of the chest, below the armpit",
            "on the left side of your chest, below the armpit",
        ),
        ((-190, -120, 1100), "right flank", "on your right side, between ribs and hip"),
        (
            (-60, -240, 1240),
            "front of the chest, right of midline",
            "on the front of your chest, on the right",
        ),
        ((30, 0, 1600), "back of the head, left", "on the back of your head, on the left"),
        (
            (-75, -95, 1625),
            "right side of the head, above the ear",
            "on the right side of your head, above the ear",
        ),
        ((0, -20, 1450), "back of the neck, in the midline", "on the back of your neck, in the middle"),
        ((-90, -140, 700), "front of the right thigh", "on the front of your right thigh"),
        ((90, 0, 200), "back of the left lower leg", "on the back of your left lower leg"),
        ((180, -70, 700), "outer side of the left thigh", "on the outer side of your left thigh"),
        ((-10, -70, 700), "inner side of the right thigh", "on the inner side of your right thigh"),
        ((-300, -40, 1200), "outer side of the right upper arm", "on the outer side of your right upper arm"),
    ],
)
def test_known_points_have_the_names_an_anatomist_gives_them(
    body: Surface, point: Point, name: str, plain: str
) -> None:
    assert place_name(body, point) == name
    assert place_for_patient(body, point) == plain


def test_a_patch_and_its_own_place_have_one_name(body: Surface) -> None:
    for index in range(0, len(body.points_mm), 997):
        x, y, z = (float(number) for number in body.points_mm[index])
        assert place_name(body, index) == place_name(body, (x, y, z)) == place_name(body, np.int64(index))


def test_a_child_s_spine_is_found_by_its_own_proportions() -> None:
    """Newborn, 50 cm: neck at 0.72 of the length, crotch at 0.345; an adult's lumbar spine lies at 0.64."""
    child = patient_surface(PatientSetup(50, 3.3))
    assert place_name(child, (0, 0, 0.49 * 500)) == "back, in the midline, at the level of the lumbar spine"
    assert place_name(child, (0, 0, 0.64 * 500)).endswith("middle thoracic spine")
    assert place_name(child, (0, 0, 450)) == "back of the head, in the midline"


def test_every_patch_of_every_body_has_a_name_and_sides_are_right(body: Surface) -> None:
    for surface in (
        body,
        patient_surface(PatientSetup(50, 3, arms="beside")),
        sheet(),
        sheet(position="HFDL"),
    ):
        for index in range(0, len(surface.points_mm), 53):
            name, plain = place_name(surface, index), place_for_patient(surface, index)
            assert name
            assert plain.startswith(("on ", "at "))
            assert "{" not in name + plain
            x = float(surface.points_mm[index, 0])
            if abs(x) > 25:
                wrong = "right" if x > 0 else "left"
                assert wrong not in name, (name, x)
                assert wrong not in plain


def test_a_sheet_names_the_level_and_the_side_on_the_table() -> None:
    assert (
        place_name(sheet(), (-80, 0, 1250))
        == "skin towards the table, right of midline, at the level of the lower thoracic spine"
    )
    assert place_for_patient(sheet(position="HFP"), (80, 0, 1100)).startswith(
        "on the side you lay on, on the left"
    )
    assert "on the left" in place_for_patient(sheet(position="HFDL"), (0, 0, 1100))


def test_a_patch_that_does_not_exist_is_refused(body: Surface) -> None:
    with pytest.raises(InputError, match="0 to"):
        place_name(body, len(body.points_mm))


def test_levels_of_each_face_follow_on_without_gap() -> None:
    faces: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for row in rows("body_places"):
        span = (float(row["from_level"]), float(row["to_level"]))
        faces.setdefault((row["part"], row["face"]), []).append(span)
    for spans in faces.values():
        assert spans[0][0] == 0
        assert spans[-1][1] == 1
        assert [one[1] for one in spans[:-1]] == [other[0] for other in spans[1:]]


def test_the_heart_lies_a_little_to_the_left_behind_the_breastbone() -> None:
    x, y, z = landmark("chest", 1700)
    assert 10 < x < 40
    assert 1700 * 0.705 < z < 1700 * 0.785  # tip of the breastbone to the second rib
    assert -150 < y < -90


def test_landmarks_are_in_order_from_head_to_feet_and_on_the_midline() -> None:
    points = [landmark(region, 1700) for region in REGIONS]
    assert [point[2] for point in points] == sorted((point[2] for point in points), reverse=True)
    assert [point[0] for point in points if point[0]] == [landmark("chest", 1700)[0]]


@pytest.mark.parametrize("region", REGIONS)
def test_a_landmark_is_half_way_through_the_patient_at_hand(region: BodyRegion) -> None:
    thick = patient_surface(PatientSetup(170, 140, region=region))
    thin = patient_surface(PatientSetup(170, 50, region=region))
    for surface in (thick, thin):
        _, y, z = landmark(region, 1700, surface)
        part = {"head": "head", "neck": "neck", "legs": "left leg"}.get(region, "trunk")
        near = (surface.part == surface.parts.index(part)) & (np.abs(surface.points_mm[:, 2] - z) < 6)
        depth = surface.points_mm[near][:, 1]
        assert y == pytest.approx((depth.min() + depth.max()) / 2, abs=2.5)
    if region not in ("head", "neck"):
        assert landmark(region, 1700, thick)[1] < landmark(region, 1700, thin)[1] - 20


def test_a_landmark_lies_on_the_body_s_side_of_a_sheet() -> None:
    assert landmark("abdomen", 1700, sheet())[1] < -90
    assert landmark("abdomen", 1700, sheet(position="HFP"))[1] > 90
    assert landmark("abdomen", 1700, sheet(position="HFDL"))[0] < -140


def test_a_child_s_landmarks_lie_in_its_own_trunk() -> None:
    child = patient_surface(PatientSetup(60, 6))
    trunk = child.points_mm[child.part == child.parts.index("trunk")][:, 2]
    for region in ("chest", "abdomen", "pelvis"):
        assert trunk.min() < landmark(region, 600, child)[2] < trunk.max()


@pytest.mark.parametrize(
    ("procedure", "region"),
    [
        ("Coronary angiography", "chest"),
        ("PCI, left radial access", "chest"),
        ("Transcatheter aortic valve implantation, femoral access", "chest"),
        ("TEVAR", "chest"),
        ("EVAR standard", "abdomen"),
        ("Endovascular aortic aneurysm repair", "abdomen"),
        ("Hepatic chemoembolisation", "abdomen"),
        ("NEPHROSTOMY_LEFT", "abdomen"),
        ("Uterine fibroid embolisation", "pelvis"),
        ("iliac stent", "pelvis"),
        ("transfemoral cerebral angiography", "head"),
        ("Stroke thrombectomy", "head"),
        ("Carotid stenting", "neck"),
        ("Lower-limb angioplasty", "legs"),
        ("lower limb and iliac angiography", "legs"),
        ("Femoropopliteal revascularisation", "legs"),
        ("drainage", None),
        ("", None),
        (None, None),
        ("specimen", None),
    ],
)
def test_region_told_by_the_name_of_a_procedure(procedure: str | None, region: str | None) -> None:
    assert region_of(procedure) == region


@given(st.text())
def test_any_name_gives_a_region_or_none(text: str) -> None:
    assert region_of(text) in (None, *REGIONS)


def test_the_invented_department_s_procedures_have_their_region() -> None:
    ours = {"heart": "chest", "lower-limb": "legs"}
    for row in rows("sample_procedures"):
        assert region_of(row["label"]) == ours.get(row["region"], row["region"]), row["label"]
