"""The map of a case: worked examples through the whole chain, sums, bands, growth, what is missing.

Examples A to E: worked by hand and by a separate brute-force program for the project's physics
sheet; the closed forms are repeated here beside the numbers.
"""

from __future__ import annotations

from dataclasses import replace
from math import atan, pi, radians, sin, sqrt, tan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dosetrack.skin.beam import Beam
from dosetrack.skin.mapping import skin_map
from dosetrack.skin.model import SkinMap
from dosetrack.skin.peak import levels_mgy
from tests.skin.map_cases import TABLE, beam, case, flat, placed, tube


def codes(found: SkinMap) -> list[str]:
    return [one.code for one in found.findings]


def peak_point(found: SkinMap) -> list[float]:
    """The peak patch in the patient frame of the first case [mm]."""
    assert found.peak_index is not None
    return (found.surface.points_mm[found.peak_index] - np.array(found.cases[0].origin_mm)).round(6).tolist()


def test_example_a_under_table_beam_on_a_flat_back() -> None:
    # 0.8 x 0.95 x (570/630)^2 x 0.80 x 1.30 x 1.03 = 0.666427 Gy
    one = beam(
        800.0, source_to_isocenter_mm=720.0, source_to_detector_mm=1050.0, field_width_mm=220.0,
        field_height_mm=220.0, calibration_factor=0.95, backscatter=1.30, medium_ratio=1.03,
    )  # fmt: skip
    found = skin_map([case([one], origin_mm=(0.0, -90.0, 850.0), table=TABLE)], flat())
    assert found.peak_mgy == pytest.approx(666.427, rel=1e-6)
    assert peak_point(found) == [0.0, 90.0, 0.0]
    # the field ends 66.0 mm from the axis: 13 x 13 patches of 1 cm2 get dose
    assert np.count_nonzero(found.dose_mgy) == 13 * 13


def test_example_b_lateral_beam_beside_the_table() -> None:
    # 0.4 x (600/590)^2 = 0.413674 Gy at the near side, nothing at the far one
    body = tube(across_mm=160.0, depth_mm=115.0)
    found = skin_map(
        [case([beam(400.0, primary_angle_deg=-90.0)], origin_mm=(0.0, -115.0, 1100.0), table=TABLE)], body
    )
    assert found.peak_mgy == pytest.approx(413.674, rel=1e-6)
    assert peak_point(found) == [160.0, 0.0, 0.0]
    far = np.flatnonzero(body.points_mm[:, 0] < 0)
    assert found.dose_mgy[far].max() == 0.0
    assert "table" not in {part.key for part in found.doubts}  # it never met the table


def test_example_c_oblique_beam_on_a_cylinder() -> None:
    # entry on the axis at 653.103085 mm: (600/653.103085)^2 = 0.843993 per air kerma
    body = tube(across_mm=120.0, depth_mm=120.0, turns=2880, length_mm=100.0)
    found = skin_map([case([beam(1000.0, primary_angle_deg=45.0)], origin_mm=(0.0, -90.0, 1100.0))], body)
    points = body.points_mm - np.array((0.0, -90.0, 1100.0))
    nearest = np.linalg.norm(points - np.array((-68.5165, 68.5165, 0.0)), axis=1).argmin()
    assert found.dose_mgy[nearest] == pytest.approx(843.993, rel=2e-4)  # patch 0.1 mm off the axis
    # the nearest skin lies beside the axis; it gets more: (600 / (771.213... - 120))^2 off the axis
    assert found.peak_mgy is not None
    assert found.peak_mgy >= found.dose_mgy[nearest]


def test_example_d_the_peak_lies_where_two_fields_overlap() -> None:
    # 2 x 0.6 x 600^2 / (650^2 + 30^2) = 1.020312 Gy at z = 30; 0.6 (600/650)^2 = 0.511243 on each axis
    two = case([beam(600.0), beam(600.0, table_offset_mm=(0.0, 0.0, -60.0))])
    found = skin_map([two], flat())
    assert found.peak_mgy == pytest.approx(1020.312, rel=1e-6)
    assert peak_point(found) == [0.0, 100.0, 30.0]
    points = found.surface.points_mm - np.array(two.origin_mm)
    on_axis = [np.linalg.norm(points - np.array((0.0, 100.0, z)), axis=1).argmin() for z in (0.0, 60.0)]
    assert found.dose_mgy[on_axis] == pytest.approx([511.243, 511.243], rel=1e-6)


def test_example_e_a_rotation_spreads_the_dose() -> None:
    # (1/pi) 600^2 x 4/(750^2 - 120^2) x atan((870/630) tan(22.799 deg / 2)) = 0.227100 at the back
    assert 1000 / pi * 600**2 * 4 / (750**2 - 120**2) * atan(870 / 630 * tan(radians(22.799 / 2))) == (
        pytest.approx(227.1, abs=0.01)
    )
    body = tube(across_mm=120.0, depth_mm=120.0, length_mm=100.0)
    arc = beam(1000.0, primary_angle_deg=-90.0, primary_end_angle_deg=90.0)
    found = skin_map([case([arc], origin_mm=(0.0, -120.0, 1100.0))], body)
    back = np.linalg.norm(body.points_mm - np.array((0.0, 0.0, 1100.0)), axis=1).argmin()
    assert found.dose_mgy[back] == pytest.approx(227.1, rel=0.01)


def some_beams(count: int, seed: int = 1) -> list[Beam]:
    chance = np.random.default_rng(seed)
    return [
        beam(
            float(chance.uniform(10, 200)),
            primary_angle_deg=float(chance.uniform(-40, 40)),
            secondary_angle_deg=float(chance.uniform(-20, 20)),
            table_offset_mm=tuple(chance.uniform(-30, 30, 3).tolist()),
        )
        for _ in range(count)
    ]


def test_contributions_of_all_events_add_to_the_peak() -> None:
    found = skin_map([case(some_beams(40), table=TABLE)], flat())
    assert len(found.by_event) == 40
    assert sum(one.peak_contribution_mgy for one in found.by_event) == pytest.approx(found.peak_mgy, rel=1e-9)


def test_parts_of_one_event_stand_as_one() -> None:
    first, second, other = some_beams(3)
    parts = [placed(first, 0, uid="1.7"), placed(second, 0, uid="1.7"), placed(other, 1)]
    found = skin_map([case(parts)], flat())
    assert [one.uid for one in found.by_event] == ["1.7", "1.1"]
    assert len(found.growth) == 2


def test_events_without_uid_are_told_apart_by_their_start() -> None:
    beams = [replace(placed(b, n // 2), uid=None) for n, b in enumerate(some_beams(4))]
    assert len(skin_map([case(beams)], flat()).by_event) == 2
    nameless = [replace(b, started_at=None) for b in beams]
    assert len(skin_map([case(nameless)], flat()).by_event) == 4


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), order=st.randoms(use_true_random=False))
def test_the_order_of_events_is_of_no_matter_to_the_map(seed: int, order) -> None:  # type: ignore[no-untyped-def]
    beams = some_beams(8, seed)
    shuffled = list(beams)
    order.shuffle(shuffled)
    one, other = (skin_map([case(b)], flat(spacing_mm=20.0), detail="peak") for b in (beams, shuffled))
    assert other.dose_mgy == pytest.approx(one.dose_mgy, rel=1e-12)
    assert other.high_mgy == pytest.approx(one.high_mgy, rel=1e-9)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_an_event_told_in_two_halves_changes_nothing(seed: int) -> None:
    beams = some_beams(5, seed)
    halves = [
        placed(replace(b, reference_air_kerma_mgy=b.reference_air_kerma_mgy / 2), n)
        for n, b in enumerate(beams)
        for _ in range(2)
    ]
    whole, split = (skin_map([case(b)], flat(spacing_mm=20.0)) for b in (beams, halves))
    assert split.dose_mgy == pytest.approx(whole.dose_mgy, rel=1e-12)
    assert [e.peak_contribution_mgy for e in split.by_event] == pytest.approx(
        [e.peak_contribution_mgy for e in whole.by_event]
    )
    assert (split.low_mgy, split.high_mgy) == pytest.approx((whole.low_mgy, whole.high_mgy))


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), extra=st.floats(0.1, 500))
def test_one_more_event_never_lowers_dose_or_peak(seed: int, extra: float) -> None:
    beams = some_beams(4, seed)
    fewer = skin_map([case(beams)], flat(spacing_mm=20.0), detail="peak")
    more = skin_map([case([*beams, beam(extra)])], flat(spacing_mm=20.0), detail="peak")
    assert (more.dose_mgy >= fewer.dose_mgy - 1e-9).all()
    assert more.peak_mgy is not None
    assert fewer.peak_mgy is not None
    assert more.peak_mgy >= fewer.peak_mgy - 1e-9


def test_bands_add_to_the_whole_surface() -> None:
    found = skin_map([case([beam(2000.0), beam(4000.0, table_offset_mm=(0.0, 0.0, -60.0))])], flat())
    assert sum(band.area_cm2 for band in found.bands) == pytest.approx(41 * 41)
    assert [band.from_mgy for band in found.bands] == [0.0, *levels_mgy()]
    above = {band.from_mgy: band.area_cm2 for band in found.bands}
    # kerma at 650 mm and more: 1704 mGy at most from the first alone, 3408 from the second, 5112 from both
    assert above[5000.0] == np.count_nonzero(found.dose_mgy >= 5000.0) > 0
    assert above[2000.0] == 0.0


def test_a_dose_at_an_edge_counts_in_the_worse_band() -> None:
    # (600/600)^2: skin at the reference point gets the air kerma itself on the axis
    found = skin_map([case([beam(2000.0)], origin_mm=(0.0, -150.0, 850.0))], flat())
    assert found.peak_mgy == 2000.0
    assert {b.from_mgy: b.area_cm2 for b in found.bands}[2000.0] == 1.0


def test_growth_ends_at_the_peak_and_never_falls() -> None:
    found = skin_map([case(some_beams(30))], flat())
    so_far, here = (np.array([step[i] for step in found.growth]) for i in (1, 2))
    assert (np.diff(so_far) >= 0).all()
    assert (np.diff(here) >= 0).all()
    assert (so_far >= here - 1e-9).all()
    assert so_far[-1] == pytest.approx(found.peak_mgy)
    assert here[-1] == pytest.approx(found.peak_mgy)


def test_growth_of_a_very_long_case_is_bounded() -> None:
    found = skin_map([case([placed(b, n) for n, b in enumerate(some_beams(437))])], flat(spacing_mm=40.0))
    assert len(found.by_event) == 437
    assert len(found.growth) <= 100
    assert found.growth[-1][1] == pytest.approx(found.peak_mgy)


def test_a_change_of_view_is_seen_to_spread_the_dose() -> None:
    same = [beam(300.0)] * 2
    moved = [beam(300.0), beam(300.0, table_offset_mm=(0.0, 0.0, 150.0))]
    grown, spread = (skin_map([case(b)], flat()).growth for b in (same, moved))
    assert grown[1][1] == pytest.approx(2 * grown[0][1])
    assert spread[1][1] == pytest.approx(spread[0][1])


def test_fluoroscopy_and_acquisition_share_the_peak() -> None:
    beams = [placed(beam(300.0), 0, fluoroscopy=True), placed(beam(100.0), 1, fluoroscopy=False)]
    assert skin_map([case(beams)], flat()).fluoroscopy_share == pytest.approx(0.75)
    beams[1] = placed(beam(100.0), 1, fluoroscopy=None)
    assert skin_map([case(beams)], flat()).fluoroscopy_share is None


def test_a_case_with_air_kerma_off_the_map_is_a_lower_estimate_with_its_bound() -> None:
    found = skin_map([case([beam(900.0)], not_mapped=[100.0])], flat())
    assert found.mapped_fraction == pytest.approx(0.9)
    assert found.peak_mgy == pytest.approx(900 * (600 / 650) ** 2)
    assert found.bound_mgy == pytest.approx(1000 * (600 / 650) ** 2)
    told = next(one for one in found.findings if one.code == "skin-lower-estimate")
    assert "90 %" in told.text
    assert "lower estimate" in told.text


def test_an_event_without_air_kerma_leaves_the_bound_unknown() -> None:
    found = skin_map([case([beam(900.0)], not_mapped=[None])], flat())
    assert found.bound_mgy is None
    assert "an unknown part" in next(f.text for f in found.findings if f.code == "skin-lower-estimate")


def test_a_beam_beside_the_sheet_is_not_counted_as_mapped() -> None:
    found = skin_map([case([beam(600.0), beam(200.0, primary_angle_deg=90.0)])], flat())
    assert found.mapped_fraction == pytest.approx(0.75)
    assert "skin-lower-estimate" in codes(found)
    assert len(found.by_event) == 2


def test_without_any_placed_event_there_is_no_number() -> None:
    found = skin_map([case([], not_mapped=[100.0])], flat())
    assert (found.peak_mgy, found.low_mgy, found.high_mgy, found.peak_site) == (None,) * 4
    assert found.mapped_fraction == 0.0
    assert codes(found) == ["skin-nothing-placed"]
    assert skin_map([], flat()).peak_mgy is None


def test_beams_that_all_miss_the_body_give_no_zero() -> None:
    found = skin_map([case([beam(100.0, table_offset_mm=(2000.0, 0.0, 0.0))])], flat())
    assert found.peak_mgy is None
    assert codes(found) == ["skin-beams-miss-body"]
    assert found.mapped_fraction == 0.0


def test_the_medium_is_named_and_changes_the_dose() -> None:
    one = beam(100.0, backscatter=None, medium_ratio=None, kvp=80.0, al_mm=3.0, cu_mm=0.0)
    water, tissue = (skin_map([case([one])], flat(), medium=name) for name in ("water", "soft tissue"))
    assert (water.medium, tissue.medium) == ("water", "soft tissue")
    # ICRU-44 soft tissue over water, 80 kV 3 mm Al: 1.056 / 1.021 = 1.034; 1.03 over qualities
    assert tissue.peak_mgy == pytest.approx(1.03 * water.peak_mgy, rel=1e-6)  # type: ignore[operator]


def test_the_short_form_has_the_same_numbers() -> None:
    made = case(some_beams(12), table=TABLE, assumed=["position", "calibration", "table-axes"])
    full, short = (skin_map([made], flat(), detail=detail) for detail in ("full", "peak"))  # type: ignore[arg-type]
    assert (short.peak_mgy, short.low_mgy, short.high_mgy) == pytest.approx(
        (full.peak_mgy, full.low_mgy, full.high_mgy), rel=1e-12
    )
    assert short.doubts == full.doubts
    assert (short.growth, short.influences) == ((), ())


def test_cylinder_nearest_skin_by_closed_form() -> None:
    # example C: the skin nearest to the source lies toward the axis of the cylinder
    distance = sqrt(771.2131**2 + (30 * sin(radians(45))) ** 2) - 120
    body = tube(across_mm=120.0, depth_mm=120.0, turns=2880, length_mm=100.0)
    found = skin_map([case([beam(1000.0, primary_angle_deg=45.0)], origin_mm=(0.0, -90.0, 1100.0))], body)
    assert found.peak_mgy == pytest.approx(1000 * (600 / distance) ** 2, rel=1e-5)
