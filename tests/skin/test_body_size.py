"""Which size a body is drawn from, and what is said where one number is missing or impossible."""

from __future__ import annotations

import doctest

import pytest

from dosetrack.skin import body_size, places, sections
from dosetrack.skin.body_size import known_size, sex_of, typical_height_cm, typical_weight_kg


def keys(height_cm: float | None, weight_kg: float | None, sex: str | None = "F") -> list[str]:
    return [one.key for one in known_size(height_cm=height_cm, weight_kg=weight_kg, sex=sex).assumed]


def codes(height_cm: float | None, weight_kg: float | None) -> list[str]:
    return [one.code for one in known_size(height_cm=height_cm, weight_kg=weight_kg, sex=None).findings]


def test_known_size_is_used_and_told() -> None:
    known = known_size(height_cm=168, weight_kg=71, sex="M")
    assert known.size is not None
    assert (known.size.height_cm, known.size.weight_kg, known.size.sex) == (168, 71, "male")
    assert [one.key for one in known.assumed] == ["patient-shape"]


def test_unknown_sex_is_told() -> None:
    assert keys(168, 71, None) == ["patient-shape", "patient-sex"]
    assert keys(168, 71, "O") == ["patient-shape", "patient-sex"]


def test_child_is_told() -> None:
    assert "child-proportions" in keys(110, 19)
    assert "child-proportions" not in keys(150, 45)


def test_one_of_two_unknown_takes_a_typical_value_and_says_so() -> None:
    only_height = known_size(height_cm=180, weight_kg=None, sex="M")
    assert only_height.size is not None
    assert only_height.size.weight_kg == pytest.approx(25 * 1.8**2)  # 25 kg/m²
    assert only_height.assumed[0].key == "patient-size"
    assert "weight not known" in only_height.assumed[0].text
    only_weight = known_size(height_cm=None, weight_kg=80, sex="F")
    assert only_weight.size is not None
    assert only_weight.size.height_cm == pytest.approx(162)  # 50th percentile of women, Huston 2009
    assert "height not known" in only_weight.assumed[0].text


def test_a_child_s_weight_alone_gives_a_child_s_height() -> None:
    """12 months: 75 cm, 9.5 kg (WHO medians, from memory)."""
    assert typical_height_cm(9.5, None) == pytest.approx(75)
    assert typical_weight_kg(75) == pytest.approx(9.5)


def test_typical_weight_has_no_step_where_children_end() -> None:
    assert typical_weight_kg(159.999) == pytest.approx(typical_weight_kg(160), rel=1e-3)


def test_nothing_known_gives_no_size() -> None:
    assert known_size(height_cm=None, weight_kg=None, sex="F").size is None


@pytest.mark.parametrize(
    ("height_cm", "weight_kg", "expected"),
    [
        (20, 70, ["body-size-impossible"]),
        (170, 400, ["body-size-impossible"]),
        (float("nan"), 70, ["body-size-impossible"]),
        (float("inf"), float("nan"), ["body-size-impossible", "body-size-impossible"]),
        (0, -3, ["body-size-impossible", "body-size-impossible"]),
        (60, 90, ["body-size-contradictory"]),
        (200, 20, ["body-size-contradictory"]),
    ],
)
def test_an_impossible_size_is_a_finding(height_cm: float, weight_kg: float, expected: list[str]) -> None:
    assert codes(height_cm, weight_kg) == expected


def test_the_other_number_still_counts() -> None:
    known = known_size(height_cm=20, weight_kg=70, sex="M")
    assert known.size is not None
    assert (known.size.height_cm, known.size.weight_kg) == pytest.approx((176, 70))
    assert known_size(height_cm=60, weight_kg=90, sex=None).size is None


@pytest.mark.parametrize("height_cm", [45, 50, 62, 80, 100, 130, 150])
def test_children_of_every_height_have_a_size_that_is_possible(height_cm: float) -> None:
    assert codes(height_cm, typical_weight_kg(height_cm)) == []


def test_the_smallest_patient_asked_for_works() -> None:
    assert known_size(height_cm=45, weight_kg=2, sex=None).size is not None


@pytest.mark.parametrize(
    ("text", "sex"), [("F", "female"), ("m", "male"), ("O", None), ("", None), (None, None)]
)
def test_sex_as_reports_write_it(text: str | None, sex: str | None) -> None:
    assert sex_of(text) == sex


@pytest.mark.parametrize("module", [body_size, places, sections])
def test_the_examples_of_the_documentation_hold(module: object) -> None:
    assert doctest.testmod(module).failed == 0  # type: ignore[arg-type]
