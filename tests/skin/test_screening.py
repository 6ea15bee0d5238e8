"""The live range of skin dose against the worked factors and the published spread.

Published peak skin dose over Ka,r: 0.28 to 0.49 (12 cath-lab cases, AAPM 2016 abstract 31205),
about 0.5 head and neck and 1.1 body (142 cases, Phys Med 2021;89:63), up to 1.6 for everything on
one spot over nine systems (AJR 2014, PMID 25148168): read as abstracts.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.radiation import radiation_account
from dosetrack.records.report import DoseTotal, IrradiationEvent
from dosetrack.skin.screening import RoughGeometry, estimated_skin_range, rough_geometry
from dosetrack.tables import constants


def account(**planes: float):
    rows = [DoseTotal(plane=p, basis="stated", reference_air_kerma_mgy=v) for p, v in planes.items()]
    return radiation_account([], rows, [])


def test_factor_by_hand_for_an_under_table_beam() -> None:
    # (600/650)² x 0.80 x 1.47 = 1.0020; widened by 1.25 both ways; body: 60 % in one view
    found = estimated_skin_range(account(single=1000.0), region="body")
    assert found is not None
    assert found.high_mgy == pytest.approx(1000 * (600 / 650) ** 2 * 0.80 * 1.47 * 1.25)
    assert found.high_mgy == pytest.approx(1252.5, abs=0.5)
    assert found.low_mgy == pytest.approx(1002.0 * 0.6 / 1.25, abs=0.5)
    assert found.basis == "estimated"


def test_skin_near_the_tube_receives_more_than_the_air_kerma_and_is_not_capped() -> None:
    # steep oblique view, large patient: (600/500)² = 1.44, beam beside the table
    near = RoughGeometry(source_to_reference_mm=600.0, source_to_skin_mm=500.0, crosses_table=False)
    found = estimated_skin_range(account(single=1000.0), {"single": near})
    assert found is not None
    assert found.high_mgy == pytest.approx(1000 * 1.44 * 1.47 * 1.25)


@pytest.mark.parametrize(
    ("region", "published"),
    [("cardiac", (0.28, 0.49)), ("neuro", (0.5, 0.5)), ("body", (1.1, 1.1))],
)
def test_range_holds_the_published_spread(region: str, published: tuple[float, float]) -> None:
    found = estimated_skin_range(account(single=1000.0), region=region)  # type: ignore[arg-type]
    assert found is not None
    assert found.low_mgy <= published[0] * 1000
    assert found.high_mgy >= published[1] * 1000


def test_no_air_kerma_no_range() -> None:
    assert estimated_skin_range(radiation_account([], [], [])) is None


def test_what_was_assumed_is_said() -> None:
    found = estimated_skin_range(account(a=1000.0, b=800.0))
    assert found is not None
    assert "beam of plane A passes the table" in found.assumed
    assert "beam of plane B misses the table" in found.assumed
    assert "beams of the planes do not overlap on the skin" in found.assumed


def test_overlapping_planes_add() -> None:
    known = RoughGeometry(600.0, 600.0, crosses_table=False)
    both = {"a": known, "b": known}
    apart = estimated_skin_range(account(a=1000.0, b=800.0), both, planes_overlap=False)
    together = estimated_skin_range(account(a=1000.0, b=800.0), both, planes_overlap=True)
    assert apart is not None
    assert together is not None
    assert apart.high_mgy == pytest.approx(1000 * 1.47 * 1.25)
    assert together.high_mgy == pytest.approx(1800 * 1.47 * 1.25)
    assert together.low_mgy == apart.low_mgy


def test_geometry_read_from_events() -> None:
    def event(kerma: float, primary: float, secondary: float) -> IrradiationEvent:
        return IrradiationEvent(
            plane="single",
            reference_air_kerma_mgy=kerma,
            primary_angle_deg=primary,
            secondary_angle_deg=secondary,
            source_to_isocenter_mm=750.0,
        )

    found = rough_geometry([event(300.0, 0.0, 0.0), event(300.0, 15.0, 5.0), event(400.0, 90.0, 0.0)])
    assert found["single"].source_to_reference_mm == pytest.approx(600.0)
    assert found["single"].crosses_table is True
    assert found["single"].largest_view_share == pytest.approx(0.6)
    lateral = rough_geometry([event(300.0, 90.0, 0.0)])
    assert lateral["single"].crosses_table is False
    unknown = rough_geometry([IrradiationEvent(plane="b", reference_air_kerma_mgy=1.0)])
    assert unknown["b"] == RoughGeometry()


@given(st.floats(1, 20_000), st.floats(0, 5_000))
def test_more_air_kerma_never_lowers_the_range(kerma: float, more: float) -> None:
    before, after = (estimated_skin_range(account(single=k)) for k in (kerma, kerma + more))
    assert before is not None
    assert after is not None
    assert after.low_mgy >= before.low_mgy
    assert after.high_mgy >= before.high_mgy >= before.low_mgy


@given(
    st.lists(
        st.tuples(st.floats(0.0, 100.0), st.integers(-90, 90), st.integers(-45, 45)),
        min_size=1,
        max_size=40,
    ).filter(lambda beams: sum(weight for weight, _, _ in beams) > 1.0)
)
def test_most_used_view_is_found_as_by_comparing_each_with_each(beams: list[tuple[float, int, int]]) -> None:
    events = [
        IrradiationEvent(
            plane="single",
            reference_air_kerma_mgy=w,
            primary_angle_deg=float(p),
            secondary_angle_deg=float(s),
        )
        for w, p, s in beams
    ]
    width = constants("skin_screening")["view_bin"].number
    heaviest = max(
        sum(w for w, p, s in beams if abs(p - p0) <= width and abs(s - s0) <= width) for _, p0, s0 in beams
    )
    share = rough_geometry(events)["single"].largest_view_share
    assert share == pytest.approx(min(1.0, heaviest / sum(w for w, _, _ in beams)))
