"""Skin rules: what a case asks for, by published level, and that doubt never quietens them.

Levels: NCRP 168 (Ka,r 5 Gy, skin 3 Gy, DAP 500 Gy·cm², time 60 min), SCAI 2011 (above 5, 10, 15 Gy),
Balter 2010 (3 to 5 Gy earlier), as in `test_follow_up_defaults.py`.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from follow_up_settings import settings
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.followup import Amount, EarlierCase, PlaneKerma, SkinDose, SkinFacts, Tier, decide_skin
from dosetrack.radiation.account import Figure
from dosetrack.radiation.field import dap_scale
from dosetrack.radiation.level_settings import level_settings
from dosetrack.radiation.levels import LevelValues, reached_by
from dosetrack.records.follow_up import FollowUpDecided

DAY = date(2026, 11, 25)  # a Wednesday
FIVE_WORKING_DAYS = "2026-12-02"
ORDER = list(Tier)


def amount(value: float, basis: str = "stated") -> Amount:
    return Amount(value, basis)


def single(kerma: float | None = None, **others: object) -> SkinFacts:
    """A case on one plane, `kerma` in mGy."""
    planes = () if kerma is None else (PlaneKerma("single", amount(kerma)),)
    return SkinFacts(performed_on=DAY, planes=planes, **others)  # type: ignore[arg-type]


def biplane(a: float, b: float, **others: object) -> SkinFacts:
    """A case on two planes with the labelled sum."""
    planes = (PlaneKerma("a", amount(a)), PlaneKerma("b", amount(b)))
    total = amount(a + b)
    return SkinFacts(performed_on=DAY, planes=planes, reference_air_kerma_sum_mgy=total, **others)  # type: ignore[arg-type]


def mapped(peak: float, *, spread: float = 0.3, **others: object) -> SkinDose:
    return SkinDose("map", peak * (1 - spread), peak * (1 + spread), peak, **others)  # type: ignore[arg-type]


def decide(facts: SkinFacts, **values: str) -> FollowUpDecided:
    return decide_skin(facts, settings(**values), on=DAY)


def rank(decided: FollowUpDecided) -> float:
    """How much is asked for: nothing, an estimate, the tiers."""
    if decided.tier is None:
        return -0.5 if decided.estimate_due else -1.0
    return ORDER.index(Tier(decided.tier))


@pytest.mark.parametrize(
    ("kerma", "tier"),
    [
        (4999.9, None),
        (5000.0, "follow-up"),
        (5000.0 - 1e-9, "follow-up"),  # the sum of events ends a hair below
        (9999.0, "follow-up"),
        (10_000.0, "physicist"),
        (40_000.0, "physicist"),  # no air kerma alone reaches the review of skin dose
    ],
)
def test_air_kerma_at_its_edges(kerma: float, tier: str | None) -> None:
    assert decide(single(kerma)).tier == tier


@pytest.mark.parametrize(
    ("peak", "tier"),
    [
        (2300.0, None),
        (3000.0, "follow-up"),
        (9999.0, "follow-up"),
        (10_000.0, "physicist"),
        (15_000.0, "physicist"),
        (15_001.0, "review"),
    ],
)
def test_peak_skin_dose_at_its_edges(peak: float, tier: str | None) -> None:
    found = decide(single(2000.0, skin_map=mapped(peak, spread=0.0)))
    assert found.tier == tier


def test_a_value_below_with_an_upper_end_above_asks_a_physicist_and_not_the_patient() -> None:
    found = decide(single(2500.0, skin_map=mapped(2500.0)))  # 1.75 to 3.25 Gy
    assert (found.tier, found.due, found.estimate_due) == (None, (), FIVE_WORKING_DAYS)
    (reason,) = found.reasons
    assert reason.text == "Skin dose may be at or above 3 Gy: upper end of the map"
    assert (reason.value, reason.low, reason.high, reason.level) == (2500.0, 1750.0, 3250.0, 3000.0)
    assert "NCRP" in (reason.source or "")


def test_without_a_map_the_upper_end_of_the_screening_asks_a_physicist() -> None:
    found = decide(single(2500.0, screening=SkinDose("estimated", 900.0, 4100.0)))
    assert (found.tier, found.estimate_due) == (None, FIVE_WORKING_DAYS)
    assert found.reasons[0].text.endswith("upper end of the estimate without a map")
    assert found.reasons[0].value is None
    assert "map of the skin dose" in found.missing


def test_a_range_wholly_at_the_level_is_a_call() -> None:
    found = decide(single(4500.0, screening=SkinDose("estimated", 3000.0, 7000.0)))
    assert found.tier == "follow-up"
    assert (found.reasons[0].value, found.reasons[0].low) == (None, 3000.0)


def test_a_map_takes_the_place_of_the_screening() -> None:
    wide = SkinDose("estimated", 900.0, 4100.0)
    assert decide(single(2500.0, skin_map=mapped(1500.0), screening=wide)).estimate_due is None
    # a map on which nothing could be placed is none
    empty = SkinDose("map", mapped_fraction=0.0)
    assert decide(single(2500.0, skin_map=empty, screening=wide)).estimate_due is not None


@pytest.mark.parametrize(("share", "asks"), [(1.0, False), (0.9, False), (0.5, True)])
def test_what_the_map_could_not_place_counts_as_met_by_its_peak(share: float, asks: bool) -> None:
    # upper end 1950 mGy, and (1 - share) of the screening's 4000 mGy: 2350 or 3950 mGy against 3000
    facts = single(
        2500.0,
        skin_map=mapped(1500.0, mapped_fraction=share),
        screening=SkinDose("estimated", 900.0, 4000.0),
    )
    found = decide(facts)
    assert (found.estimate_due is not None) is asks
    assert any("part of the map" in m for m in found.missing) is (share < 1)


def test_each_plane_stands_alone_and_their_sum_only_may_be_above() -> None:
    found = decide(biplane(3000.0, 2500.0))
    assert (found.tier, found.estimate_due) == (None, FIVE_WORKING_DAYS)
    assert found.reasons[0].text == (
        "Ka,r may be at or above 5 Gy: both planes together; planes may overlap on the skin"
    )
    assert decide(biplane(3000.0, 2500.0, planes_may_overlap=False)).estimate_due is None
    # a map decides about overlap
    assert decide(biplane(3000.0, 2500.0, skin_map=mapped(1900.0))).estimate_due is None
    one = decide(biplane(5600.0, 1000.0))
    assert (one.tier, one.reasons[0].plane) == ("follow-up", "a")
    assert one.reasons[0].text == "Ka,r of plane A at or above 5 Gy (stated)"


def test_a_doubt_about_a_higher_tier_stands_beside_a_call() -> None:
    found = decide(biplane(6000.0, 5000.0))
    assert (found.tier, found.estimate_due) == ("follow-up", FIVE_WORKING_DAYS)
    assert "at or above 10 Gy" in found.reasons[-1].text
    assert found.due == ("2026-12-09", "2026-12-25")


def test_the_physicist_s_tier_asks_for_an_estimate_and_later_checks() -> None:
    found = decide(single(11_000.0))
    assert found.estimate_due == FIVE_WORKING_DAYS
    assert found.due == ("2026-12-09", "2026-12-23", "2026-12-25", "2027-02-23", "2027-11-25")


def test_the_basis_is_named() -> None:
    facts = SkinFacts(performed_on=DAY, planes=(PlaneKerma("single", Amount(5200.0, "corrected", False)),))
    found = decide(facts)
    assert found.reasons[0].basis == "corrected"
    assert found.reasons[0].text == "Ka,r at or above 5 Gy (corrected); at least, a part is missing"
    assert "part of reference air kerma" in found.missing


def test_a_small_field_lowers_the_dap_level_and_is_told() -> None:
    facts = single(1000.0, dose_area_product_gycm2=amount(300.0), dap_scale=0.6, field_cm2=60.0)
    (reason,) = decide(facts).reasons
    assert reason.level == pytest.approx(300.0)  # 500 x 60 / 100
    assert "published level scaled by a field of 60 cm²" in reason.text
    unscaled = decide(replace(facts, dap_scale=1.0, field_cm2=None))
    assert unscaled.tier is None
    assert "collimated field: dose-area product level not scaled" in unscaled.missing


def test_time_speaks_only_where_nothing_better_is_known() -> None:
    hour = amount(3600.0)
    assert decide(single(fluoroscopy_time_s=hour)).tier == "follow-up"
    assert decide(single(100.0, fluoroscopy_time_s=hour)).tier is None
    assert decide(single(fluoroscopy_time_s=hour, dose_area_product_gycm2=amount(1.0))).tier is None


def test_nothing_known_asks_for_nothing_and_says_what_is_missing() -> None:
    found = decide(single())
    assert (found.tier, found.reasons, found.due, found.estimate_due) == (None, (), (), None)
    assert found.missing == (
        "reference air kerma",
        "dose-area product",
        "fluoroscopy time",
        "map of the skin dose",
    )


def test_the_stricter_profile_calls_earlier() -> None:
    facts = single(3000.0)
    assert decide(facts).tier is None
    found = decide(facts, follow_up__profile="stricter")
    assert (found.tier, found.profile) == ("follow-up", "stricter")
    assert "Struelens" in (found.reasons[0].source or "")
    dap = single(100.0, dose_area_product_gycm2=amount(300.0))
    assert decide(dap).tier is None
    assert decide(dap, follow_up__profile="stricter").tier == "follow-up"


def test_the_department_s_lower_level_acts_beside_the_profile() -> None:
    found = decide(single(4200.0), levels__reference_air_kerma__substantial_mgy="4000")
    assert found.reasons[0].source == "set by this department (site)"
    assert found.settings_seq == 1


def earlier(days: int, kerma: float | None = None, **others: object) -> EarlierCase:
    day = DAY - timedelta(days=days)
    told = None if kerma is None else amount(kerma)
    return EarlierCase(f"case {days}", day, told, **others)  # type: ignore[arg-type]


def test_air_kerma_over_cases_is_a_screen_only() -> None:
    found = decide(single(3000.0, earlier=(earlier(40, 2500.0),)))
    assert (found.tier, found.estimate_due) == (None, FIVE_WORKING_DAYS)
    assert found.reasons[0].basis == "sum over cases"
    assert found.reasons[0].text.endswith("2 cases since 2026-10-16 together; a screen and no skin dose")


@pytest.mark.parametrize(("days", "asks"), [(60, True), (61, False)])
def test_the_window_of_accumulation(days: int, asks: bool) -> None:
    found = decide(single(3000.0, earlier=(earlier(days, 2500.0),)))
    assert (found.estimate_due is not None) is asks


def test_summed_maps_decide_where_they_cover_the_cases() -> None:
    facts = single(
        3000.0,
        skin_map=mapped(1800.0),
        earlier=(earlier(40, 2500.0),),
        accumulated=SkinDose("accumulated map", 1900.0, 2900.0, 2300.0),
        accumulated_cases=frozenset({"case 40"}),
    )
    assert decide(facts).estimate_due is None
    above = replace(facts, accumulated=SkinDose("accumulated map", 2600.0, 3900.0, 3100.0, "back, left"))
    found = decide(above)
    assert found.tier == "follow-up"
    assert found.reasons[0].text == "Skin dose at or above 3 Gy (accumulated map), back, left"
    # a case outside the sum: the screen speaks again
    more = replace(facts, earlier=(*facts.earlier, earlier(20, 100.0)))
    assert decide(more).reasons[0].basis == "sum over cases"


def test_an_earlier_case_without_air_kerma_is_listed() -> None:
    found = decide(single(1000.0, earlier=(earlier(10),)))
    assert "reference air kerma of the earlier case of 2026-11-15" in found.missing


@pytest.mark.parametrize(
    ("before", "now", "tier"),
    [
        (2999.0, 1500.0, None),
        (3000.0, 1500.0, "follow-up"),
        (5000.0, 700.0, None),
        (3000.0, None, "follow-up"),
    ],
)
def test_skin_irradiated_before_tolerates_less(before: float, now: float | None, tier: str | None) -> None:
    """Counts however long ago, from 1 Gy of present dose on; a present dose not known counts."""
    long_ago = earlier(900, same_site_peak_mgy=before)
    dose = None if now is None else mapped(now)
    found = decide(single(earlier=(long_ago,), skin_map=dose))
    assert found.tier == tier
    if tier:
        assert found.reasons[0].text.startswith("Same skin received 3.0 Gy on 2024-06-08")


def test_an_earlier_dose_is_told_beside_another_reason() -> None:
    dap = amount(600.0)
    long_ago = earlier(900, same_site_peak_mgy=4000.0)
    found = decide(single(500.0, dose_area_product_gycm2=dap, skin_map=mapped(400.0), earlier=(long_ago,)))
    assert [r.basis for r in found.reasons] == ["stated", "earlier map"]


def test_the_dated_number_reviews_the_sum_only_where_it_is_on() -> None:
    summed = SkinDose("accumulated map", 15_500.0, 17_000.0, 16_000.0)
    facts = single(2000.0, skin_map=mapped(1500.0), accumulated_long=summed)
    assert decide(facts).tier is None
    found = decide(facts, follow_up__joint_commission_15_gy="yes")
    assert found.tier == "review"
    assert "Joint Commission" in (found.reasons[0].source or "")


def test_the_day_of_an_estimate_stays_until_the_dose_is_higher() -> None:
    facts = single(2500.0, skin_map=mapped(2500.0))
    first = decide_skin(facts, settings(), on=DAY)
    later = DAY + timedelta(days=20)
    assert decide_skin(facts, settings(), on=later, standing=first) == first
    less = replace(facts, skin_map=mapped(2400.0))
    assert decide_skin(less, settings(), on=later, standing=first).estimate_due == FIVE_WORKING_DAYS
    screened = replace(facts, skin_map=None, screening=SkinDose("estimated", 900.0, 3200.0))
    assert decide_skin(screened, settings(), on=later, standing=first).estimate_due == FIVE_WORKING_DAYS
    more = replace(facts, skin_map=mapped(2900.0))
    assert decide_skin(more, settings(), on=later, standing=first).estimate_due == "2026-12-22"


DOSES = st.none() | st.floats(0.0, 20_000.0)
FACTORS = st.floats(1.0, 3.0)


@st.composite
def cases(draw: st.DrawFn) -> SkinFacts:
    kermas = draw(st.lists(DOSES, max_size=2))
    planes = tuple(
        PlaneKerma(p, None if k is None else amount(k)) for p, k in zip(("a", "b"), kermas, strict=False)
    )
    known = [k for k in kermas if k is not None]
    peak, dap = draw(DOSES), draw(st.none() | st.floats(0.0, 900.0))
    low = draw(DOSES)
    count = draw(st.integers(0, 4))
    return SkinFacts(
        performed_on=DAY,
        planes=planes,
        reference_air_kerma_sum_mgy=amount(sum(known)) if known else None,
        planes_may_overlap=draw(st.booleans()),
        dose_area_product_gycm2=None if dap is None else amount(dap),
        fluoroscopy_time_s=draw(st.none() | st.floats(0.0, 9000.0).map(amount)),
        skin_map=None if peak is None else mapped(peak, mapped_fraction=draw(st.floats(0.5, 1.0))),
        screening=None if low is None else SkinDose("estimated", low, low * draw(FACTORS)),
        earlier=tuple(
            EarlierCase(
                f"case {n}", DAY - timedelta(days=draw(st.integers(0, 90))), amount(draw(FACTORS) * 1000)
            )
            for n in range(count)
        ),
    )


def scaled(facts: SkinFacts, factor: float) -> SkinFacts:
    """The same case with every dose times `factor`."""

    def more(one: Amount | None) -> Amount | None:
        return None if one is None else replace(one, value=one.value * factor)

    def higher(dose: SkinDose | None) -> SkinDose | None:
        if dose is None:
            return None
        ends = {
            name: None if (value := getattr(dose, name)) is None else value * factor
            for name in ("low_mgy", "high_mgy", "peak_mgy")
        }
        return replace(dose, **ends)  # type: ignore[arg-type]

    return replace(
        facts,
        planes=tuple(PlaneKerma(p.plane, more(p.reference_air_kerma_mgy)) for p in facts.planes),
        reference_air_kerma_sum_mgy=more(facts.reference_air_kerma_sum_mgy),
        dose_area_product_gycm2=more(facts.dose_area_product_gycm2),
        fluoroscopy_time_s=more(facts.fluoroscopy_time_s),
        skin_map=higher(facts.skin_map),
        screening=higher(facts.screening),
    )


@given(facts=cases(), factor=FACTORS)
def test_more_dose_never_asks_for_less(facts: SkinFacts, factor: float) -> None:
    assert rank(decide(scaled(facts, factor))) >= rank(decide(facts))


@given(facts=cases(), order=st.randoms(use_true_random=False))
def test_the_order_of_earlier_cases_is_irrelevant(facts: SkinFacts, order: object) -> None:
    mixed = list(facts.earlier)
    order.shuffle(mixed)  # type: ignore[attr-defined]
    assert decide(replace(facts, earlier=tuple(mixed))) == decide(facts)


@given(facts=cases())
def test_a_quantity_that_is_not_known_never_quietens_the_others(facts: SkinFacts) -> None:
    """What DAP, Ka,r or the map ask for alone is asked for with any of the others missing."""
    whole = decide(facts)
    alone = [
        replace(single(), planes=facts.planes),
        single(dose_area_product_gycm2=facts.dose_area_product_gycm2),
        single(skin_map=facts.skin_map),
    ]
    tiers = [decide(one).tier for one in alone]
    for tier in tiers:
        if tier is not None:
            assert whole.tier is not None
            assert ORDER.index(Tier(whole.tier)) >= ORDER.index(Tier(tier))


@given(facts=cases(), extra=st.floats(0.0, 3000.0))
def test_one_more_earlier_case_never_asks_for_less(facts: SkinFacts, extra: float) -> None:
    more = replace(facts, earlier=(*facts.earlier, EarlierCase("one more", DAY, amount(extra))))
    assert rank(decide(more)) >= rank(decide(facts))


@given(facts=cases())
def test_the_stricter_profile_never_asks_for_less(facts: SkinFacts) -> None:
    assert rank(decide(facts, follow_up__profile="stricter")) >= rank(decide(facts))


@pytest.mark.parametrize("profile", ["society", "stricter", "site"])
@given(facts=cases(), own=st.none() | st.integers(1000, 9000), field=st.none() | st.floats(10.0, 200.0))
def test_a_substantial_level_of_the_room_is_never_without_follow_up(
    profile: str, facts: SkinFacts, own: int | None, field: float | None
) -> None:
    """The room's card says 'follow-up after the case': the rules must not say nothing."""
    changes = {"follow_up__profile": profile}
    if own is not None:
        changes["levels__reference_air_kerma__substantial_mgy"] = str(own)
    facts = replace(facts, dap_scale=dap_scale(field), field_cm2=field, skin_map=None, screening=None)
    kermas = {p.plane: p.reference_air_kerma_mgy for p in facts.planes if p.reference_air_kerma_mgy}
    values = LevelValues(
        reference_air_kerma_mgy={plane: Figure(a.value, a.basis) for plane, a in kermas.items()},
        dose_area_product_gycm2=figure(facts.dose_area_product_gycm2),
        fluoroscopy_time_s=figure(facts.fluoroscopy_time_s),
        field_cm2=field,
    )
    in_the_room = reached_by(values, level_settings(settings(**changes)))
    if any(level.tier == "substantial" for level in in_the_room):
        assert decide(facts, **changes).tier is not None


def figure(one: Amount | None) -> Figure | None:
    return None if one is None else Figure(one.value, one.basis)


@given(facts=cases())
def test_no_word_of_safety(facts: SkinFacts) -> None:
    found = decide(facts)
    words = " ".join([*(r.text for r in found.reasons), *found.missing]).lower()
    assert not any(word in words for word in ("safe", "ok", "✓", "✔", "fine", "budget", "allowance"))
