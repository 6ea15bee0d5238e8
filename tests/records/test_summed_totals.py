"""Sums over irradiation events: per plane, by kind, missing left out, repetitions once."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from dosetrack.records.report import IrradiationEvent
from dosetrack.records.totals import summed_totals

EVENTS = (
    IrradiationEvent(uid="1", plane="a", type="fluoroscopy", started_at="t1", dose_area_product_gycm2=1.5,
                     reference_air_kerma_mgy=10.0, duration_s=4.0),
    IrradiationEvent(uid="1", plane="b", type="fluoroscopy", started_at="t1", dose_area_product_gycm2=0.5),
    IrradiationEvent(uid="2", plane="a", type="rotational", started_at="t2", dose_area_product_gycm2=2.0,
                     reference_air_kerma_mgy=30.0, duration_s=6.0),
    IrradiationEvent(uid="3", plane=None, type="Spin", dose_area_product_gycm2=8.0),
)  # fmt: skip


def test_planes_and_kinds_by_hand() -> None:
    a, b, everything = summed_totals(EVENTS)
    assert (a.plane, b.plane, everything.plane) == ("a", "b", "all")
    assert (a.dose_area_product_gycm2, a.fluoroscopy_dose_area_product_gycm2) == (3.5, 1.5)
    assert (a.acquisition_dose_area_product_gycm2, a.acquisition_time_s) == (2.0, 6.0)
    assert a.fluoroscopy_time_s == 4.0
    assert b.reference_air_kerma_mgy is None  # not given by any event: not known, not 0
    assert everything.dose_area_product_gycm2 == 12.0  # the event without a plane counts here
    assert everything.reference_air_kerma_mgy == 40.0
    assert {total.basis for total in (a, b, everything)} == {"summed"}


def test_no_events_give_no_totals() -> None:
    assert summed_totals([]) == ()


events = st.builds(
    IrradiationEvent,
    uid=st.sampled_from(["1", "2", "3", None]),
    plane=st.sampled_from(["single", "a", "b", None]),
    type=st.sampled_from(["fluoroscopy", "stationary", "Spin", None]),
    started_at=st.sampled_from(["t1", "t2"]),
    dose_area_product_gycm2=st.none() | st.floats(0, 100),
)


@given(st.lists(events, min_size=1), events)
def test_another_event_never_lowers_a_total(some: list[IrradiationEvent], one: IrradiationEvent) -> None:
    before = summed_totals(some)[-1].dose_area_product_gycm2 or 0.0
    after = summed_totals([*some, one])[-1].dose_area_product_gycm2 or 0.0
    assert after >= before


@given(st.lists(events))
def test_repeating_events_with_a_uid_changes_nothing(some: list[IrradiationEvent]) -> None:
    named = [event for event in some if event.uid is not None]
    assert summed_totals([*named, *named]) == summed_totals(named)
