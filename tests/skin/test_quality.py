"""Beam quality and the factor of the field: grid, edge of the grid, media, what is said of it."""

from __future__ import annotations

from math import inf, nan
from time import perf_counter

import numpy as np
import pytest

from dosetrack.errors import InputError
from dosetrack.skin.beam import Beam
from dosetrack.skin.quality import (
    BeamQuality,
    Medium,
    beam_quality,
    field_factors,
    quality_doubt,
    table_transmission,
)
from dosetrack.skin.quality_grid import axes, backscatter_grid, field_sides_cm
from dosetrack.tables import constants, rows


def beam(**facts: float) -> Beam:
    return Beam(10.0, 750.0, 1100.0, 160.0, 160.0, **facts)


def keys(said: BeamQuality) -> list[str]:
    return [one.key for one in said.assumed]


@pytest.mark.parametrize(
    "row", rows("hvl")[::17], ids=lambda row: f"{row['kvp']}-{row['al_mm']}-{row['cu_mm']}"
)
def test_a_quality_of_the_table_comes_back_as_it_stands(row: dict[str, str]) -> None:
    quality = beam_quality(kvp=float(row["kvp"]), al_mm=float(row["al_mm"]), cu_mm=float(row["cu_mm"]))
    for name in ("hvl_mm_al", "hvl2_mm_al", "mean_energy_kev", "water_over_air", "skin_over_air"):
        assert getattr(quality, name) == pytest.approx(float(row[name]), rel=1e-12)
    assert dict(quality.transmissions)[2.0] == pytest.approx(float(row["transmission_2.0_mm_al"]), rel=1e-12)
    assert quality.assumed == quality.findings == ()
    assert quality.doubt == 0


@pytest.mark.parametrize("medium", ["water", "skin"])
@pytest.mark.parametrize(("kvp", "al_mm", "cu_mm"), [(50, 2.5, 0), (80, 3, 0.2), (125, 4.5, 0.9)])
def test_a_field_of_the_table_comes_back_as_it_stands(
    kvp: float, al_mm: float, cu_mm: float, medium: Medium
) -> None:
    wanted = {
        float(row["field_side_cm"]): float(row[f"bm_{medium}"])
        for row in rows("backscatter")
        if (float(row["kvp"]), float(row["al_mm"]), float(row["cu_mm"])) == (kvp, al_mm, cu_mm)
    }
    factors = field_factors(beam(kvp=kvp, al_mm=al_mm, cu_mm=cu_mm), medium=medium)
    assert dict(zip(factors.sides_cm, factors.medium_and_backscatter, strict=True)) == pytest.approx(wanted)


def test_the_columns_of_the_table_fit_each_other() -> None:
    """Dose to the medium = backscatter of air kerma x medium ratio of the whole spectrum; four decimals."""
    for row in rows("backscatter"):
        for medium in ("water", "skin"):
            product = float(row["b_air_kerma"]) * float(row[f"{medium}_over_air_total"])
            assert float(row[f"bm_{medium}"]) == pytest.approx(product, abs=2e-4)


def test_the_factor_rises_with_the_field_everywhere() -> None:
    assert (np.diff(backscatter_grid().columns["bm_water"], axis=-1) > 0).all()
    assert (np.diff(field_sides_cm()) > 0).all()


def test_interpolation_stays_between_its_neighbours_and_is_continuous() -> None:
    at = [
        field_factors(beam(kvp=83.0, al_mm=3.2, cu_mm=cu)).medium_and_backscatter for cu in (0.2, 0.25, 0.3)
    ]
    assert (at[0] < at[1]).all()
    assert (at[1] < at[2]).all()
    below = beam_quality(kvp=80 - 1e-9, al_mm=3, cu_mm=0.2 - 1e-9).hvl_mm_al
    above = beam_quality(kvp=80 + 1e-9, al_mm=3, cu_mm=0.2 + 1e-9).hvl_mm_al
    assert below == pytest.approx(above, rel=1e-7)


def test_a_quality_that_is_not_told_is_assumed_and_said_so() -> None:
    quality = beam_quality()
    assert (quality.kvp, quality.al_mm, quality.cu_mm) == (80, 3, 0)
    assert [one.text for one in quality.assumed] == [
        "tube voltage 80 kV, aluminium 3 mm, copper 0 mm (not reported)"
    ]
    assert quality.findings == ()
    assert quality.doubt == constants("skin_factors")["doubt_beam-quality"].number
    partly = beam_quality(kvp=90, cu_mm=0.1)
    assert [one.text for one in partly.assumed] == ["aluminium 3 mm (not reported)"]


@pytest.mark.parametrize(
    ("given", "at_edge", "said"),
    [
        ({"kvp": 400.0, "al_mm": 3.0, "cu_mm": 0.0}, {"kvp": 125.0}, "tube voltage 400 kV"),
        ({"kvp": 40.0, "al_mm": 3.0, "cu_mm": 0.0}, {"kvp": 50.0}, "tube voltage 40 kV"),
        ({"kvp": 80.0, "al_mm": 0.0, "cu_mm": 0.0}, {"al_mm": 2.5}, "aluminium 0 mm"),
        ({"kvp": 80.0, "al_mm": 6.0, "cu_mm": 0.0}, {"al_mm": 4.5}, "aluminium 6 mm"),
        ({"kvp": 80.0, "al_mm": 3.0, "cu_mm": 1.5}, {"cu_mm": 0.9}, "copper 1.5 mm"),
    ],
)
def test_outside_the_table_its_edge_stands_in_with_a_finding(
    given: dict[str, float], at_edge: dict[str, float], said: str
) -> None:
    quality, edge = beam_quality(**given), beam_quality(**{**given, **at_edge})
    assert quality.hvl_mm_al == edge.hvl_mm_al
    assert edge.findings == ()
    assert [one.code for one in quality.findings] == ["beam-quality-outside-table"]
    assert said in quality.findings[0].text
    assert keys(quality) == ["beam-quality-outside-table"]
    assert quality.doubt > edge.doubt
    factors = field_factors(beam(**given))
    assert factors.findings == quality.findings
    assert factors.doubt == quality.doubt
    assert (
        factors.medium_and_backscatter == field_factors(beam(**{**given, **at_edge})).medium_and_backscatter
    ).all()


@pytest.mark.parametrize(
    "given",
    [
        {"kvp": 0.0},
        {"kvp": nan},
        {"kvp": inf},
        {"kvp": -80.0},
        {"al_mm": -1.0},
        {"cu_mm": nan},
        {"cu_mm": -0.1},
    ],
    ids=str,
)
def test_a_quality_that_cannot_be_is_refused(given: dict[str, float]) -> None:
    with pytest.raises(InputError, match="accepted: a number"):
        beam_quality(**given)


def test_media_differ_by_their_published_ratios() -> None:
    """ICRU-44 soft tissue 1.03 x water; ICRP skin below it (computed table of the specification)."""
    media: tuple[Medium, ...] = ("water", "soft tissue", "skin")
    at = {medium: field_factors(beam(kvp=80, al_mm=3, cu_mm=0), medium=medium) for medium in media}
    water = at["water"].medium_and_backscatter
    assert at["soft tissue"].medium_and_backscatter == pytest.approx(1.03 * water)
    assert at["skin"].medium_and_backscatter / water == pytest.approx(0.941 / 1.021, abs=0.002)
    assert [one.medium for one in at.values()] == ["water", "soft tissue", "skin"]


def test_an_unknown_medium_is_refused_with_the_known_ones() -> None:
    with pytest.raises(InputError, match="water, soft tissue, skin"):
        field_factors(beam(), medium="bone")  # type: ignore[arg-type]


def test_what_the_beam_brings_is_used_as_given() -> None:
    both = field_factors(beam(backscatter=1.3, medium_ratio=1.03))
    assert both.medium_and_backscatter == pytest.approx(1.339)
    assert both.assumed == both.findings == ()
    assert both.doubt == 0
    table = field_factors(beam(kvp=80, al_mm=3, cu_mm=0))
    only_medium = field_factors(beam(kvp=80, al_mm=3, cu_mm=0, medium_ratio=1.0))
    assert (only_medium.medium_and_backscatter < table.medium_and_backscatter).all()
    only_backscatter = field_factors(beam(kvp=80, al_mm=3, cu_mm=0, backscatter=1.0))
    ratio = only_medium.medium_and_backscatter * only_backscatter.medium_and_backscatter
    assert ratio == pytest.approx(table.medium_and_backscatter, abs=2e-4)


def test_remembered_factors_cannot_be_written_to() -> None:
    factors = field_factors(beam())
    with pytest.raises(ValueError, match="read-only"):
        factors.medium_and_backscatter[0] = 0
    with pytest.raises(ValueError, match="read-only"):
        factors.sides_cm[0] = 0


def test_a_repeated_beam_costs_next_to_nothing() -> None:
    """Below 20 microseconds, so that a live map can add events; a fifth of a millisecond when new."""
    beams = [beam(kvp=70 + i % 20, al_mm=3, cu_mm=0.2) for i in range(1000)]
    field_factors(beams[0])
    took = min(_time_of(beams) for _ in range(5))
    assert took / len(beams) < 20e-6


def _time_of(beams: list[Beam]) -> float:
    start = perf_counter()
    for one in beams:
        field_factors(one)
    return perf_counter() - start


def test_table_transmission_follows_the_table_and_falls_evenly_between() -> None:
    quality = beam_quality(kvp=80, al_mm=3, cu_mm=0)
    assert table_transmission(quality, 0.0) == 1
    # 80 kV 3 mm Al: 0.767 and 0.613 for 1 and 2 mm (computed table of the specification)
    assert table_transmission(quality, 1.0) == pytest.approx(0.767, abs=5e-4)
    assert table_transmission(quality, 2.0) == pytest.approx(0.613, abs=5e-4)
    shares = [table_transmission(quality, step / 20) for step in range(61)]
    assert (np.diff(shares) < 0).all()
    assert np.abs(np.diff(shares, 2)).max() < 0.003


@pytest.mark.parametrize("thickness", [-0.1, 3.1, nan])
def test_a_table_thicker_than_the_table_of_factors_is_refused(thickness: float) -> None:
    with pytest.raises(InputError, match="0 to 3 mm"):
        table_transmission(beam_quality(kvp=80, al_mm=3, cu_mm=0), thickness)


def test_each_kind_of_assumption_counts_once_in_the_doubt() -> None:
    far = beam_quality(kvp=400, al_mm=9, cu_mm=3)
    assert keys(far) == ["beam-quality-outside-table"] * 3
    assert far.doubt == constants("skin_factors")["doubt_beam-quality-outside-table"].number
    assert quality_doubt(()) == 0
    both = quality_doubt((*far.assumed, *beam_quality().assumed))
    assert both == pytest.approx((far.doubt**2 + beam_quality().doubt ** 2) ** 0.5)


def test_the_defaults_lie_inside_the_table_they_name() -> None:
    table = constants("skin_factors")
    for key, axis in zip(("default_kvp", "default_al", "default_cu"), axes(), strict=True):
        assert (float(table[key].low), float(table[key].high)) == (axis.values[0], axis.values[-1])
        assert table[key].number in axis.values


def test_the_range_of_the_inherent_filtration_moves_the_factor_as_little_as_its_doubt_says() -> None:
    table = constants("skin_factors")
    ends = (float(table["inherent_al"].low), float(table["inherent_al"].high))
    middle = table["inherent_al"].number
    for kvp in (60.0, 80.0, 120.0):
        at_middle = field_factors(beam(kvp=kvp, al_mm=middle, cu_mm=0.1)).medium_and_backscatter
        for end in ends:
            off = field_factors(beam(kvp=kvp, al_mm=end, cu_mm=0.1)).medium_and_backscatter / at_middle - 1
            assert np.abs(off).max() < 2 * table["doubt_inherent-filtration"].number


def test_the_doubt_of_an_assumed_quality_covers_the_usual_qualities() -> None:
    """60 to 110 kV, copper up to 0.4 mm, fields of 5 to 30 cm: 95 of 100 within twice the doubt."""
    assumed = field_factors(beam())
    voltage, _, copper = axes()
    usual = backscatter_grid().columns["bm_water"][
        np.ix_(
            [60 <= kvp <= 110 for kvp in voltage.values],
            [True] * 4,
            [cu_mm <= 0.4 for cu_mm in copper.values],
            (field_sides_cm() >= 5) & (field_sides_cm() <= 30),
        )
    ]
    sides = (assumed.sides_cm >= 5) & (assumed.sides_cm <= 30)
    off = np.abs(usual / assumed.medium_and_backscatter[sides] - 1)
    assert np.mean(off < 2 * assumed.doubt) > 0.95
