"""What each view and each part of a case gave: sums that give the map again."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from dosetrack.skin.beam import Beam
from dosetrack.skin.by_view import doses_by_view, event_ends, moments
from dosetrack.skin.contributions import highest_by_part, largest_events
from dosetrack.skin.mapping import skin_map
from dosetrack.skin.model import PlacedBeam, PlacedCase, SkinMap
from tests.skin.map_cases import beam, tube


def placed(number: int, one: Beam) -> PlacedBeam:
    return PlacedBeam(
        one, f"2.25.{number}", "single", number % 2 == 0, f"2026-11-25T10:{number:02d}:00+00:00"
    )


def case_of(beams: list[Beam]) -> PlacedCase:
    return PlacedCase(
        tuple(placed(n, one) for n, one in enumerate(beams)),
        (),
        None,
        "HFS",
        (0.0, -115.0, 1100.0),
        1.0,
        True,
    )


@pytest.fixture(scope="module")
def found() -> SkinMap:
    straight = [beam(100.0 + n) for n in range(6)]
    near = [beam(50.0, primary_angle_deg=2.0)]
    oblique = [beam(80.0, primary_angle_deg=40.0, secondary_angle_deg=20.0) for _ in range(3)]
    arc = [beam(60.0, primary_angle_deg=-90.0, primary_end_angle_deg=90.0)]
    first, second = case_of([*straight, *near, *oblique]), case_of([*arc, *oblique])
    return skin_map([first, second], tube(across_mm=160.0, depth_mm=115.0))


def test_views_add_to_the_map(found: SkinMap) -> None:
    views = doses_by_view(found)
    assert views.dose_mgy.sum(axis=0) == pytest.approx(found.dose_mgy, rel=1e-9, abs=1e-9)


def test_views_are_told_apart_by_their_angles_and_joined_over_cases(found: SkinMap) -> None:
    views = doses_by_view(found)
    angles = {(round(v.primary_deg), round(v.secondary_deg), v.primary_end_deg) for v in views.views}
    assert (40, 20, None) in angles
    assert (-90, 0, 90.0) in angles
    assert len(angles) == 3  # 0 and 2 degrees are one view


def test_the_largest_view_of_a_place_stands_first(found: SkinMap) -> None:
    assert found.peak_index is not None
    largest = doses_by_view(found).largest(found.peak_index, 2)
    assert largest[0][1] >= largest[-1][1] > 0
    assert abs(largest[0][0].primary_deg) < 5


def test_moments_rise_and_end_with_the_whole_map(found: SkinMap) -> None:
    steps = moments(found, steps=5)
    assert [m.events for m in steps] == list(event_ends(found, steps=5))
    assert steps[-1].of == steps[-1].events
    assert steps[-1].dose_mgy == pytest.approx(found.dose_mgy, rel=1e-9, abs=1e-9)
    for before, after in pairwise(steps):
        assert (after.dose_mgy >= before.dose_mgy - 1e-9).all()


def test_a_moment_is_the_map_of_the_events_so_far(found: SkinMap) -> None:
    moment = moments(found, steps=10)[2]
    first = found.cases[0]
    part = PlacedCase(first.beams[: moment.events], (), None, first.position, first.origin_mm, 1.0, True)
    assert moment.dose_mgy == pytest.approx(skin_map([part], found.surface).dose_mgy, rel=1e-9, abs=1e-9)


def test_largest_events_and_the_others_add_to_the_peak(found: SkinMap) -> None:
    largest, others = largest_events(found, 3)
    assert [one.dose_mgy for one in largest] == sorted((o.dose_mgy for o in largest), reverse=True)
    assert sum(o.dose_mgy for o in largest) + others.dose_mgy == pytest.approx(found.peak_mgy, rel=1e-6)


def test_highest_by_part_is_the_peak_where_there_is_one_part(found: SkinMap) -> None:
    (part,) = highest_by_part(found.surface, found.dose_mgy)
    assert part.dose_mgy == pytest.approx(found.peak_mgy)
    assert not highest_by_part(found.surface, np.zeros(len(found.dose_mgy)))
