"""What the rules say of the skin after one ended case.

Each quantity acts on its own and a missing one is listed. Two strengths of statement:

- a level is reached: the patient is contacted;
- a level may be reached: the upper end of an estimate is at it, the planes may overlap, or the air
  kerma of several cases adds up to it. A physicist is asked for an estimate; see `becomes_call`.

A map decides about overlap. A sum of air kerma over cases is a screen and no skin dose.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from dosetrack.followup.due import contact_days, estimate_day
from dosetrack.followup.facts import Amount, EarlierCase, SkinDose, SkinFacts
from dosetrack.followup.profiles import DAP, KERMA, PSD, TIME, Rule, Tier, published_rule, rules_in_force
from dosetrack.followup.triggers import Trigger, higher_tier, is_reached, triggers_reached
from dosetrack.followup.wording import level_text, plane_text
from dosetrack.records.follow_up import FollowUpDecided, FollowUpReason
from dosetrack.settings import Settings, definition
from dosetrack.skin.wording import dose_words
from dosetrack.version import VERSION

_SUM_OF_PLANES = "sum of planes"
_SUM_OF_CASES = "sum over cases"


@dataclass(frozen=True, slots=True)
class _Ground:
    """A reason with the tier it asks for. is_certain: the level is reached, not only may be."""

    tier: Tier
    reason: FollowUpReason
    is_certain: bool = True


def decide_skin(
    facts: SkinFacts, settings: Settings, *, on: date, standing: FollowUpDecided | None = None
) -> FollowUpDecided:
    """What is due for the skin after a case.

    Parameters
    ----------
    settings : in force for the room and procedure on the day of the case
    on : local day on which these facts became known; an estimate's working days count from it
    standing : the decision made before on this case; the day of an estimate it asked for stays,
        unless a dose that bears on it is higher now

    Returns
    -------
    tier None and an `estimate_due`: a level may be reached, and a physicist is asked. tier None and
    none: no level is reached by what is known; `missing` lists what is not.
    """
    rules = rules_in_force(settings)
    grounds = _grounds(facts, rules, settings)
    tier = higher_tier(*(g.tier for g in grounds if g.is_certain))
    told = _told(grounds, tier)
    asks = any(not g.is_certain for g in told) or tier in (Tier.PHYSICIST, Tier.REVIEW)
    return FollowUpDecided(
        kind="skin",
        tier=None if tier is None else tier.value,
        reasons=(*(g.reason for g in told), *_earlier_told(facts, grounds, settings)),
        due=() if tier is None else contact_days(facts.performed_on, tier, settings),
        profile=settings.text("follow_up.profile"),
        settings_seq=settings.seq,
        software_version=VERSION,
        estimate_due=_estimate_due(told, settings, on=on, standing=standing) if asks else None,
        missing=_missing(facts, _in_window(facts, settings)),
    )


def _estimate_due(
    told: Sequence[_Ground], settings: Settings, *, on: date, standing: FollowUpDecided | None
) -> str:
    before = standing.estimate_due if standing is not None else None
    if standing is None or before is None:
        return estimate_day(on, settings)
    is_covered = all(_stood_before(g.reason, standing.reasons) for g in told)
    return before if is_covered else estimate_day(on, settings)


def _stood_before(reason: FollowUpReason, before: Sequence[FollowUpReason]) -> bool:
    """The same level was told with at least this dose, by whatever estimate."""

    def name(one: FollowUpReason) -> tuple[object, ...]:
        return (one.quantity, one.plane, one.level)

    def dose(one: FollowUpReason) -> float:
        return _none_or_max(one.value, one.high) or 0.0

    return any(name(one) == name(reason) and is_reached(dose(one), dose(reason)) for one in before)


def _grounds(facts: SkinFacts, rules: Sequence[Rule], settings: Settings) -> list[_Ground]:
    earlier = _in_window(facts, settings)
    return [
        *_by_air_kerma(facts, rules),
        *_by_area_product_and_time(facts, rules),
        *_by_skin_dose(facts, rules),
        *_by_overlapping_planes(facts, rules),
        *_by_accumulated_maps(facts, rules),
        *_by_air_kerma_over_cases(facts, earlier, rules),
        *_by_earlier_site(facts, settings),
        *_by_long_window(facts, settings),
    ]


def _told(grounds: Sequence[_Ground], tier: Tier | None) -> list[_Ground]:
    """The grounds worth telling, the most demanding first: a doubt only where it would ask for more."""
    order = list(Tier)
    rank = -1 if tier is None else order.index(tier)
    kept = [g for g in grounds if g.is_certain or order.index(g.tier) > rank]
    return sorted(kept, key=lambda g: (not g.is_certain, -order.index(g.tier)))


def _by_air_kerma(facts: SkinFacts, rules: Sequence[Rule]) -> Iterable[_Ground]:
    """Each plane on its own."""
    for plane in facts.planes:
        amount = plane.reference_air_kerma_mgy
        if amount is None:
            continue
        found = triggers_reached({KERMA: amount.value}, rules=rules)
        yield from _certain(found, amount, plane=plane.plane)


def _by_area_product_and_time(facts: SkinFacts, rules: Sequence[Rule]) -> Iterable[_Ground]:
    """DAP over all planes; time only where neither Ka,r nor DAP is known."""
    dap, time = facts.dose_area_product_gycm2, facts.fluoroscopy_time_s
    if dap is not None:
        found = triggers_reached({DAP: dap.value}, dap_scale=facts.dap_scale, rules=rules)
        yield from _certain(found, dap, note=_field_note(facts, found))
    elif time is not None and not _kermas(facts):
        yield from _certain(triggers_reached({TIME: time.value}, rules=rules), time)


def _field_note(facts: SkinFacts, found: Sequence[Trigger]) -> str:
    if facts.dap_scale >= 1.0 or facts.field_cm2 is None or not found:
        return ""
    return f"; published level scaled by a field of {facts.field_cm2:.0f} cm²"


def _by_skin_dose(facts: SkinFacts, rules: Sequence[Rule]) -> Iterable[_Ground]:
    """By the map where there is one, else by the range from air kerma alone."""
    dose = _map(facts) or facts.screening
    if dose is not None:
        yield from _of_skin_dose(dose, rules, upper=_upper(dose, facts))


def _by_accumulated_maps(facts: SkinFacts, rules: Sequence[Rule]) -> Iterable[_Ground]:
    if facts.accumulated is not None:
        yield from _of_skin_dose(facts.accumulated, rules, upper=_upper(facts.accumulated))


def _of_skin_dose(dose: SkinDose, rules: Sequence[Rule], *, upper: float | None) -> Iterable[_Ground]:
    """Certain where the value reaches a level (a range: its lower end); 'may be' where its upper end does."""
    value = dose.peak_mgy if dose.peak_mgy is not None else dose.low_mgy
    certain = triggers_reached({PSD: value}, rules=rules)
    basis = Amount(0.0 if value is None else value, dose.basis)
    for ground in _certain(certain, basis, note=_site_note(dose)):
        reason = replace(ground.reason, value=dose.peak_mgy, low=dose.low_mgy, high=dose.high_mgy)
        yield replace(ground, reason=reason)
    reached = {trigger.key for trigger in certain}
    doubtful = [t for t in triggers_reached({PSD: upper}, rules=rules) if t.key not in reached]
    why = f"upper end of the {'estimate without a map' if dose.basis == 'estimated' else dose.basis}"
    for ground in _possible(doubtful, dose.basis, why=why + _site_note(dose), value=dose.peak_mgy):
        yield replace(
            ground, reason=replace(ground.reason, low=dose.low_mgy, high=_none_or_max(dose.high_mgy, upper))
        )


def _upper(dose: SkinDose, facts: SkinFacts | None = None) -> float | None:
    """The highest value the estimate admits [mGy].

    Air kerma that a map could not place counts as met by its peak: by the bound where it was worked
    out, else by the screening of this case over all planes, else in proportion.
    """
    upper = _none_or_max(dose.peak_mgy, dose.low_mgy, dose.high_mgy, dose.bound_mgy)
    share = dose.mapped_fraction
    if upper is None or share is None or share >= 1.0 or dose.bound_mgy is not None:
        return upper
    high = facts.screening.high_mgy if facts is not None and facts.screening is not None else None
    if facts is None or high is None:
        return upper / share if share > 0 else upper
    worst = max((a.value for a in _kermas(facts)), default=0.0)
    total = facts.reference_air_kerma_sum_mgy
    planes = total.value / worst if total is not None and worst > 0 else 1.0
    return upper + (1.0 - share) * high * max(planes, 1.0)


def _map(facts: SkinFacts) -> SkinDose | None:
    """The map of this case where it has a peak."""
    return facts.skin_map if facts.skin_map is not None and facts.skin_map.peak_mgy is not None else None


def _by_overlapping_planes(facts: SkinFacts, rules: Sequence[Rule]) -> Iterable[_Ground]:
    """The sum over planes, where nothing tells that they meet different skin and no map decides."""
    total = facts.reference_air_kerma_sum_mgy
    if total is None or len(facts.planes) < 2 or not facts.planes_may_overlap or _map(facts):
        return
    highest = max((a.value for a in _kermas(facts)), default=0.0)
    alone = {t.key for t in triggers_reached({KERMA: highest}, rules=rules)}
    found = [t for t in triggers_reached({KERMA: total.value}, rules=rules) if t.key not in alone]
    why = "both planes together; planes may overlap on the skin"
    yield from _possible(found, _SUM_OF_PLANES, why=why, value=total.value)


def _by_air_kerma_over_cases(
    facts: SkinFacts, earlier: Sequence[EarlierCase], rules: Sequence[Rule]
) -> Iterable[_Ground]:
    """Ka,r of this and the earlier cases together: a screen, where summed maps do not cover them."""
    is_mapped = facts.accumulated is not None and all(c.case_id in facts.accumulated_cases for c in earlier)
    others = [a.value for c in earlier if (a := c.reference_air_kerma_mgy) is not None]
    present = _present_kerma(facts)
    if is_mapped or not others or present is None:
        return
    total = sum(sorted(others)) + present
    alone = {t.key for a in _kermas(facts) for t in triggers_reached({KERMA: a.value}, rules=rules)}
    found = [t for t in triggers_reached({KERMA: total}, rules=rules) if t.key not in alone]
    first = min(c.performed_on for c in earlier)
    why = f"{len(others) + 1} cases since {first.isoformat()} together; a screen and no skin dose"
    yield from _possible(found, _SUM_OF_CASES, why=why, value=total)


def _by_earlier_site(facts: SkinFacts, settings: Settings) -> Iterable[_Ground]:
    """Skin that received several Gy before tolerates less: a present dose that counts asks for follow-up."""
    worst = _worst_earlier_site(facts, settings)
    if worst is not None and _present_counts(facts, settings):
        yield _Ground(Tier.FOLLOW_UP, _earlier_reason(worst, settings))


def _earlier_told(
    facts: SkinFacts, grounds: Sequence[_Ground], settings: Settings
) -> tuple[FollowUpReason, ...]:
    """The earlier dose to the same skin beside other reasons, where it asks for nothing by itself."""
    worst = _worst_earlier_site(facts, settings)
    if worst is None or not grounds or _present_counts(facts, settings):
        return ()
    return (_earlier_reason(worst, settings),)


def _worst_earlier_site(facts: SkinFacts, settings: Settings) -> EarlierCase | None:
    level = settings.number("follow_up.earlier_site_mgy")
    known = [
        c
        for c in _before(facts)
        if c.same_site_peak_mgy is not None and is_reached(c.same_site_peak_mgy, level)
    ]
    return max(known, key=lambda c: (c.same_site_peak_mgy or 0.0, c.performed_on, c.case_id), default=None)


def _present_counts(facts: SkinFacts, settings: Settings) -> bool:
    """The present dose counts on skin irradiated before; one that is not known does."""
    dose = _map(facts) or facts.screening
    present = _upper(dose, facts) if dose is not None else _present_kerma(facts)
    return present is None or is_reached(present, settings.number("follow_up.earlier_site_present_mgy"))


def _earlier_reason(case: EarlierCase, settings: Settings) -> FollowUpReason:
    key = "follow_up.earlier_site_mgy"
    return FollowUpReason(
        quantity=PSD,
        text=f"Same skin received {dose_words(case.same_site_peak_mgy)} on {case.performed_on.isoformat()}: "
        "several Gy before lower its tolerance, even when nothing is visible",
        value=case.same_site_peak_mgy,
        level=settings.number(key),
        basis="earlier map",
        source=definition(key).source,
    )


def _by_long_window(facts: SkinFacts, settings: Settings) -> Iterable[_Ground]:
    """The dated rule of 15 Gy to one field over months; off unless the site turned it on."""
    dose = facts.accumulated_long if facts.accumulated_long is not None else facts.accumulated
    if dose is None or not settings.flag("follow_up.joint_commission_15_gy"):
        return
    rule = published_rule("tjc_psd_15", Tier.REVIEW, is_above=True)
    days = settings.number("follow_up.joint_commission_window_days")
    dose = replace(dose, basis=f"accumulated map over {days:g} days")
    yield from _of_skin_dose(dose, (rule,), upper=_upper(dose))


def _certain(
    found: Sequence[Trigger], amount: Amount, *, plane: str | None = None, note: str = ""
) -> Iterable[_Ground]:
    """One ground for each tier reached, naming the highest level of it."""
    at_least = "" if amount.is_complete else "; at least, a part is missing"
    for top, sources in _highest_by_tier(found):
        text = f"{plane_text(top.quantity, plane)} {level_text(top)} ({amount.basis}){at_least}{note}"
        yield _Ground(
            top.tier,
            FollowUpReason(
                quantity=top.quantity,
                text=text,
                value=amount.value,
                level=top.level,
                plane=plane,
                basis=amount.basis,
                source=sources,
            ),
        )


def _possible(found: Sequence[Trigger], basis: str, *, why: str, value: float | None) -> Iterable[_Ground]:
    """The same for a level that only may be reached."""
    for top, sources in _highest_by_tier(found):
        text = f"{plane_text(top.quantity, None)} may be {level_text(top)}: {why}"
        reason = FollowUpReason(
            quantity=top.quantity, text=text, value=value, level=top.level, basis=basis, source=sources
        )
        yield _Ground(top.tier, reason, is_certain=False)


def _highest_by_tier(found: Sequence[Trigger]) -> Iterable[tuple[Trigger, str]]:
    """For each tier the trigger of the highest level, with every source that names this level."""
    for tier in Tier:
        of_tier = [t for t in found if t.tier is tier]
        if of_tier:
            top = max(of_tier, key=lambda t: t.level)
            same = [t for t in of_tier if t.level == top.level]
            # 'at or above' is said where one of the sources says so
            top = next((t for t in same if not t.is_above), top)
            yield top, "; ".join(dict.fromkeys(t.source for t in same))


def _site_note(dose: SkinDose) -> str:
    return f", {dose.site}" if dose.site else ""


def _kermas(facts: SkinFacts) -> list[Amount]:
    return [p.reference_air_kerma_mgy for p in facts.planes if p.reference_air_kerma_mgy is not None]


def _present_kerma(facts: SkinFacts) -> float | None:
    """Ka,r of the worst plane, or the sum where the planes may overlap [mGy]."""
    total = facts.reference_air_kerma_sum_mgy
    worst = max((a.value for a in _kermas(facts)), default=None)
    return _none_or_max(worst, total.value if total is not None and facts.planes_may_overlap else None)


def _before(facts: SkinFacts) -> tuple[EarlierCase, ...]:
    ordered = sorted(facts.earlier, key=lambda c: (c.performed_on, c.case_id))
    return tuple(c for c in ordered if c.performed_on <= facts.performed_on)


def _in_window(facts: SkinFacts, settings: Settings) -> tuple[EarlierCase, ...]:
    """The earlier cases whose dose is taken as added to the present one."""
    first = facts.performed_on - timedelta(days=settings.number("radiation.lookback_days"))
    return tuple(c for c in _before(facts) if c.performed_on >= first)


def _missing(facts: SkinFacts, earlier: Sequence[EarlierCase]) -> tuple[str, ...]:
    """What is not known, in words, in a fixed order."""
    found = []
    if not facts.planes:
        found.append("reference air kerma")
    for plane in facts.planes:
        name = plane_text(KERMA, plane.plane, is_long=True)
        if plane.reference_air_kerma_mgy is None:
            found.append(name)
        elif not plane.reference_air_kerma_mgy.is_complete:
            found.append(f"part of {name}")
    for name, amount in (
        ("dose-area product", facts.dose_area_product_gycm2),
        ("fluoroscopy time", facts.fluoroscopy_time_s),
    ):
        if amount is None or not amount.is_complete:
            found.append(name if amount is None else f"part of {name}")
    if facts.dose_area_product_gycm2 is not None and facts.field_cm2 is None:
        found.append("collimated field: dose-area product level not scaled")
    found += _missing_of_map(facts)
    found += [
        f"reference air kerma of the earlier case of {c.performed_on.isoformat()}"
        for c in earlier
        if c.reference_air_kerma_mgy is None
    ]
    return tuple(found)


def _missing_of_map(facts: SkinFacts) -> list[str]:
    known = _map(facts)
    if known is None:
        return ["map of the skin dose"]
    share = known.mapped_fraction
    if share is not None and share < 1.0:
        return [f"part of the map: {int(share * 100)} % of the air kerma placed"]
    return []


def _none_or_max(*values: float | None) -> float | None:
    return max((v for v in values if v is not None), default=None)
