"""The ladders of levels in force: published defaults or the site's own."""

from __future__ import annotations

from dataclasses import dataclass

from dosetrack.errors import InputError
from dosetrack.radiation.account import DAP, KERMA, TIME
from dosetrack.settings import Settings, definition
from dosetrack.tables import citation, constants

PSD = "peak_skin_dose_mgy"
_SECONDS_PER_MINUTE = 60.0
_TABLE_KEYS = {KERMA: "kar", DAP: "pka", TIME: "ft", PSD: "psd"}
_SETTING_KEYS = {
    KERMA: ("levels.reference_air_kerma", "mgy"),
    DAP: ("levels.dose_area_product", "gycm2"),
    TIME: ("levels.fluoroscopy_time", "min"),
    PSD: ("levels.peak_skin_dose", "mgy"),
}


@dataclass(frozen=True, slots=True)
class Ladder:
    """Levels of one quantity, in the unit of its name.

    first, increment : notifications at first, first + increment, first + 2 * increment ...
    substantial : the level that asks for follow-up; None when the site has none
    """

    quantity: str
    first: float
    increment: float
    substantial: float | None
    source: str
    substantial_source: str


@dataclass(frozen=True, slots=True)
class LevelSettings:
    """The ladder of each quantity that has levels."""

    reference_air_kerma: Ladder
    dose_area_product: Ladder
    fluoroscopy_time: Ladder
    peak_skin_dose: Ladder

    def ladder(self, quantity: str) -> Ladder:
        """The ladder of `quantity`; InputError when it has no levels."""
        for found in (
            self.reference_air_kerma,
            self.dose_area_product,
            self.fluoroscopy_time,
            self.peak_skin_dose,
        ):
            if found.quantity == quantity:
                return found
        raise InputError(field="quantity with levels", given=quantity, accepted=", ".join(_TABLE_KEYS))


def default_level_settings() -> LevelSettings:
    """The published levels of `tables/notification_levels.csv`."""
    return LevelSettings(
        reference_air_kerma=_published(KERMA),
        dose_area_product=_published(DAP),
        fluoroscopy_time=_published(TIME),
        peak_skin_dose=_published(PSD),
    )


def level_settings(settings: Settings) -> LevelSettings:
    """The levels in force in a room and for a procedure."""
    return LevelSettings(
        reference_air_kerma=_from_settings(KERMA, settings),
        dose_area_product=_from_settings(DAP, settings),
        fluoroscopy_time=_from_settings(TIME, settings),
        peak_skin_dose=_from_settings(PSD, settings),
    )


def _published(quantity: str) -> Ladder:
    table, name = constants("notification_levels"), _TABLE_KEYS[quantity]
    first, increment = table[f"sir_{name}_first"], table[f"sir_{name}_increment"]
    substantial = table[f"srdl_{name}"]
    factor = _factor(quantity)
    return Ladder(
        quantity=quantity,
        first=first.number * factor,
        increment=increment.number * factor,
        substantial=substantial.number * factor,
        source=citation(first),
        substantial_source=citation(substantial),
    )


def _from_settings(quantity: str, settings: Settings) -> Ladder:
    prefix, unit = _SETTING_KEYS[quantity]
    first, substantial = f"{prefix}.first_{unit}", f"{prefix}.substantial_{unit}"
    factor = _factor(quantity)
    above = settings.number_or_none(substantial)
    return Ladder(
        quantity=quantity,
        first=settings.number(first) * factor,
        increment=settings.number(f"{prefix}.increment_{unit}") * factor,
        substantial=None if above is None else above * factor,
        source=_origin(first, settings),
        substantial_source=_origin(substantial, settings),
    )


def _origin(key: str, settings: Settings) -> str:
    origin = settings.origins[key]
    return definition(key).source if origin == "default" else f"set by this department ({origin})"


def _factor(quantity: str) -> float:
    return _SECONDS_PER_MINUTE if quantity == TIME else 1.0
