"""Kidney rules: which case is followed by a repeat creatinine.

Grounds (contrast guidelines as in the table of limits): a ceiling reached (Gurm 2011: 3 x clearance;
Cigarroa 1989: 5 mL/kg over creatinine, at most 300 mL; Nyman 2008: 1.0 g iodine per mL/min; ESUR 10 for
first pass), eGFR below 30, or 45 for first pass (ESUR 10, B.2), kidney injury, contrast within 72 h.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest
from follow_up_settings import settings

from dosetrack.followup import CeilingReached, KidneyFacts, ceilings_reached, decide_kidney, kidney_facts
from dosetrack.kidney import ContrastGiven, EarlierContrast, RenalInput, assess, contrast_totals
from dosetrack.records.entries import Agent, Creatinine, Injection, InjectionSite, Knowledge
from dosetrack.records.follow_up import FollowUpDecided

BERLIN = ZoneInfo("Europe/Berlin")
ENDED = datetime(2026, 11, 25, 11, 30, tzinfo=BERLIN)
QUIET = KidneyFacts(
    ended_at=ENDED,
    zone=BERLIN,
    last_contrast_at=datetime(2026, 11, 25, 11, 0, tzinfo=BERLIN),
    contrast_ml=80.0,
    neat_ml=80.0,
    egfr_ml_min_173m2=75.0,
    site=InjectionSite.SECOND_PASS,
    age_years=70.0,
    dialysis=Knowledge.NO,
    earlier=Knowledge.NO,
)
CEILING = CeilingReached("gurm_3", "3 × CrCl", "Gurm et al. 2011", contrast_ml=160.0, limit_ml=151.0)


def decide(**changes: object) -> FollowUpDecided:
    return decide_kidney(replace(QUIET, **changes), settings(), on=date(2026, 11, 26))  # type: ignore[arg-type]


def test_no_ground_asks_for_nothing() -> None:
    found = decide()
    assert (found.kind, found.tier, found.due, found.reasons, found.missing) == ("kidney", None, (), (), ())


@pytest.mark.parametrize(
    ("changes", "quantity"),
    [
        ({"ceilings": (CEILING,)}, "contrast_ml"),
        ({"egfr_ml_min_173m2": 29.9}, "egfr_ml_min_173m2"),
        ({"egfr_ml_min_173m2": 44.9, "site": InjectionSite.FIRST_PASS}, "egfr_ml_min_173m2"),
        ({"egfr_ml_min_173m2": 44.9, "site": InjectionSite.UNKNOWN}, "egfr_ml_min_173m2"),
        ({"is_unstable": True}, "creatinine"),
        ({"earlier": Knowledge.YES}, "earlier_contrast"),
    ],
)
def test_any_one_ground_is_enough(changes: dict[str, object], quantity: str) -> None:
    found = decide(**changes)
    assert found.tier == "follow-up"
    assert found.due == ("2026-11-27", "2026-11-28")  # 48 and 72 h after 2026-11-25 11:00
    assert [r.quantity for r in found.reasons] == [quantity]
    assert found.estimate_due is None


@pytest.mark.parametrize(
    ("egfr", "site", "asks"),
    [
        (30.0, InjectionSite.VENOUS, False),
        (29.999, InjectionSite.VENOUS, True),
        (44.9, InjectionSite.SECOND_PASS, False),
        (45.0, InjectionSite.FIRST_PASS, False),
        (45.0, InjectionSite.UNKNOWN, False),
    ],
)
def test_egfr_at_its_edges(egfr: float, site: InjectionSite, asks: bool) -> None:
    assert (decide(egfr_ml_min_173m2=egfr, site=site).tier is not None) is asks


def test_dialysis_asks_for_none_and_says_why() -> None:
    found = decide(dialysis=Knowledge.YES, ceilings=(CEILING,), egfr_ml_min_173m2=None)
    assert (found.tier, found.due) == (None, ())
    assert found.reasons[0].text.startswith("On dialysis: no repeat creatinine")
    assert "function to lose" in decide(dialysis=Knowledge.YES, passes_urine=Knowledge.YES).reasons[0].text


def test_contrast_that_nobody_entered_is_missing_and_none_given_is_not() -> None:
    assert decide(contrast_ml=None, is_unstable=True).missing == ("contrast not entered",)
    assert decide(contrast_ml=None, is_unstable=True).tier is None
    gas_only = decide(contrast_ml=0.0, neat_ml=0.0, egfr_ml_min_173m2=20.0)
    assert (gas_only.tier, gas_only.missing) == (None, ())


def test_what_is_not_known_is_listed() -> None:
    found = decide(
        egfr_ml_min_173m2=None,
        egfr_reason="creatinine missing",
        site=InjectionSite.UNKNOWN,
        earlier=Knowledge.UNKNOWN,
        last_contrast_at=None,
        is_iodine_complete=False,
    )
    assert found.missing == (
        "eGFR before the case: creatinine missing",
        "contrast concentration",
        "injection site",
        "earlier contrast",
        "time of the last contrast: counted from the end of the case",
    )
    assert decide(not_computed=("3 × CrCl",)).missing == ("what these limits need: 3 × CrCl",)


@pytest.mark.parametrize(
    ("volume", "age", "site", "asks"),
    [
        (299.0, 70.0, InjectionSite.SECOND_PASS, False),
        (300.0, 70.0, InjectionSite.SECOND_PASS, True),
        (300.0, None, InjectionSite.UNKNOWN, True),
        (300.0, 12.0, InjectionSite.SECOND_PASS, False),
        (300.0, 70.0, InjectionSite.VENOUS, False),
    ],
)
def test_the_cap_of_cigarroa_is_a_ceiling_without_any_creatinine(
    volume: float, age: float | None, site: InjectionSite, asks: bool
) -> None:
    """min(5 x weight / creatinine, 300 mL) is never above 300 mL (Cigarroa 1989)."""
    found = decide(contrast_ml=volume, neat_ml=volume, egfr_ml_min_173m2=None, age_years=age, site=site)
    assert (found.tier is not None) is asks


# A man of 70 years, 72 kg, 180 cm, creatinine 1.75 mg/dL. By hand:
# Cockcroft-Gault (140 - 70) x 72 / (72 x 1.75) = 40 mL/min, so 2 x = 80 mL and 3 x = 120 mL;
# Cigarroa 5 x 72 / 1.75 = 205.7 mL.
PATIENT = RenalInput(
    on=date(2026, 11, 25),
    sex="M",
    age_years=70,
    creatinine=Creatinine("1.75", "mg/dL", "2026-11-24"),
    weight_kg=72,
    height_cm=180,
    site=InjectionSite.SECOND_PASS,
    concentration_mgi_ml=320,
    dialysis=Knowledge.NO,
)


def given_ml(volume: float, agent: Agent = Agent.IODINATED, earlier: float = 0.0) -> ContrastGiven:
    totals = contrast_totals([Injection(volume, 320, agent=agent, site=InjectionSite.SECOND_PASS)])
    before = EarlierContrast(Knowledge.NO, 0.0, 0.0)
    if earlier:
        before = EarlierContrast(Knowledge.YES, earlier, earlier * 0.32)
    return ContrastGiven(now=totals, earlier=before)


@pytest.mark.parametrize(
    ("volume", "expected"),
    [(100.0, set()), (119.0, set()), (120.0, {"gurm_3"}), (206.0, {"gurm_3", "cigarroa_macd", "nyman_1"})],
)
def test_ceilings_of_a_case_by_hand(volume: float, expected: set[str]) -> None:
    """Past 2 x clearance (80 mL) alone asks for nothing. 206 mL are 66 g against a GFR near 41 x 1.1."""
    assert {c.key for c in ceilings_reached(assess(PATIENT, given_ml(volume)))} == expected


def facts_of(given: ContrastGiven, patient: RenalInput = PATIENT, *, entered: bool = True) -> KidneyFacts:
    return kidney_facts(assess(patient, given), ended_at=ENDED, zone=BERLIN, is_contrast_entered=entered)


def test_facts_of_an_assessment() -> None:
    facts = facts_of(given_ml(120.0))
    assert (facts.contrast_ml, facts.neat_ml, facts.earlier) == (120.0, 120.0, Knowledge.NO)
    # CKD-EPI 2021 by hand: 142 x (1.75/0.9)^-1.2 x 0.9938^70 = 41.4
    assert facts.egfr_ml_min_173m2 == pytest.approx(41.4, abs=0.1)
    found = decide_kidney(facts, settings(), on=date(2026, 11, 25))
    assert [r.text for r in found.reasons] == ["3 × CrCl reached"]
    assert found.reasons[0].value == 120.0
    assert found.reasons[0].level == pytest.approx(120.0)


def test_two_times_clearance_is_a_prompt_in_the_room_only() -> None:
    assert decide_kidney(facts_of(given_ml(100.0)), settings(), on=date(2026, 11, 25)).tier is None


def test_contrast_of_the_window_counts_against_the_ceiling() -> None:
    found = decide_kidney(facts_of(given_ml(60.0, earlier=60.0)), settings(), on=date(2026, 11, 25))
    assert {r.quantity for r in found.reasons} == {"contrast_ml", "earlier_contrast"}


def test_carbon_dioxide_alone_is_no_contrast() -> None:
    facts = facts_of(given_ml(300.0, Agent.CARBON_DIOXIDE))
    assert (facts.contrast_ml, decide_kidney(facts, settings()).tier) == (0.0, None)
    assert facts_of(ContrastGiven(), entered=False).contrast_ml is None


def test_an_unstable_creatinine_of_the_assessment_asks() -> None:
    facts = facts_of(given_ml(20.0), replace(PATIENT, is_creatinine_unstable=True))
    assert (facts.is_unstable, facts.egfr_ml_min_173m2) == (True, None)
    assert decide_kidney(facts, settings()).tier == "follow-up"


def test_a_missing_creatinine_is_said_once() -> None:
    found = decide_kidney(facts_of(given_ml(20.0), replace(PATIENT, creatinine=None)), settings())
    assert found.missing[0] == "eGFR before the case: creatinine missing"


def test_a_missing_weight_leaves_limits_uncomputed_and_says_so() -> None:
    facts = facts_of(given_ml(20.0), replace(PATIENT, weight_kg=None))
    assert "3 × CrCl" in facts.not_computed
    assert any(
        m.startswith("what these limits need: 3 × CrCl") for m in decide_kidney(facts, settings()).missing
    )
