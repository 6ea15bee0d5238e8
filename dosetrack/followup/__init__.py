"""Who must be seen again, why and when: the rules after a case, for skin and kidney."""

from dosetrack.followup.due import (
    Window,
    becomes_call,
    contact_days,
    creatinine_window,
    estimate_day,
    working_day_after,
)
from dosetrack.followup.facts import (
    Amount,
    CeilingReached,
    EarlierCase,
    InjuryFacts,
    KidneyFacts,
    PlaneKerma,
    SkinDose,
    SkinFacts,
    ceilings_reached,
    kidney_facts,
)
from dosetrack.followup.injury import InjuryStage, InjuryState, stage_injury
from dosetrack.followup.kidney_rules import decide_kidney
from dosetrack.followup.profiles import Profile, Rule, Tier, rules_in_force, society_rules, stricter_rules
from dosetrack.followup.skin_rules import decide_skin
from dosetrack.followup.triggers import Trigger, higher_tier, highest_tier, is_reached, triggers_reached

__all__ = [
    "Amount",
    "CeilingReached",
    "EarlierCase",
    "InjuryFacts",
    "InjuryStage",
    "InjuryState",
    "KidneyFacts",
    "PlaneKerma",
    "Profile",
    "Rule",
    "SkinDose",
    "SkinFacts",
    "Tier",
    "Trigger",
    "Window",
    "becomes_call",
    "ceilings_reached",
    "contact_days",
    "creatinine_window",
    "decide_kidney",
    "decide_skin",
    "estimate_day",
    "higher_tier",
    "highest_tier",
    "is_reached",
    "kidney_facts",
    "rules_in_force",
    "society_rules",
    "stage_injury",
    "stricter_rules",
    "triggers_reached",
    "working_day_after",
]
