"""Totals summed from irradiation events, per plane and over all."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import fsum

from dosetrack.records.report import DoseTotal, IrradiationEvent, PlaneName

_PLANES: tuple[PlaneName, ...] = ("single", "a", "b", "all")


def summed_totals(events: Sequence[IrradiationEvent]) -> tuple[DoseTotal, ...]:
    """The sums of `events` per plane that occurs, then over all; none when there are no events.

    An event without a plane counts as 'single'. Every type but 'fluoroscopy' is acquisition. A
    missing number is left out of its sum; a sum of nothing is None.
    """
    if not events:
        return ()
    rows = [
        _sum(plane, mine) for plane in _PLANES[:-1] if (mine := [e for e in events if _plane(e) == plane])
    ]
    return (*rows, _sum("all", events))


def _plane(event: IrradiationEvent) -> PlaneName:
    return event.plane if event.plane in ("a", "b") else "single"


def _sum(plane: PlaneName, events: Sequence[IrradiationEvent]) -> DoseTotal:
    fluoroscopy = [e for e in events if e.type == "fluoroscopy"]
    acquisition = [e for e in events if e.type != "fluoroscopy"]
    return DoseTotal(
        plane=plane,
        basis="summed",
        dose_area_product_gycm2=_total(e.dose_area_product_gycm2 for e in events),
        reference_air_kerma_mgy=_total(e.reference_air_kerma_mgy for e in events),
        fluoroscopy_time_s=_total(e.duration_s for e in fluoroscopy),
        fluoroscopy_dose_area_product_gycm2=_total(e.dose_area_product_gycm2 for e in fluoroscopy),
        fluoroscopy_reference_air_kerma_mgy=_total(e.reference_air_kerma_mgy for e in fluoroscopy),
        acquisition_time_s=_total(e.duration_s for e in acquisition),
        acquisition_dose_area_product_gycm2=_total(e.dose_area_product_gycm2 for e in acquisition),
        acquisition_reference_air_kerma_mgy=_total(e.reference_air_kerma_mgy for e in acquisition),
    )


def _total(numbers: Iterable[float | None]) -> float | None:
    known = [n for n in numbers if n is not None]
    return fsum(known) if known else None
