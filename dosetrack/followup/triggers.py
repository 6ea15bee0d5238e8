"""Published triggers of follow-up after a case, and which of them a case reached.

A substantial dose does not tell that an injury will or will not follow; it asks for dose
management and follow-up. Skin dose is the upper end of its estimate.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from dosetrack.tables import citation, constants
from dosetrack.units import unit_factor

_KINDS = {
    "reference_air_kerma_mgy": "air_kerma",
    "peak_skin_dose_mgy": "air_kerma",
    "dose_area_product_gycm2": "dose_area_product",
    "fluoroscopy_time_s": "time",
}


class Tier(StrEnum):
    """What the trigger asks for, the mildest first."""

    FOLLOW_UP = "follow-up"
    PHYSICIST = "physicist"
    REVIEW = "review"


# key of the table, tier, whether the source says 'above' and not 'at or above'
_TRIGGERS = (
    ("srdl_kar", Tier.FOLLOW_UP, False),
    ("srdl_psd", Tier.FOLLOW_UP, False),
    ("srdl_pka", Tier.FOLLOW_UP, False),
    ("srdl_ft", Tier.FOLLOW_UP, False),
    ("scai_kar_5", Tier.FOLLOW_UP, True),
    ("scai_kar_10", Tier.PHYSICIST, True),
    ("physicist_psd_10", Tier.PHYSICIST, False),
    ("scai_psd_15", Tier.REVIEW, True),
)


@dataclass(frozen=True, slots=True)
class Trigger:
    """A trigger reached. value, level : in the unit of the quantity's name."""

    key: str
    tier: Tier
    quantity: str
    value: float
    level: float
    source: str


def triggers_reached(values: Mapping[str, float | None], *, dap_scale: float = 1.0) -> tuple[Trigger, ...]:
    """The triggers that `values` reach, in the order of the tiers.

    Parameters
    ----------
    values : quantity -> value: `reference_air_kerma_mgy` of the worst plane, the upper end of
        `peak_skin_dose_mgy`, `dose_area_product_gycm2` over all planes, `fluoroscopy_time_s`
    dap_scale : factor on the dose-area product level for a field below the nominal one, at most 1

    Notes
    -----
    Fluoroscopy time speaks only where reference air kerma and dose-area product are both missing.
    """
    table = constants("notification_levels")
    found = []
    for key, tier, is_above in _TRIGGERS:
        constant = table[key]
        quantity = constant.applies_to
        value = values.get(quantity)
        if value is None or (quantity == "fluoroscopy_time_s" and _has_better(values)):
            continue
        level = _level(constant.number, constant.unit, quantity)
        if quantity == "dose_area_product_gycm2":
            level *= dap_scale
        if value > level or (value == level and not is_above):
            found.append(Trigger(key, tier, quantity, value, level, citation(constant)))
    return tuple(found)


def highest_tier(triggers: tuple[Trigger, ...]) -> Tier | None:
    """The most demanding tier among `triggers`; None when there is none."""
    order = list(Tier)
    return max((t.tier for t in triggers), key=order.index, default=None)


def _has_better(values: Mapping[str, float | None]) -> bool:
    return any(values.get(q) is not None for q in ("reference_air_kerma_mgy", "dose_area_product_gycm2"))


def _level(number: float, unit: str, quantity: str) -> float:
    factor = unit_factor(unit, _KINDS[quantity])
    if factor is None:
        raise ValueError(f"notification_levels.csv: no unit {unit!r} for {quantity}")
    return number * factor.factor
