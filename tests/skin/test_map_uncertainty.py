"""The range of the peak: totals against published ones, what each doubt bears on, monotone in each."""

from __future__ import annotations

from dataclasses import replace
from math import cos, radians, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.skin.at_peak import at_peak
from dosetrack.skin.mapping import skin_map
from dosetrack.skin.model import Assumption, Doubt, PlacedCase, SkinMap
from dosetrack.skin.uncertainty import AtPeak, Recomputed, doubts, range_factor, relative_uncertainty
from tests.skin.map_cases import TABLE, beam, case, flat, tube

# what a case rests on when nothing of the room is known, and when all is
NOTHING_KNOWN = ("calibration", "table-transmission", "position")
FACTOR = {"calibration_factor": 1.05}


def percents(found: SkinMap) -> dict[str, float]:
    return {part.key: part.percent for part in found.doubts}


def one_at(made: PlacedCase, *, path: float = 1.0, distance_mm: float = 600.0, steep: float = 0.0) -> AtPeak:
    n = len(made.beams)
    return AtPeak(made, np.full(n, 100.0), np.full(n, distance_mm), np.full(n, path), np.full(n, steep))


def total(assumed: tuple[str, ...], **known: float) -> float:
    """Expanded uncertainty, k = 2, of one beam from under the table [%]."""
    made = case([beam(100.0, kvp=80.0, al_mm=3.0, cu_mm=0.2, **known)], assumed=assumed)
    return 200 * relative_uncertainty(doubts([one_at(made)], Recomputed()))


def test_totals_against_the_published_ones() -> None:
    """Krajinovic, Vujisic, Ciraj-Bjelac 2021, Radiat Prot Dosim 195:129 (abstract read; volume from
    memory), skin dose from dose reports, k = 2: 13 % with all inputs controlled, 28 % realistic, up
    to 61 % if not. Ours is to stand near, and never below the best that was reached.
    """
    controlled = total((), **FACTOR)
    realistic = total(("table-transmission", "position"), **FACTOR)
    uncontrolled = total((*NOTHING_KNOWN, "table-movement", "field"))
    assert 13.0 <= controlled <= 28.0
    assert 28.0 <= realistic <= 1.2 * 28.0
    assert 50.0 <= uncontrolled <= 1.05 * 61.0


def test_totals_against_the_worked_sum_of_parts() -> None:
    # meter 35/sqrt(3) or 4; table 7/4; backscatter 4; medium 3; distance 2 x 20/600 or 2 x 12/600;
    # position 10/6; in quadrature, k = 2: 50 % and 21 %; so x/÷ 1.5 and about 1.25 or better
    assert total(NOTHING_KNOWN) == pytest.approx(
        2 * sqrt(35**2 / 3 + 7**2 + 4**2 + 3**2 + (100 * 40 / 600) ** 2 + 10**2), rel=1e-9
    )
    assert total(NOTHING_KNOWN) == pytest.approx(50.0, abs=0.5)
    assert total((), **FACTOR) == pytest.approx(2 * sqrt(16 + 16 + 16 + 9 + 16 + 36), rel=1e-9)
    assert total((), **FACTOR) == pytest.approx(20.0, abs=1.0)


def test_range_is_a_ratio() -> None:
    found = skin_map([case([beam()], assumed=NOTHING_KNOWN, table=TABLE)], flat())
    assert found.peak_mgy is not None
    assert found.low_mgy is not None
    assert found.high_mgy is not None
    assert found.low_mgy * found.high_mgy == pytest.approx(found.peak_mgy**2)
    assert found.high_mgy / found.peak_mgy == pytest.approx(1.5, abs=0.03)
    wide = range_factor([Doubt("meter", "", 300.0)])
    assert found.peak_mgy / wide > 0


def test_a_lateral_beam_has_no_doubt_from_the_table() -> None:
    body = tube(across_mm=160.0, depth_mm=115.0)
    place = {"origin_mm": (0.0, -115.0, 1100.0), "table": TABLE, "assumed": ("table-transmission",)}
    under = percents(skin_map([case([beam()], **place)], body))  # type: ignore[arg-type]
    beside = percents(skin_map([case([beam(primary_angle_deg=90.0)], **place)], body))  # type: ignore[arg-type]
    assert under["table"] == pytest.approx(7.0)
    assert "table" not in beside


def test_an_oblique_ray_carries_the_doubt_of_the_table_by_its_path() -> None:
    # T = T0^(1/cos 50) on the axis: a doubt of 7 % counts 7 / cos 50 = 10.9 %
    made = case([beam(primary_angle_deg=50.0)], table=TABLE, origin_mm=(0.0, -100.0, 850.0))
    # the axis meets the skin at y = 100 when x = -100 tan 50
    point = np.array((-119.175359, 0.0, 850.0))
    found = at_peak(made, np.array([1.0]), point, np.array((0.0, 1.0, 0.0)))
    assert found.table_path[0] == pytest.approx(1 / cos(radians(50)), rel=1e-5)
    assert found.distance_mm[0] == pytest.approx(750 - 100 / cos(radians(50)), rel=1e-5)
    assert found.is_steep[0] == 0.0


def test_the_doubt_of_distance_grows_as_the_skin_comes_nearer() -> None:
    near, far = (
        percents(skin_map([case([beam()], origin_mm=(0.0, -y, 850.0), assumed=("position",))], flat()))
        for y in (250.0, 100.0)
    )
    assert near["distance"] == pytest.approx(100 * 2 * 20 / 500)
    assert far["distance"] == pytest.approx(100 * 2 * 20 / 650)


def test_one_calibrated_plane_of_two_counts_by_its_share() -> None:
    beams = [beam(100.0, calibration_factor=1.1), beam(110.0)]
    found = percents(skin_map([case(beams, assumed=("calibration",))], flat()))
    assert found["meter"] == pytest.approx((4.0 + 35 / sqrt(3)) / 2, rel=1e-9)


def test_arms_count_only_for_steep_beams_and_legs_only_on_a_leg() -> None:
    made = case([beam()], assumed=("arms",))
    surface_assumed = (Assumption("legs", "legs lie straight"),)
    flat_beam = doubts([one_at(made)], Recomputed(), surface_assumed=surface_assumed)
    assert {"arms", "legs"} & {d.key for d in flat_beam} == set()
    steep = doubts([one_at(made, steep=1.0)], Recomputed(), surface_assumed=surface_assumed, is_on_leg=True)
    assert {d.key: d.percent for d in steep}["arms"] == 10.0
    # with an uncalibrated meter a peak on a leg has about +/- 50 % and more
    leg = doubts(
        [one_at(case([beam()], assumed=NOTHING_KNOWN))], Recomputed(), surface_assumed=surface_assumed,
        is_on_leg=True,
    )  # fmt: skip
    assert range_factor(leg) >= 1.5


def test_an_assumption_of_few_events_weighs_less() -> None:
    made = case([beam()])
    few, all_of_them = (
        doubts([one_at(replace(made, assumed=(Assumption("field", "", share),)))], Recomputed())
        for share in (0.25, 1.0)
    )
    weight = {tuple(d.percent for d in parts if d.key == "field") for parts in (few, all_of_them)}
    assert weight == {(2.0,), (8.0,)}


KEYS = (*NOTHING_KNOWN, "table-movement", "table-axes", "field", "region", "patient-size", "arms", "new-one")


@given(keys=st.sets(st.sampled_from(KEYS)), more=st.sampled_from(KEYS), steep=st.floats(0, 1))
def test_one_more_assumption_never_narrows_the_range(keys: set[str], more: str, steep: float) -> None:
    def factor(assumed: set[str]) -> float:
        made = case([beam()], assumed=sorted(assumed))
        return range_factor(doubts([one_at(made, steep=steep)], Recomputed()))

    assert factor(keys | {more}) >= factor(keys) - 1e-12


@given(
    position=st.floats(0, 1), directions=st.floats(0, 1), registration=st.floats(0, 1), more=st.floats(0, 1)
)
def test_a_larger_recomputed_doubt_never_narrows_the_range(
    position: float, directions: float, registration: float, more: float
) -> None:
    made = one_at(case([beam()], assumed=NOTHING_KNOWN))

    def factor(*parts: float) -> float:
        return range_factor(doubts([made], Recomputed(*parts)))

    base = factor(position, directions, registration)
    assert factor(position + more, directions, registration) >= base
    assert factor(position, directions + more, registration) >= base
    assert factor(position, directions, registration + more) >= base


@given(path=st.floats(0, 3), more=st.floats(0, 1), distance=st.floats(300, 900))
def test_range_is_monotone_in_table_path_and_distance(path: float, more: float, distance: float) -> None:
    made = case([beam()], assumed=NOTHING_KNOWN)

    def factor(path: float, distance_mm: float) -> float:
        return range_factor(doubts([one_at(made, path=path, distance_mm=distance_mm)], Recomputed()))

    assert factor(path + more, distance) >= factor(path, distance)
    assert factor(path, distance) >= factor(path, distance + 100)


def test_the_parts_are_told_the_largest_first_with_words() -> None:
    found = skin_map([case([beam()], assumed=(*NOTHING_KNOWN, "field"), table=TABLE)], flat())
    sizes = [part.percent for part in found.doubts]
    assert sizes == sorted(sizes, reverse=True)
    assert found.doubts[0].key == "meter"
    assert all(part.text for part in found.doubts)


def test_overlap_of_two_narrow_fields_is_recomputed() -> None:
    """A lateral shift of the body leaves one beam's peak as it is; two crossing beams part or meet."""
    body = tube(across_mm=160.0, depth_mm=115.0)
    views = [
        beam(100.0, primary_angle_deg=angle, field_width_mm=60.0, field_height_mm=60.0) for angle in (-15, 15)
    ]
    place = {"origin_mm": (0.0, -60.0, 1100.0), "assumed": ("position",)}
    crossing = percents(skin_map([case(views, **place)], body))  # type: ignore[arg-type]
    single = percents(skin_map([case(views[:1], **place)], body))  # type: ignore[arg-type]
    assert single["position"] == pytest.approx(10.0, abs=1.0)
    assert crossing["position"] > 15.0
