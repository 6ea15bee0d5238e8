"""What settings and entries say of a system and of the patient on its table, for the skin map."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

from dosetrack.cases import Case
from dosetrack.settings import Settings
from dosetrack.skin.setup import PatientSetup, SystemSetup, TableAxes

_AXES = ("longitudinal", "lateral", "height")
ARMS_IN_WORDS = {"beside the body": "beside", "at the sides": "beside", "above the head": "raised"}
"""Arms as the form before the case has them; 'one above' and 'not known' are unknown to the map."""


def system_setup(settings: Settings) -> SystemSetup:
    """The x-ray system of a room.

    Raises
    ------
    InputError
        Two table readings are set to grow along one direction.
    """
    axes = {name: settings.text(f"skin.table_{name}_axis") for name in _AXES}
    factor = settings.number_or_none("radiation.calibration_factor")
    factor_b = settings.number_or_none("radiation.calibration_factor_b")
    return SystemSetup(
        table_axes=TableAxes(
            **cast(Mapping[str, Any], axes), is_verified=settings.flag("skin.table_axes_verified")
        ),
        angle_frame=cast(Any, settings.text("skin.angle_frame")),
        calibration_factor=_factors(factor, factor_b),
        table_transmission=settings.number_or_none("skin.table_transmission"),
        is_transmission_measured=settings.flag("skin.table_transmission_measured"),
        table_half_width_mm=settings.number_or_none("skin.table_half_width_mm"),
        pad_mm=settings.number_or_none("skin.pad_mm"),
        isocentre_height_mm=settings.number_or_none("skin.isocentre_height_mm"),
    )


def calibration_of(settings: Settings) -> dict[str, float]:
    """True over displayed air kerma of each plane's meter; a plane left out is not calibrated."""
    return dict(
        _factors(
            settings.number_or_none("radiation.calibration_factor"),
            settings.number_or_none("radiation.calibration_factor_b"),
        )
    )


def _factors(factor: float | None, factor_b: float | None) -> tuple[tuple[str, float], ...]:
    """'all' planes together can be corrected only where one factor holds for all of them."""
    found: list[tuple[str, float]] = []
    if factor is not None:
        found += [("single", factor), ("a", factor)]
        if factor_b in (None, factor):
            found.append(("all", factor))
    if factor_b is not None:
        found.append(("b", factor_b))
    return tuple(found)


def patient_setup(case: Case) -> PatientSetup:
    """The patient of a case as people placed and measured them."""
    placed = case.placed.value if case.placed else None
    told = case.opening.value.arms if case.opening else None
    arms = (placed.arms if placed else None) or ARMS_IN_WORDS.get(told or "", "unknown")
    return PatientSetup(
        height_cm=case.patient.height_cm,
        weight_kg=case.patient.weight_kg,
        sex=case.patient.sex,
        position=cast(Any, placed.position if placed else None),
        region=cast(Any, placed.region if placed else None),
        arms=cast(Any, arms),
        shift_mm=(placed.shift_left_mm, placed.shift_back_mm, placed.shift_head_mm)
        if placed
        else (0.0, 0.0, 0.0),
    )
