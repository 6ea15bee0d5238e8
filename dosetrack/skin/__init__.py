"""The dose to the skin: where it went, how high it is and how sure that is.

Names are imported when they are first asked for, so that the screening of a live case loads no arrays:

    from dosetrack.skin import Beam, TableTop, dose_at_points
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dosetrack.skin.beam import Beam, TableTop
    from dosetrack.skin.kernel import DoseField, dose_at_points, footprints
    from dosetrack.skin.model import PlacedBeam, PlacedCase, SkinMap, Surface
    from dosetrack.skin.setup import PatientSetup, SystemSetup, TableAxes

__all__ = [
    "Beam",
    "DoseField",
    "PatientSetup",
    "PlacedBeam",
    "PlacedCase",
    "SkinMap",
    "Surface",
    "SystemSetup",
    "TableAxes",
    "TableTop",
    "dose_at_points",
    "footprints",
]

_HOME = {
    "Beam": "beam",
    "DoseField": "kernel",
    "PatientSetup": "setup",
    "PlacedBeam": "model",
    "PlacedCase": "model",
    "SkinMap": "model",
    "Surface": "model",
    "SystemSetup": "setup",
    "TableAxes": "setup",
    "TableTop": "beam",
    "dose_at_points": "kernel",
    "footprints": "kernel",
}


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
