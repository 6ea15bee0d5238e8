"""Every default of follow-up against its row in print.

The figures are typed from the sources that each line names, not read from the package's tables.
"""

from __future__ import annotations

import pytest
from follow_up_settings import settings

from dosetrack.followup import Profile, Rule, Tier, rules_in_force, society_rules, stricter_rules
from dosetrack.settings import definition, definitions
from dosetrack.tables import constants

KERMA, PSD = "reference_air_kerma_mgy", "peak_skin_dose_mgy"
DAP, TIME = "dose_area_product_gycm2", "fluoroscopy_time_s"


# key, quantity, level in the quantity's unit, tier, 'above', whose
SOCIETY = [
    # NCRP Report 168: substantial radiation dose levels (AAPM MPPG 12.a 5.4 restates the first two; the
    # last two from memory)
    ("srdl_kar", KERMA, 5000.0, Tier.FOLLOW_UP, False),
    ("srdl_psd", PSD, 3000.0, Tier.FOLLOW_UP, False),
    ("srdl_pka", DAP, 500.0, Tier.FOLLOW_UP, False),
    ("srdl_ft", TIME, 60 * 60.0, Tier.FOLLOW_UP, False),
    # Chambers et al. 2011 (SCAI), table 2 of PMC5808555: Ka,r > 5 Gy, > 10 Gy, PSD > 15 Gy
    ("scai_kar_5", KERMA, 5000.0, Tier.FOLLOW_UP, True),
    ("scai_kar_10", KERMA, 10_000.0, Tier.PHYSICIST, True),
    ("scai_psd_15", PSD, 15_000.0, Tier.REVIEW, True),
    # own choice: 10 Gy of either quantity, at or above
    ("physicist_kar_10", KERMA, 10_000.0, Tier.PHYSICIST, False),
    ("physicist_psd_10", PSD, 10_000.0, Tier.PHYSICIST, False),
]
STRICTER = [
    # Struelens et al. 2014, abstract: Ka,r 3 Gy matched a measured peak of 3 Gy
    ("struelens_kar_3", KERMA, 3000.0, Tier.FOLLOW_UP, False),
    # J Vasc Interv Radiol June 2009, abstract: one cancer centre's trigger
    ("cancer_centre_pka_300", DAP, 300.0, Tier.FOLLOW_UP, False),
    # ICRP Publication 85 (2000), from memory; the same figure as the ACR's
    ("icrp85_psd_3", PSD, 3000.0, Tier.FOLLOW_UP, False),
]


@pytest.mark.parametrize(
    ("rules", "expected"),
    [(society_rules(), SOCIETY), (stricter_rules(), SOCIETY + STRICTER)],
    ids=["society", "stricter"],
)
def test_a_profile_holds_the_published_levels(
    rules: tuple[Rule, ...], expected: list[tuple[object, ...]]
) -> None:
    told = [(r.key, r.quantity, r.level, r.tier, r.is_above) for r in rules]
    assert sorted(told, key=str) == sorted(expected, key=str)
    order = list(Tier)
    assert [order.index(r.tier) for r in rules] == sorted(order.index(r.tier) for r in rules)


def test_only_the_level_that_assumes_a_field_is_scaled() -> None:
    assert [r.key for r in stricter_rules() if r.is_scaled] == ["srdl_pka"]


@pytest.mark.parametrize(
    ("key", "value", "where"),
    [
        # own schedule: days 14 and 30; clinic 14 to 28, 90, 365 from 10 Gy on; what supports it is named
        ("follow_up.first_contact_days", 14, "ICRP 85"),
        ("follow_up.second_contact_days", 30, "Balter and Miller 2014"),
        ("follow_up.clinic_check_days", 28, "SCAI 2011"),
        ("follow_up.late_check_days", 90, "6 to 52 weeks"),
        ("follow_up.last_check_days", 365, "40 weeks"),
        ("follow_up.estimate_working_days", 5, "dosetrack"),
        # Balter et al. 2010, abstract: earlier dose of several Gy (3 to 5)
        ("follow_up.earlier_site_mgy", 3000, "Balter"),
        # FDA 1995: record above 1 Gy (restated in Med Phys 1999;26:2027)
        ("follow_up.earlier_site_present_mgy", 1000, "FDA"),
        # physicist list of April 2026: six months to one year
        ("follow_up.joint_commission_window_days", 365, "one year"),
        # ESUR 10, section B.2: below 45 first-pass, below 30 else
        ("follow_up.egfr_ml_min_173m2", 30, "Urogenital Radiology"),
        ("follow_up.egfr_first_pass_ml_min_173m2", 45, "Urogenital Radiology"),
        # PMC4478328, table 1: 48 to 72 h
        ("follow_up.creatinine_from_h", 48, "PMC4478328"),
        ("follow_up.creatinine_to_h", 72, "PMC4478328"),
        # Stecker et al. 2009, from memory: 60 days
        ("radiation.lookback_days", 60, "from memory, confirm against the original"),
    ],
)
def test_a_default_and_its_source(key: str, value: float, where: str) -> None:
    assert settings().number(key) == value
    assert where in definition(key).source


def test_kdigo_figures() -> None:
    """KDIGO 2012 definition and table 2, in both units, as three sources restate them."""
    table = constants("follow_up")
    printed = {
        "kdigo_rise_mg_dl": "0.3",
        "kdigo_rise_umol_l": "26.5",
        "kdigo_rise_hours": "48",
        "kdigo_ratio_days": "7",
        "kdigo_ratio_stage_1": "1.5",
        "kdigo_ratio_stage_2": "2.0",
        "kdigo_ratio_stage_3": "3.0",
        "kdigo_severe_mg_dl": "4.0",
        "kdigo_severe_umol_l": "353.6",
        "kdigo_child_egfr": "35",
    }
    assert {key: table[key].value for key in printed} == printed


def test_the_joint_commission_s_number_is_off_until_the_site_turns_it_on() -> None:
    assert not settings().flag("follow_up.joint_commission_15_gy")
    # 1500 rad = 15 Gy
    assert constants("notification_levels")["tjc_psd_15"].number == 15_000


def test_every_follow_up_setting_is_in_one_group() -> None:
    keys = [key for key in definitions() if key.startswith("follow_up.")]
    assert {definitions()[key].group for key in keys} == {"Follow-up"}


def test_the_default_profile_is_the_societies() -> None:
    assert rules_in_force(settings()) == society_rules()
    assert rules_in_force(settings(follow_up__profile="stricter")) == stricter_rules()


def test_the_site_s_own_profile_holds_its_own_levels_only() -> None:
    own = rules_in_force(
        settings(
            follow_up__profile=Profile.SITE.value,
            levels__reference_air_kerma__substantial_mgy="6000",
            levels__fluoroscopy_time__substantial_min="45",
        )
    )
    levels = {r.quantity: r for r in own if r.tier is Tier.FOLLOW_UP}
    assert (levels[KERMA].level, levels[TIME].level) == (6000.0, 45 * 60.0)
    assert levels[KERMA].source == "set by this department (site)"
    assert levels[PSD].level == 3000.0
    assert {r.level for r in own if r.tier is not Tier.FOLLOW_UP} == {10_000.0, 15_000.0}


def test_a_level_of_the_site_acts_beside_a_published_profile() -> None:
    rules = rules_in_force(settings(levels__reference_air_kerma__substantial_mgy="4000"))
    assert {r.level for r in rules if r.quantity == KERMA and r.tier is Tier.FOLLOW_UP} == {4000.0, 5000.0}
