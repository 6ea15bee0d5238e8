"""Directions of gantry and patient: the checks any implementation must pass."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.errors import InputError
from dosetrack.skin.frames import (
    detector_direction,
    height_direction,
    room_of_patient,
    source_point,
    to_table_frame,
    width_direction,
)

ANGLE = st.floats(-360, 360)
LEFT, BACK, HEAD = np.eye(3)  # of the patient
DOWN = np.array([0.0, 1.0, 0.0])  # of the room


@pytest.mark.parametrize(
    ("primary", "secondary", "source"),
    [
        (0, 0, (0, 750, 0)),  # under the table: the beam enters the back
        (90, 0, (-750, 0, 0)),  # detector at the patient's left, source at the right
        (-90, 0, (750, 0, 0)),
        (0, 90, (0, 0, -750)),  # detector at the head, source at the feet
        (180, 0, (0, -750, 0)),
    ],
)
def test_where_the_source_stands(primary: float, secondary: float, source: tuple[float, ...]) -> None:
    found = source_point(primary, secondary, source_to_isocenter_mm=750.0)
    np.testing.assert_allclose(found, source, atol=1e-9)


@given(ANGLE, ANGLE)
def test_the_gantry_axes_are_right_handed_unit_vectors(primary: float, secondary: float) -> None:
    d = detector_direction(primary, secondary)
    width, height = width_direction(primary, secondary), height_direction(primary, secondary)
    np.testing.assert_allclose(np.cross(width, height), d, atol=1e-12)
    np.testing.assert_allclose([d @ d, width @ width, height @ height], 1.0, rtol=1e-12)


@pytest.mark.parametrize(
    ("position", "down", "head"),
    # what of the patient is down, and whether the head is at the head end of the room (+z)
    [
        ("HFS", BACK, 1), ("HFP", -BACK, 1), ("HFDL", LEFT, 1), ("HFDR", -LEFT, 1),
        ("FFS", BACK, -1), ("FFP", -BACK, -1), ("FFDL", LEFT, -1), ("FFDR", -LEFT, -1),
    ],
)  # fmt: skip
def test_how_the_patient_lies(position: str, down: np.ndarray, head: int) -> None:
    q = room_of_patient(position)  # type: ignore[arg-type]
    np.testing.assert_array_equal(q @ down, DOWN)
    np.testing.assert_array_equal(q @ HEAD, head * HEAD)
    assert np.linalg.det(q) == pytest.approx(1.0)  # a turn, never a mirror
    np.testing.assert_array_equal(to_table_frame(np.array([down]), position)[0], DOWN)  # type: ignore[arg-type]


@pytest.mark.parametrize("word", ["", "hfs", "HFX", None, 3])
def test_an_unknown_position_names_those_that_are_known(word: object) -> None:
    with pytest.raises(InputError, match="position") as caught:
        room_of_patient(word)  # type: ignore[arg-type]
    assert "FFDR" in str(caught.value)
