"""Which levels ask for skin follow-up: the societies', a stricter public set, or the department's own.

Profiles
--------
society : substantial radiation dose levels (NCRP 168) and the tiers of the SCAI (2011), with a
    physicist's estimate from 10 Gy on
stricter : those, and three lower public figures: the air kerma that matched 3 Gy of measured skin
    dose in one study, one centre's DAP trigger, and ICRP 85
site : only the department's own substantial levels and follow-up levels

A level that the department set for itself acts beside a published profile as well, so that a level
announced in the room as 'follow-up after the case' is never without one.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache

from dosetrack.settings import Settings, definition
from dosetrack.tables import citation, constants
from dosetrack.units import unit_factor

KERMA = "reference_air_kerma_mgy"
PSD = "peak_skin_dose_mgy"
DAP = "dose_area_product_gycm2"
TIME = "fluoroscopy_time_s"
_KINDS = {KERMA: "air_kerma", PSD: "air_kerma", DAP: "dose_area_product", TIME: "time"}
_SECONDS_PER_MINUTE = 60.0


class Tier(StrEnum):
    """What a level asks for, the mildest first."""

    FOLLOW_UP = "follow-up"
    PHYSICIST = "physicist"
    REVIEW = "review"


class Profile(StrEnum):
    """The choice of `follow_up.profile`."""

    SOCIETY = "society"
    STRICTER = "stricter"
    SITE = "site"


@dataclass(frozen=True, slots=True)
class Rule:
    """One level. level : in the unit of the quantity's name.

    is_above : the source says 'above' and not 'at or above'
    is_scaled : the level assumes the nominal field, and a smaller one lowers it
    """

    key: str
    tier: Tier
    quantity: str
    level: float
    source: str
    is_above: bool = False
    is_scaled: bool = False


# key of notification_levels.csv, tier, whether the source says 'above' and not 'at or above'
_SOCIETY = (
    ("srdl_kar", Tier.FOLLOW_UP, False),
    ("srdl_psd", Tier.FOLLOW_UP, False),
    ("srdl_pka", Tier.FOLLOW_UP, False),
    ("srdl_ft", Tier.FOLLOW_UP, False),
    ("scai_kar_5", Tier.FOLLOW_UP, True),
    ("physicist_kar_10", Tier.PHYSICIST, False),
    ("scai_kar_10", Tier.PHYSICIST, True),
    ("physicist_psd_10", Tier.PHYSICIST, False),
    ("scai_psd_15", Tier.REVIEW, True),
)
_STRICTER = (
    ("struelens_kar_3", Tier.FOLLOW_UP, False),
    ("icrp85_psd_3", Tier.FOLLOW_UP, False),
    ("cancer_centre_pka_300", Tier.FOLLOW_UP, False),
)
_ASSUMES_FIELD = ("srdl_pka",)

# setting, quantity, tier, 'above'
_SITE = (
    ("levels.reference_air_kerma.substantial_mgy", KERMA, Tier.FOLLOW_UP, False),
    ("levels.peak_skin_dose.substantial_mgy", PSD, Tier.FOLLOW_UP, False),
    ("levels.dose_area_product.substantial_gycm2", DAP, Tier.FOLLOW_UP, False),
    ("levels.fluoroscopy_time.substantial_min", TIME, Tier.FOLLOW_UP, False),
    ("follow_up.physicist_reference_air_kerma_mgy", KERMA, Tier.PHYSICIST, False),
    ("follow_up.physicist_peak_skin_dose_mgy", PSD, Tier.PHYSICIST, False),
    ("follow_up.review_peak_skin_dose_mgy", PSD, Tier.REVIEW, True),
)


@cache
def society_rules() -> tuple[Rule, ...]:
    """The levels of the societies, in the order of the tiers."""
    return tuple(published_rule(key, tier, is_above=above) for key, tier, above in _SOCIETY)


@cache
def stricter_rules() -> tuple[Rule, ...]:
    """The levels of the societies and the lower public figures."""
    lower = tuple(published_rule(key, tier, is_above=above) for key, tier, above in _STRICTER)
    return tuple(sorted((*lower, *society_rules()), key=lambda rule: list(Tier).index(rule.tier)))


def rules_in_force(settings: Settings) -> tuple[Rule, ...]:
    """The levels that a case is held against where these `settings` are in force."""
    profile = Profile(settings.text("follow_up.profile"))
    if profile is Profile.SITE:
        return tuple(_site_rule(settings, *row) for row in _SITE if settings.text(row[0]))
    own = tuple(
        _site_rule(settings, *row)
        for row in _SITE
        if settings.origins[row[0]] != "default" and settings.text(row[0])
    )
    return (*own, *(society_rules() if profile is Profile.SOCIETY else stricter_rules()))


def published_rule(key: str, tier: Tier, *, is_above: bool) -> Rule:
    """The level `key` of `notification_levels.csv` as a rule."""
    constant = constants("notification_levels")[key]
    quantity = constant.applies_to
    factor = unit_factor(constant.unit, _KINDS[quantity])
    if factor is None:
        raise ValueError(f"notification_levels.csv: no unit {constant.unit!r} for {quantity}")
    return Rule(
        key=key,
        tier=tier,
        quantity=quantity,
        level=constant.number * factor.factor,
        source=citation(constant),
        is_above=is_above,
        is_scaled=key in _ASSUMES_FIELD,
    )


def _site_rule(settings: Settings, key: str, quantity: str, tier: Tier, is_above: bool) -> Rule:
    origin = settings.origins[key]
    return Rule(
        key=key,
        tier=tier,
        quantity=quantity,
        level=settings.number(key) * (_SECONDS_PER_MINUTE if quantity == TIME else 1.0),
        source=definition(key).source if origin == "default" else f"set by this department ({origin})",
        is_above=is_above,
        is_scaled=quantity == DAP,
    )
