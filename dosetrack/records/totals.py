"""Totals summed from irradiation events: per plane and over all planes, by kind of exposure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import fsum

from dosetrack.records.report import DoseTotal, IrradiationEvent, PlaneName

ACQUISITION_TYPES = frozenset({"stationary", "stepping", "rotational"})
_PLANES: tuple[PlaneName, ...] = ("single", "a", "b")


def unique_events(events: Iterable[IrradiationEvent]) -> tuple[IrradiationEvent, ...]:
    """The events without repetitions, in the order given.

    A repetition has the UID, plane and start of an earlier event; without a UID none is one.
    The same UID and plane with another start is another event. Where no plane is told only an
    equal event is a repetition: the two planes of one exposure may share their UID and start.
    """
    seen: dict[tuple[str, str | None, str | None], list[IrradiationEvent]] = {}
    kept = []
    for event in events:
        if event.uid is not None:
            earlier = seen.setdefault((event.uid, event.plane, event.started_at), [])
            if earlier and (event.plane is not None or event in earlier):
                continue
            earlier.append(event)
        kept.append(event)
    return tuple(kept)


def summed_totals(events: Iterable[IrradiationEvent]) -> tuple[DoseTotal, ...]:
    """The totals of the unique `events`: one per plane that has any, then one over 'all'.

    A sum is None when no event gives the quantity; events that do not give it are left out.
    Fluoroscopy and acquisition sums follow the events' types. Ka,r of 'all' is the plain sum over
    planes: a label for lists, not the dose of one piece of skin. No events give no totals.
    """
    unique = unique_events(events)
    if not unique:
        return ()
    totals = []
    for plane in _PLANES:
        of_plane = [event for event in unique if event.plane == plane]
        if of_plane:
            totals.append(_total(of_plane, plane))
    totals.append(_total(unique, "all"))
    return tuple(totals)


def _total(events: Sequence[IrradiationEvent], plane: PlaneName) -> DoseTotal:
    fluoroscopy = [event for event in events if event.type == "fluoroscopy"]
    acquisitions = [event for event in events if event.type in ACQUISITION_TYPES]
    return DoseTotal(
        plane=plane,
        basis="summed",
        dose_area_product_gycm2=_sum(event.dose_area_product_gycm2 for event in events),
        reference_air_kerma_mgy=_sum(event.reference_air_kerma_mgy for event in events),
        fluoroscopy_time_s=_sum(event.duration_s for event in fluoroscopy),
        fluoroscopy_dose_area_product_gycm2=_sum(event.dose_area_product_gycm2 for event in fluoroscopy),
        fluoroscopy_reference_air_kerma_mgy=_sum(event.reference_air_kerma_mgy for event in fluoroscopy),
        acquisition_time_s=_sum(event.duration_s for event in acquisitions),
        acquisition_dose_area_product_gycm2=_sum(event.dose_area_product_gycm2 for event in acquisitions),
        acquisition_reference_air_kerma_mgy=_sum(event.reference_air_kerma_mgy for event in acquisitions),
    )


def _sum(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return fsum(known) if known else None
