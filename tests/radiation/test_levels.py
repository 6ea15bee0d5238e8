"""Levels against ready-made cases and published level tables.

The levels are those of Stecker et al. 2009 (J Vasc Interv Radiol 20:S263) and NCRP Report 168:
Ka,r 3 Gy then every 1 Gy, substantial 5 Gy; DAP 300 then every 100, substantial 500 Gy·cm² at a
field of 100 cm²; fluoroscopy 30 min then every 15, substantial 60; skin 2 Gy then every 0.5,
substantial 3 Gy (tables from memory, the Ka,r row also restated from AAPM MPPG 12.a 2022). The
sequences below follow from these numbers by hand.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.errors import InputError
from dosetrack.radiation import (
    Figure,
    LevelValues,
    RadiationAccount,
    default_level_settings,
    field_used,
    lane_figure,
    level_lines,
    level_settings,
    levels_reached,
    next_level,
    radiation_account,
    reached_by,
)
from dosetrack.records.entries import ConsoleReading
from dosetrack.records.levels import LevelReached
from dosetrack.records.report import DoseTotal, IrradiationEvent
from dosetrack.settings import SettingChange, resolve
from dosetrack.units import parse_quantity

PUBLISHED = default_level_settings()


def kerma(**planes: float) -> RadiationAccount:
    """The account of a case whose reports state these air kermas [mGy] per plane."""
    totals = [
        DoseTotal(plane=p, basis="stated", reference_air_kerma_mgy=v)  # type: ignore[arg-type]
        for p, v in planes.items()
    ]
    return radiation_account([], totals, [])


def stated(plane: str = "single", **numbers: float) -> RadiationAccount:
    return radiation_account([], [DoseTotal(plane=plane, basis="stated", **numbers)], [])  # type: ignore[arg-type]


def levels(reached: tuple[LevelReached, ...]) -> list[float]:
    return [r.level for r in reached]


def tiers(reached: tuple[LevelReached, ...]) -> dict[float, str]:
    return {r.level: r.tier for r in reached}


class TestReferenceAirKerma:
    def test_stream_reports_every_level_once_and_the_highest_first(self) -> None:
        already: set[str] = set()
        told = []
        for value in (2999.0, 3000.0, 3999.0, 4000.0, 6100.0):
            reached = levels_reached(kerma(single=value), PUBLISHED, already)
            already |= {r.key for r in reached}
            told.append(levels(reached))
        assert told == [[], [3000.0], [], [4000.0], [6000.0, 5000.0]]

    def test_crossing_five_gray_is_substantial(self) -> None:
        reached = levels_reached(kerma(single=6100.0), PUBLISHED)
        assert tiers(reached) == {
            6000.0: "notification",
            5000.0: "substantial",
            4000.0: "notification",
            3000.0: "notification",
        }

    def test_key_phrase_name_and_source(self) -> None:
        (level,) = levels_reached(kerma(a=3200.0, b=10.0), PUBLISHED)
        assert level.key == "reference_air_kerma_mgy:a:3000"
        assert level.say == "reference kerma three gray, plane A"
        assert (level.name, level.plane, level.basis) == ("Ka,r 3 Gy", "a", "stated")
        assert "Stecker" in level.source

    def test_missing_is_never_a_level_and_never_zero(self) -> None:
        assert levels_reached(radiation_account([], [], []), PUBLISHED) == ()
        assert lane_figure(radiation_account([], [], [])) is None

    def test_a_level_told_before_the_planes_were_told_apart_is_not_told_again(self) -> None:
        typed = levels_reached(kerma(single=3100.0), PUBLISHED)
        already = {r.key for r in typed}
        assert levels_reached(kerma(a=3100.0, b=100.0), PUBLISHED, already) == ()
        assert levels_reached(kerma(a=3100.0), PUBLISHED, already) == ()
        assert levels(levels_reached(kerma(a=3100.0, b=3050.0), PUBLISHED, already, planes_apart=True)) == [
            3000.0
        ]

    def test_only_a_total_over_all_is_judged_as_it_stands(self) -> None:
        (level,) = levels_reached(kerma(all=3100.0), PUBLISHED)
        assert level.key == "reference_air_kerma_mgy:all:3000"


class TestBiplane:
    def test_planes_apart_fire_alone_and_the_sum_stays_silent(self) -> None:
        reached = levels_reached(kerma(a=3200.0, b=2400.0), PUBLISHED, planes_apart=True)
        assert [(r.plane, r.level, r.tier) for r in reached] == [("a", 3000.0, "notification")]

    def test_overlap_unknown_adds_may_be_above(self) -> None:
        reached = levels_reached(kerma(a=3200.0, b=2400.0), PUBLISHED)
        assert [(r.plane, r.level, r.tier) for r in reached] == [
            ("a", 3000.0, "notification"),
            (None, 5000.0, "may-be-above"),
            (None, 4000.0, "may-be-above"),
        ]
        assert all("planes may overlap" in r.name for r in reached[1:])

    def test_sum_reaching_the_first_level_while_no_plane_does(self) -> None:
        reached = levels_reached(kerma(a=1600.0, b=1500.0), PUBLISHED)
        assert [(r.key, r.tier) for r in reached] == [("reference_air_kerma_mgy:sum:3000", "may-be-above")]

    def test_a_total_above_the_only_plane_told_is_a_doubt_too(self) -> None:
        reached = levels_reached(kerma(a=2000.0, all=3200.0), PUBLISHED)
        assert [(r.level, r.tier) for r in reached] == [(3000.0, "may-be-above")]


class TestDoseAreaProduct:
    @pytest.mark.parametrize(
        ("text", "expected"),
        [
            ("50000 uGy.m2", {300.0: "notification", 400.0: "notification", 500.0: "substantial"}),
            ("500 uGy.m2", {}),
            ("299.99 Gy.cm2", {}),
        ],
    )
    def test_units_decide(self, text: str, expected: dict[float, str]) -> None:
        dap = parse_quantity(text, "dose_area_product", field="DAP")
        assert tiers(levels_reached(stated(dose_area_product_gycm2=dap), PUBLISHED)) == expected

    @pytest.mark.parametrize(
        ("field_cm2", "first", "substantial"),
        [(60.0, 180.0, 300.0), (159.0, 300.0, 500.0), (None, 300.0, 500.0)],
    )
    def test_levels_scale_with_the_field_and_only_downward(
        self, field_cm2: float | None, first: float, substantial: float
    ) -> None:
        lines = level_lines("dose_area_product_gycm2", None, PUBLISHED, field_cm2=field_cm2)
        by_tier = {line.tier: line.value for line in reversed(lines)}
        assert by_tier == {"notification": first, "substantial": substantial}
        dap = stated(dose_area_product_gycm2=first)
        assert levels(levels_reached(dap, PUBLISHED, field_cm2=field_cm2)) == [first]
        below = stated(dose_area_product_gycm2=first - 0.01)
        assert levels_reached(below, PUBLISHED, field_cm2=field_cm2) == ()

    def test_half_the_nominal_field_halves_the_level(self) -> None:
        # 50 cm² gives 250 Gy·cm²: the footnote's own example (SIR 2009, from memory)
        reached = levels_reached(stated(dose_area_product_gycm2=250.0), PUBLISHED, field_cm2=50.0)
        assert tiers(reached)[250.0] == "substantial"
        assert "50 cm²" in reached[0].source

    def test_a_moving_field_does_not_prompt_the_same_level_again(self) -> None:
        account = stated(dose_area_product_gycm2=200.0)
        first = levels_reached(account, PUBLISHED, field_cm2=60.0)
        assert levels_reached(account, PUBLISHED, {r.key for r in first}, field_cm2=59.3) == ()

    def test_planes_add(self) -> None:
        totals = [
            DoseTotal(plane="a", basis="stated", dose_area_product_gycm2=180.0),
            DoseTotal(plane="b", basis="stated", dose_area_product_gycm2=120.0),
        ]
        (level,) = levels_reached(radiation_account([], totals, []), PUBLISHED)
        assert level.key == "dose_area_product_gycm2:all:300"

    def test_field_carried_to_the_reference_plane_by_hand(self) -> None:
        # 200 x 200 mm at SID 1000 mm, reference point 600 mm: 400 cm² x 0.36 = 144 cm²
        # 100 x 100 mm at SID 1000 mm: 100 cm² x 0.36 = 36 cm²; weights 1 and 3 give 63 cm²
        events = [
            IrradiationEvent(
                dose_area_product_gycm2=1.0,
                field_height_mm=200.0,
                field_width_mm=200.0,
                source_to_detector_mm=1000.0,
                source_to_isocenter_mm=750.0,
            ),
            IrradiationEvent(
                dose_area_product_gycm2=3.0,
                field_area_cm2=100.0,
                source_to_detector_mm=1000.0,
                source_to_reference_point_mm=600.0,
            ),
        ]
        used = field_used(events)
        assert used is not None
        assert (used.area_cm2, used.plane, used.known_share) == (pytest.approx(63.0), "reference", 1.0)
        at_skin = field_used(events, source_to_skin_mm=500.0)
        assert at_skin is not None
        assert (at_skin.area_cm2, at_skin.plane) == (pytest.approx(43.75), "skin")

    def test_field_known_for_little_of_the_dose_is_unknown(self) -> None:
        known = IrradiationEvent(
            dose_area_product_gycm2=1.0,
            field_area_cm2=100.0,
            source_to_detector_mm=1000.0,
            source_to_isocenter_mm=750.0,
        )
        assert field_used([known, IrradiationEvent(dose_area_product_gycm2=1.5)]) is None
        assert field_used([known, IrradiationEvent(dose_area_product_gycm2=1.0)]) is not None
        assert field_used([]) is None


class TestFluoroscopyTime:
    @pytest.mark.parametrize(
        ("clock", "expected"),
        [
            ("29:59", {}),
            ("30:00", {1800.0: "notification"}),
            ("45:00", {1800.0: "notification", 2700.0: "notification"}),
            ("60:00", {1800.0: "notification", 2700.0: "notification", 3600.0: "substantial"}),
        ],
    )
    def test_on_the_clock(self, clock: str, expected: dict[float, str]) -> None:
        seconds = parse_quantity(clock, "time", field="fluoroscopy time")
        assert tiers(levels_reached(stated(fluoroscopy_time_s=seconds), PUBLISHED)) == expected

    def test_silent_where_a_better_quantity_exists(self) -> None:
        assert (
            levels_reached(stated(fluoroscopy_time_s=4000.0, reference_air_kerma_mgy=10.0), PUBLISHED) == ()
        )
        assert (
            levels_reached(stated(fluoroscopy_time_s=4000.0, dose_area_product_gycm2=10.0), PUBLISHED) == ()
        )


class TestSkinDose:
    def test_upper_end_of_two_point_four_gray_is_one_notification(self) -> None:
        reached = reached_by(LevelValues(skin_upper_mgy=2400.0), PUBLISHED)
        assert [(r.level, r.tier, r.basis) for r in reached] == [(2000.0, "notification", "estimated")]

    def test_substantial_at_three_gray(self) -> None:
        assert tiers(reached_by(LevelValues(skin_upper_mgy=3000.0), PUBLISHED)) == {
            3000.0: "substantial",
            2500.0: "notification",
            2000.0: "notification",
        }


class TestDrawing:
    def test_reached_levels_the_next_and_the_substantial_one(self) -> None:
        lines = level_lines("reference_air_kerma_mgy", 3400.0, PUBLISHED)
        assert [(line.name, line.tier) for line in lines] == [
            ("Ka,r 3 Gy", "notification"),
            ("Ka,r 4 Gy", "notification"),
            ("Ka,r 5 Gy", "substantial"),
        ]
        ahead = next_level("reference_air_kerma_mgy", 3400.0, PUBLISHED)
        assert ahead is not None
        assert ahead.value == 4000.0

    def test_past_the_substantial_level_the_next_notification_is_the_top(self) -> None:
        assert level_lines("reference_air_kerma_mgy", 6100.0, PUBLISHED)[-1].value == 7000.0

    def test_an_absurd_number_does_not_loop(self) -> None:
        lines = level_lines("reference_air_kerma_mgy", float("inf"), PUBLISHED)
        assert len(lines) == 1000
        assert next_level("reference_air_kerma_mgy", float("inf"), PUBLISHED) is None

    def test_quantity_without_levels_is_refused_in_words(self) -> None:
        with pytest.raises(InputError, match="accepted"):
            level_lines("contrast_ml", 1.0, PUBLISHED)


class TestSettings:
    def test_defaults_of_the_settings_are_the_published_levels(self) -> None:
        assert level_settings(resolve([], day="2026-01-01")) == PUBLISHED

    def test_a_site_level_between_two_rungs_and_its_origin(self) -> None:
        change = SettingChange(
            seq=1,
            key="levels.reference_air_kerma.substantial_mgy",
            scope="room:Room 2",
            value="4500",
            valid_from="2026-01-01",
            recorded_at="2026-01-01T08:00:00+00:00",
            actor="physicist",
            reason=None,
            source=None,
        )
        own = level_settings(resolve([change], day="2026-02-01", room="Room 2"))
        reached = levels_reached(kerma(single=5000.0), own)
        assert tiers(reached) == {
            5000.0: "notification",
            4500.0: "substantial",
            4000.0: "notification",
            3000.0: "notification",
        }
        assert reached[1].source == "set by this department (room:Room 2)"


def test_a_sum_that_is_three_gray_but_for_rounding_reaches_three_gray() -> None:
    events = [IrradiationEvent(type="fluoroscopy", plane="single", reference_air_kerma_mgy=0.1)] * 30_000
    naive = 0.0
    for event in events:
        naive += event.reference_air_kerma_mgy or 0.0
    assert naive != 3000.0
    assert levels(levels_reached(kerma(single=naive), PUBLISHED)) == [3000.0]
    assert levels(reached_by(LevelValues({"single": Figure(2999.9999999999, "summed")}), PUBLISHED)) == [
        3000.0
    ]
    assert levels(reached_by(LevelValues({"single": Figure(2999.99, "summed")}), PUBLISHED)) == []


READINGS = st.lists(st.floats(min_value=0, max_value=30_000, allow_nan=False), min_size=1, max_size=12)


@given(READINGS)
def test_a_level_is_never_told_twice_and_none_is_dropped(values: list[float]) -> None:
    already: list[str] = []
    readings: list[ConsoleReading] = []
    for value in values:
        readings.append(ConsoleReading(plane="a", reference_air_kerma_mgy=value))
        account = radiation_account([], [], readings)
        already += [r.key for r in levels_reached(account, PUBLISHED, set(already))]
    assert len(already) == len(set(already))
    highest = max(values)
    expected = {f"reference_air_kerma_mgy:a:{1000 * n}" for n in range(3, 31) if 1000 * n <= highest}
    assert set(already) >= expected
    assert len(already) <= len(expected) + 1  # a value within rounding of a level may count as at it


EVENTS = st.lists(
    st.builds(
        IrradiationEvent,
        plane=st.sampled_from(["a", "b"]),
        type=st.sampled_from(["fluoroscopy", "stationary"]),
        reference_air_kerma_mgy=st.none() | st.floats(0, 3000),
        dose_area_product_gycm2=st.none() | st.floats(0, 300),
        duration_s=st.none() | st.floats(0, 600),
    ),
    max_size=10,
)


@given(EVENTS, st.randoms(use_true_random=False))
def test_order_of_updates_does_not_change_the_set_of_levels(
    events: list[IrradiationEvent], chance: object
) -> None:
    shuffled = list(events)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    told: list[set[str]] = []
    for order in (events, shuffled):
        keys: set[str] = set()
        for count in range(1, len(order) + 1):
            account = radiation_account(order[:count], [], [])
            keys |= {r.key for r in levels_reached(account, PUBLISHED, keys) if r.tier != "may-be-above"}
        if order and not any(e.reference_air_kerma_mgy is None for e in order):
            told.append(keys)
    assert len(told) < 2 or told[0] == told[1]
