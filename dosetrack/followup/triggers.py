"""The levels of follow-up that the values of a case reach.

A substantial dose does not tell that an injury will or will not follow; it asks for dose
management and follow-up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isclose

from dosetrack.followup.profiles import DAP, KERMA, TIME, Rule, Tier, society_rules

_FLOAT_NOISE = 1e-9


@dataclass(frozen=True, slots=True)
class Trigger:
    """A level reached. value, level : in the unit of the quantity's name; level as applied."""

    key: str
    tier: Tier
    quantity: str
    value: float
    level: float
    source: str
    is_above: bool = False


def triggers_reached(
    values: Mapping[str, float | None],
    *,
    dap_scale: float = 1.0,
    rules: Sequence[Rule] | None = None,
) -> tuple[Trigger, ...]:
    """The levels that `values` reach, in the order of the tiers.

    Parameters
    ----------
    values : quantity -> value: `reference_air_kerma_mgy` of the worst plane, `peak_skin_dose_mgy`,
        `dose_area_product_gycm2` over all planes, `fluoroscopy_time_s`
    dap_scale : factor on a DAP level that assumes the nominal field, for a smaller one; at most 1
    rules : None: those of the societies

    Notes
    -----
    Fluoroscopy time speaks only where reference air kerma and dose-area product are both missing.
    """
    found = []
    for rule in society_rules() if rules is None else rules:
        value = values.get(rule.quantity)
        if value is None or (rule.quantity == TIME and _has_better(values)):
            continue
        level = rule.level * (min(dap_scale, 1.0) if rule.is_scaled else 1.0)
        if is_reached(value, level, is_above=rule.is_above):
            found.append(
                Trigger(rule.key, rule.tier, rule.quantity, value, level, rule.source, rule.is_above)
            )
    return tuple(sorted(found, key=lambda trigger: list(Tier).index(trigger.tier)))


def is_reached(value: float, level: float, *, is_above: bool = False) -> bool:
    """Whether `value` is at or past `level`, or past it where the source says 'above'; rounding aside."""
    is_at = isclose(value, level, rel_tol=_FLOAT_NOISE)
    return not is_at and value > level if is_above else is_at or value > level


def highest_tier(triggers: Sequence[Trigger]) -> Tier | None:
    """The most demanding tier among `triggers`; None when there is none."""
    return higher_tier(*(trigger.tier for trigger in triggers))


def higher_tier(*tiers: Tier | None) -> Tier | None:
    """The most demanding of `tiers`; None when there is none."""
    order = list(Tier)
    return max((tier for tier in tiers if tier is not None), key=order.index, default=None)


def _has_better(values: Mapping[str, float | None]) -> bool:
    return any(values.get(quantity) is not None for quantity in (KERMA, DAP))
