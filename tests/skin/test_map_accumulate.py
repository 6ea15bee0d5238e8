"""Several cases on one body: sums where fields met, doubt of how they lie, cases without a map."""

from __future__ import annotations

import numpy as np
import pytest

from dosetrack.skin.accumulate import DatedCase, accumulated_map
from dosetrack.skin.mapping import skin_map
from tests.skin.map_cases import TABLE, beam, case, flat, tube
from tests.skin.test_map import some_beams


def dated(number: int, *placed: object, kerma: float | None = None) -> DatedCase:
    return DatedCase(f"case-{number}", f"2026-0{number}-01", tuple(placed), kerma)  # type: ignore[arg-type]


def test_two_equal_cases_on_one_body_double_the_map() -> None:
    made = case(some_beams(15), table=TABLE)
    once, twice = skin_map([made], flat()), skin_map([made, made], flat())
    assert twice.dose_mgy == pytest.approx(2 * once.dose_mgy)
    assert twice.peak_mgy == pytest.approx(2 * once.peak_mgy)  # type: ignore[operator]
    assert len(twice.by_event) == 2 * len(once.by_event)
    assert sum(one.peak_contribution_mgy for one in twice.by_event) == pytest.approx(twice.peak_mgy)
    assert twice.growth[-1][1] == pytest.approx(twice.peak_mgy)


def test_cases_of_different_rooms_add_where_they_meet() -> None:
    # the same back 100 mm below the isocentre of one room, 150 mm below that of the other
    near, far = case([beam(1000.0)]), case([beam(1000.0)], origin_mm=(0.0, -150.0, 850.0))
    found = accumulated_map([dated(1, near), dated(2, far)], flat())
    shares = [1000 * (600 / 650) ** 2, 1000 * (600 / 600) ** 2]
    assert [one.at_peak_mgy for one in found.shares] == pytest.approx(shares)
    assert found.map.peak_mgy == pytest.approx(sum(shares))
    assert [(one.case_id, one.day) for one in found.shares] == [
        ("case-1", "2026-01-01"),
        ("case-2", "2026-02-01"),
    ]


def test_cases_on_different_skin_do_not_add() -> None:
    first, second = case([beam(1000.0)]), case([beam(800.0)], origin_mm=(0.0, -100.0, 1000.0))
    found = accumulated_map([dated(1, first), dated(2, second)], flat(half_mm=250.0))
    assert found.map.peak_mgy == pytest.approx(1000 * (600 / 650) ** 2)
    assert [one.at_peak_mgy > 0 for one in found.shares] == [True, False]
    assert [one.peak_mgy for one in found.shares] == pytest.approx(
        [1000 * (600 / 650) ** 2, 800 * (600 / 650) ** 2]
    )


def test_the_range_holds_the_doubt_of_how_cases_lie_on_each_other() -> None:
    # fields 95 mm wide on the skin, 80 mm apart: 15 mm of overlap, lost when one lies 30 mm off
    first, second = case([beam(1000.0)]), case([beam(1000.0)], origin_mm=(0.0, -100.0, 930.0))
    found = accumulated_map([dated(1, first), dated(2, second)], flat(spacing_mm=5.0)).map
    alone = skin_map([first], flat(spacing_mm=5.0))
    doubt = next(part for part in found.doubts if part.key == "registration")
    # moved apart the peak is that of one alone, about half; moved together it stays: sqrt(0.5^2 / 2)
    assert doubt.percent == pytest.approx(100 * np.sqrt(0.5**2 / 2), rel=0.1)
    assert found.high_mgy / found.peak_mgy > alone.high_mgy / alone.peak_mgy  # type: ignore[operator]
    assert "skin-cases-registered" in {
        one.code for one in accumulated_map([dated(1, first), dated(2, second)], flat()).map.findings
    }


def test_one_case_has_no_doubt_of_registration() -> None:
    found = accumulated_map([dated(1, case([beam()]))], flat()).map
    assert "registration" not in {part.key for part in found.doubts}
    assert "skin-cases-registered" not in {one.code for one in found.findings}


def test_a_case_without_a_map_is_listed_and_its_air_kerma_is_no_skin_dose() -> None:
    mapped = dated(1, case([beam(1000.0)]))
    found = accumulated_map([mapped, dated(2, kerma=3000.0), dated(3)], flat())
    alone = skin_map(mapped.placed, flat())
    assert found.map.peak_mgy == alone.peak_mgy
    assert [(one.case_id, one.reference_air_kerma_mgy) for one in found.not_on_map] == [
        ("case-2", 3000.0),
        ("case-3", None),
    ]
    told = [one.text for one in found.map.findings if one.code == "skin-case-not-on-map"]
    assert len(told) == 2
    assert "3000 mGy" in told[0]
    assert "an unknown amount" in told[1]


def test_no_case_on_the_map_gives_no_number() -> None:
    found = accumulated_map([dated(1, kerma=500.0)], flat())
    assert found.map.peak_mgy is None
    assert found.shares == ()
    assert [one.case_id for one in found.not_on_map] == ["case-1"]


def test_two_machines_of_one_case_are_one_case() -> None:
    body = tube(across_mm=160.0, depth_mm=115.0)
    place = {"origin_mm": (0.0, -115.0, 1100.0)}
    found = accumulated_map(
        [dated(1, case([beam(100.0)], **place), case([beam(50.0)], **place)), dated(2)],  # type: ignore[arg-type]
        body,
    )
    assert len(found.shares) == 1
    assert found.shares[0].at_peak_mgy == pytest.approx(found.map.peak_mgy)
