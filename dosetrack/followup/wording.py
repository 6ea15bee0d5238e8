"""Quantities and levels of follow-up in words."""

from __future__ import annotations

from dosetrack.followup.profiles import DAP, KERMA, PSD, TIME
from dosetrack.followup.triggers import Trigger

_SHORT = {KERMA: "Ka,r", PSD: "Skin dose", DAP: "DAP", TIME: "Fluoroscopy time"}
_SECONDS_PER_MINUTE = 60.0
_MGY_PER_GY = 1000.0


def plane_text(quantity: str, plane: str | None, *, is_long: bool = False) -> str:
    """'Ka,r of plane A', 'reference air kerma', 'Skin dose'.

    Examples
    --------
    >>> plane_text("reference_air_kerma_mgy", "a"), plane_text("reference_air_kerma_mgy", "single")
    ('Ka,r of plane A', 'Ka,r')
    """
    name = "reference air kerma" if is_long and quantity == KERMA else _SHORT[quantity]
    return f"{name} of plane {plane.upper()}" if plane in ("a", "b") else name


def level_text(trigger: Trigger) -> str:
    """'at or above 5 Gy', 'above 15 Gy', 'at or above 60 min'."""
    return f"{'above' if trigger.is_above else 'at or above'} {_level(trigger.quantity, trigger.level)}"


def _level(quantity: str, level: float) -> str:
    if quantity == TIME:
        return f"{level / _SECONDS_PER_MINUTE:g} min"
    if quantity == DAP:
        return f"{level:.4g} Gy·cm²"
    return f"{level / _MGY_PER_GY:g} Gy" if level >= _MGY_PER_GY else f"{level:g} mGy"
