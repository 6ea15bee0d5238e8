"""What the rules say of the kidneys after one ended case: whether creatinine is repeated, and when.

Any one ground is enough. Reaching 2 x CrCl is a prompt in the room and asks for nothing afterwards.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from dosetrack.followup.due import creatinine_window
from dosetrack.followup.facts import KidneyFacts
from dosetrack.followup.profiles import Tier
from dosetrack.followup.triggers import is_reached
from dosetrack.kidney import filtration
from dosetrack.records.entries import InjectionSite, Knowledge
from dosetrack.records.follow_up import FollowUpDecided, FollowUpReason
from dosetrack.settings import Settings, definition
from dosetrack.tables import citation, constants
from dosetrack.version import VERSION

_EGFR = "egfr_ml_min_173m2"
CONTRAST_NOT_ENTERED = "contrast not entered"
_ON_DIALYSIS = "On dialysis: no repeat creatinine is asked for; it would not tell of kidney injury"
_PASSES_URINE = "; passes urine, so that there is function to lose: a matter for the nephrologist"


def decide_kidney(facts: KidneyFacts, settings: Settings, *, on: date | None = None) -> FollowUpDecided:
    """What is due for the kidneys after a case.

    Parameters
    ----------
    settings : in force for the room and procedure on the day of the case
    on : taken so that both kinds are called alike; no date depends on it

    Returns
    -------
    due : the first and the last day of the repeat creatinine in the site's zone; one day where they
        are the same, none where nothing is asked for
    """
    del on
    reasons = tuple(_reasons(facts, settings)) if facts.contrast_ml else ()
    if facts.dialysis is Knowledge.YES:
        return _decided(settings, reasons=(_dialysis_reason(facts),), missing=_missing(facts))
    if not reasons:
        return _decided(settings, missing=_missing(facts))
    window = creatinine_window(facts.last_contrast_at or facts.ended_at, facts.zone, settings)
    days = dict.fromkeys((window.from_day.isoformat(), window.to_day.isoformat()))
    return _decided(settings, tier=Tier.FOLLOW_UP, reasons=reasons, due=tuple(days), missing=_missing(facts))


def _decided(
    settings: Settings,
    *,
    tier: Tier | None = None,
    reasons: tuple[FollowUpReason, ...] = (),
    due: tuple[str, ...] = (),
    missing: tuple[str, ...] = (),
) -> FollowUpDecided:
    return FollowUpDecided(
        kind="kidney",
        tier=None if tier is None else tier.value,
        reasons=reasons,
        due=due,
        profile=settings.text("follow_up.profile"),
        settings_seq=settings.seq,
        software_version=VERSION,
        missing=missing,
    )


def _dialysis_reason(facts: KidneyFacts) -> FollowUpReason:
    text = _ON_DIALYSIS + (_PASSES_URINE if facts.passes_urine is Knowledge.YES else "")
    return FollowUpReason(quantity="dialysis", text=text)


def _reasons(facts: KidneyFacts, settings: Settings) -> Iterable[FollowUpReason]:
    if facts.is_unstable:
        yield FollowUpReason(
            quantity="creatinine", text="Acute kidney injury or changing creatinine before the contrast"
        )
    yield from _egfr_reason(facts, settings)
    for ceiling in facts.ceilings:
        is_volume = ceiling.limit_ml is not None
        yield FollowUpReason(
            quantity="contrast_ml" if is_volume else "iodine_g",
            text=f"{ceiling.name} reached",
            value=ceiling.contrast_ml if is_volume else ceiling.iodine_g,
            level=ceiling.limit_ml if is_volume else ceiling.limit_iodine_g,
            basis="typed",
            source=ceiling.source,
        )
    yield from _cap_reason(facts)
    if facts.earlier is Knowledge.YES:
        hours = settings.number("contrast.lookback_h")
        yield FollowUpReason(
            quantity="earlier_contrast",
            text=f"Earlier contrast within {hours:g} h before this case",
            source=definition("contrast.lookback_h").source,
        )


def _egfr_reason(facts: KidneyFacts, settings: Settings) -> Iterable[FollowUpReason]:
    """Below the level whatever the route, else below that of first-pass contrast."""
    egfr = facts.egfr_ml_min_173m2
    keys = [("follow_up.egfr_ml_min_173m2", "")]
    if facts.site in (InjectionSite.FIRST_PASS, InjectionSite.UNKNOWN):
        route = (
            "first-pass contrast" if facts.site is InjectionSite.FIRST_PASS else "injection site not known"
        )
        keys.append(("follow_up.egfr_first_pass_ml_min_173m2", f", {route}"))
    for key, route in keys:
        level = settings.number(key)
        if egfr is not None and egfr < level and not is_reached(egfr, level):
            yield FollowUpReason(
                quantity=_EGFR,
                text=f"eGFR below {level:g} mL/min/1.73 m²{route}",
                value=egfr,
                level=level,
                basis="estimated",
                source=definition(key).source,
            )
            return


def _cap_reason(facts: KidneyFacts) -> Iterable[FollowUpReason]:
    """The most the Cigarroa limit ever gives is a ceiling for every adult, creatinine known or not."""
    cap = constants("contrast_limits")["cigarroa_macd.cap"]
    is_child = facts.age_years is not None and not filtration.is_adult(facts.age_years)
    if any(c.key == "cigarroa_macd" for c in facts.ceilings) or is_child:
        return
    if facts.site is InjectionSite.VENOUS or not facts.neat_ml or not is_reached(facts.neat_ml, cap.number):
        return
    yield FollowUpReason(
        quantity="contrast_ml",
        text=f"{cap.number:g} mL reached, the most that the Cigarroa limit gives at any creatinine",
        value=facts.neat_ml,
        level=cap.number,
        basis="typed",
        source=citation(cap),
    )


def _missing(facts: KidneyFacts) -> tuple[str, ...]:
    """What is not known, in words, in a fixed order; nothing where entries say that no contrast was given."""
    if facts.contrast_ml is None:
        return (CONTRAST_NOT_ENTERED,)
    if not facts.contrast_ml:
        return ()
    found = []
    if facts.dialysis is not Knowledge.YES and facts.egfr_ml_min_173m2 is None:
        found.append(f"eGFR before the case: {facts.egfr_reason or 'creatinine missing'}")
    elif facts.not_computed:
        found.append(f"what these limits need: {'; '.join(facts.not_computed)}")
    if not facts.is_iodine_complete:
        found.append("contrast concentration")
    if facts.site is InjectionSite.UNKNOWN:
        found.append("injection site")
    if facts.earlier is Knowledge.UNKNOWN:
        found.append("earlier contrast")
    if facts.last_contrast_at is None:
        found.append("time of the last contrast: counted from the end of the case")
    return tuple(found)
