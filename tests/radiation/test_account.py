"""The account of a case: by source, by plane, by kind of exposure."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.radiation import Figure, RadiationAccount, radiation_account
from dosetrack.records.entries import ConsoleReading
from dosetrack.records.report import DoseTotal, IrradiationEvent

FLUOROSCOPY = IrradiationEvent(
    plane="a",
    type="fluoroscopy",
    reference_air_kerma_mgy=40.0,
    dose_area_product_gycm2=4.0,
    duration_s=60.0,
)
RUN = IrradiationEvent(
    plane="b", type="stationary", reference_air_kerma_mgy=25.0, dose_area_product_gycm2=2.5, duration_s=5.0
)


def test_nothing_known_is_none_throughout() -> None:
    account = radiation_account([], [], [])
    assert account == RadiationAccount()
    assert account.worst_plane is None
    assert account.dose_area_product_gycm2.higher is None


def test_planes_stand_alone_and_dose_area_product_and_time_add() -> None:
    account = radiation_account([FLUOROSCOPY, RUN, FLUOROSCOPY], [], [])
    a, b = account.plane("a"), account.plane("b")
    assert a is not None
    assert b is not None
    assert a.reference_air_kerma_mgy.higher == Figure(80.0, "summed")
    assert b.reference_air_kerma_mgy.higher == Figure(25.0, "summed")
    assert account.worst_plane == a
    assert account.reference_air_kerma_sum_mgy.higher == Figure(105.0, "summed")
    assert account.dose_area_product_gycm2.higher == Figure(10.5, "summed")
    assert account.fluoroscopy_time_s.higher == Figure(120.0, "summed")
    assert account.fluoroscopy.reference_air_kerma_mgy == Figure(80.0, "summed")
    assert account.acquisition.dose_area_product_gycm2 == Figure(2.5, "summed")
    assert account.acquisition.time_s == Figure(5.0, "summed")


@pytest.mark.parametrize(
    ("stated", "typed", "factor", "expected"),
    [
        (100.0, None, None, Figure(100.0, "stated")),
        (79.0, None, None, Figure(80.0, "summed")),
        (80.0, None, None, Figure(80.0, "stated")),
        (100.0, 120.0, None, Figure(120.0, "typed")),
        (100.0, None, 1.2, Figure(120.0, "corrected")),
        (100.0, None, 0.8, Figure(100.0, "stated")),
    ],
)
def test_the_higher_number_counts_and_is_named(
    stated: float, typed: float | None, factor: float | None, expected: Figure
) -> None:
    readings = [] if typed is None else [ConsoleReading(plane="a", reference_air_kerma_mgy=typed)]
    account = radiation_account(
        [FLUOROSCOPY, FLUOROSCOPY],
        [DoseTotal(plane="a", basis="stated", reference_air_kerma_mgy=stated)],
        readings,
        calibration=None if factor is None else {"a": factor},
    )
    plane = account.plane("a")
    assert plane is not None
    tally = plane.reference_air_kerma_mgy
    assert tally.higher is not None
    assert tally.higher.value == pytest.approx(expected.value)
    assert tally.higher.basis == expected.basis
    assert (tally.stated, tally.summed, tally.typed) == (stated, 80.0, typed)
    if factor is not None:
        assert tally.displayed == Figure(100.0, "stated")
        assert tally.corrected == pytest.approx(100.0 * factor)


def test_time_is_never_corrected_by_the_meter() -> None:
    account = radiation_account([FLUOROSCOPY], [], [], calibration={"a": 1.3})
    assert account.fluoroscopy_time_s.higher == Figure(60.0, "summed")


def test_an_event_without_dose_makes_the_sum_at_least() -> None:
    account = radiation_account([FLUOROSCOPY, IrradiationEvent(plane="a", type="fluoroscopy")], [], [])
    plane = account.plane("a")
    assert plane is not None
    assert plane.reference_air_kerma_mgy.higher == Figure(40.0, "summed", is_complete=False)


def test_a_plane_without_dose_area_product_makes_the_total_at_least() -> None:
    totals = [
        DoseTotal(plane="a", basis="stated", dose_area_product_gycm2=10.0, reference_air_kerma_mgy=100.0),
        DoseTotal(plane="b", basis="stated", reference_air_kerma_mgy=50.0),
    ]
    account = radiation_account([], totals, [])
    assert account.dose_area_product_gycm2.higher == Figure(10.0, "stated", is_complete=False)
    assert account.dose_area_product_gycm2.stated is None


def test_a_console_read_as_one_plane_is_the_only_plane_of_the_report() -> None:
    account = radiation_account(
        [FLUOROSCOPY], [], [ConsoleReading(plane="single", dose_area_product_gycm2=5.0)]
    )
    assert [p.plane for p in account.planes] == ["a"]
    assert account.dose_area_product_gycm2.higher == Figure(5.0, "typed")


def test_a_console_total_beside_two_planes_is_not_added_to_them() -> None:
    events = [FLUOROSCOPY, RUN]
    account = radiation_account(events, [], [ConsoleReading(plane="all", dose_area_product_gycm2=7.0)])
    assert account.dose_area_product_gycm2.higher == Figure(7.0, "typed")
    account = radiation_account(events, [], [ConsoleReading(plane="single", dose_area_product_gycm2=6.0)])
    assert account.dose_area_product_gycm2.higher is not None
    assert account.dose_area_product_gycm2.higher.value == pytest.approx(6.5)


def test_a_total_over_all_speaks_for_the_plane_of_a_single_plane_system() -> None:
    total = DoseTotal(plane="all", basis="stated", reference_air_kerma_mgy=3100.0)
    account = radiation_account([], [total], [ConsoleReading(reference_air_kerma_mgy=2900.0)])
    plane = account.plane("single")
    assert plane is not None
    assert plane.reference_air_kerma_mgy.higher == Figure(3100.0, "stated")
    assert account.reference_air_kerma_sum_mgy.higher == Figure(3100.0, "stated")


class TestConsole:
    def typed(self, *readings: ConsoleReading) -> float | None:
        return radiation_account([], [], readings).reference_air_kerma_sum_mgy.typed

    def test_the_latest_reading_counts_not_the_sum(self) -> None:
        assert self.typed(_read(100.0), _read(250.0)) == 250.0

    def test_the_offset_of_an_earlier_patient_is_subtracted_until_a_reset(self) -> None:
        first = _read(430.0, offset=400.0)
        assert self.typed(first) == 30.0
        assert self.typed(first, _read(700.0)) == 300.0
        assert self.typed(first, _read(700.0), _read(50.0, is_reset=True)) == 350.0

    def test_resets_accumulate(self) -> None:
        readings = (_read(100.0), _read(20.0, is_reset=True), _read(60.0), _read(5.0, is_reset=True))
        assert self.typed(*readings) == 165.0

    def test_an_unexplained_fall_keeps_the_higher_reading(self) -> None:
        assert self.typed(_read(300.0), _read(30.0)) == 300.0

    def test_a_quantity_never_read_stays_unknown(self) -> None:
        account = radiation_account([], [], [_read(100.0)])
        assert account.dose_area_product_gycm2.typed is None
        assert account.fluoroscopy_time_s.higher is None


def _read(value: float, *, offset: float = 0.0, is_reset: bool = False) -> ConsoleReading:
    return ConsoleReading(
        reference_air_kerma_mgy=value, offset_reference_air_kerma_mgy=offset, is_reset=is_reset
    )


EVENT = st.builds(
    IrradiationEvent,
    plane=st.sampled_from(["single", "a", "b", None]),
    type=st.sampled_from(["fluoroscopy", "rotational"]),
    reference_air_kerma_mgy=st.none() | st.floats(0, 1000),
    dose_area_product_gycm2=st.none() | st.floats(0, 100),
    duration_s=st.none() | st.floats(0, 100),
)


@given(st.lists(EVENT, max_size=8), EVENT)
def test_adding_an_event_never_lowers_a_total(events: list[IrradiationEvent], one: IrradiationEvent) -> None:
    before, after = radiation_account(events, [], []), radiation_account([*events, one], [], [])
    for name in ("reference_air_kerma_sum_mgy", "dose_area_product_gycm2", "fluoroscopy_time_s"):
        low, high = getattr(before, name).higher, getattr(after, name).higher
        assert low is None or high.value >= low.value * (1 - 1e-9)
