"""The small row that a case is for an audit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

QUANTITIES = (
    "reference_air_kerma_mgy",
    "dose_area_product_gycm2",
    "fluoroscopy_time_s",
    "peak_skin_dose_mgy",
    "contrast_ml",
    "iodine_g",
)


class AgeGroup(StrEnum):
    """Children are never pooled with adults; an unknown age counts with the adults and says so."""

    UNDER_18 = "under 18"
    ADULT = "18 and over, or age not known"


@dataclass(frozen=True, slots=True)
class AuditCase:
    """One ended case, values as sent.

    day : local day it started
    procedure : name to group by, already mapped by the site; None when not told
    operator : primary operator; the case counts once, for this one
    quantities : keys of `QUANTITIES`; a key absent or None is missing. Reference air kerma is the
        labelled sum over planes
    reference_air_kerma_by_plane_mgy : for the levels, which read each plane alone
    field_cm2 : collimated field that scales the DAP levels; None: unscaled
    skin_upper_mgy : upper end of the estimated skin dose, for the levels; None: not estimated
    body_surface_m2, complexity, is_biplane : what a fair comparison adjusts for; None: not known
    """

    id: str
    day: date
    procedure: str | None
    room: str | None
    operator: str | None
    quantities: Mapping[str, float | None]
    reference_air_kerma_by_plane_mgy: Mapping[str, float | None] = field(default_factory=dict)
    field_cm2: float | None = None
    skin_upper_mgy: float | None = None
    age_group: AgeGroup = AgeGroup.ADULT
    body_surface_m2: float | None = None
    complexity: str | None = None
    is_biplane: bool | None = None

    def value(self, quantity: str) -> float | None:
        """The value of `quantity`, None when missing."""
        return self.quantities.get(quantity)
