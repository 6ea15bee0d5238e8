"""Accumulated dose of a dose report (PS3.16 TID 10002, 10004, 10007), and whether the events agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.readers.numbers import NumberReader, half_digit
from dosetrack.readers.rdsr_events import (
    EventsRead,
    PlaneContext,
    plane_of,
    plane_of_source,
    reference_point_of,
)
from dosetrack.readers.sr_items import ContentItem
from dosetrack.readers.text import TextDecoder
from dosetrack.records.report import DoseTotal, PlaneName
from dosetrack.records.totals import ACQUISITION_TYPES

_ORDER: tuple[PlaneName, ...] = ("single", "a", "b", "all")
_COMPARED: dict[str, tuple[str, str | None, str]] = {
    # total: (event quantity, kind of exposure, what it is called)
    "dose_area_product_gycm2": ("dose_area_product_gycm2", None, "DAP [Gy·cm²]"),
    "reference_air_kerma_mgy": ("reference_air_kerma_mgy", None, "Ka,r [mGy]"),
    "fluoroscopy_time_s": ("duration_s", "fluoroscopy", "fluoroscopy time [s]"),
    "fluoroscopy_dose_area_product_gycm2": (
        "dose_area_product_gycm2", "fluoroscopy", "fluoroscopy DAP [Gy·cm²]",
    ),
    "fluoroscopy_reference_air_kerma_mgy": (
        "reference_air_kerma_mgy", "fluoroscopy", "fluoroscopy Ka,r [mGy]",
    ),
    "acquisition_time_s": ("duration_s", "acquisition", "acquisition time [s]"),
    "acquisition_dose_area_product_gycm2": (
        "dose_area_product_gycm2", "acquisition", "acquisition DAP [Gy·cm²]",
    ),
    "acquisition_reference_air_kerma_mgy": (
        "reference_air_kerma_mgy", "acquisition", "acquisition Ka,r [mGy]",
    ),
}  # fmt: skip
_FLOAT_NOISE = 1e-9
"""Relative difference that sums of binary floats may show."""
_TRIFLE = 1e-4
"""Numbers may be written with a fixed count of digits: a relative rounding up to this is allowed for."""


@dataclass(slots=True)
class TotalsRead:
    """What the accumulated containers state.

    stated : plane -> its totals
    rounding : (plane, field) -> half of the last digit written, in the field's unit
    planes : plane -> what holds for all its events; 'all' is never among them
    """

    stated: dict[PlaneName, DoseTotal] = field(default_factory=dict)
    rounding: dict[tuple[PlaneName, str], float] = field(default_factory=dict)
    planes: dict[PlaneName, PlaneContext] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)

    def in_order(self) -> tuple[DoseTotal, ...]:
        """The stated totals: single, a, b, all."""
        return tuple(self.stated[plane] for plane in _ORDER if plane in self.stated)


def read_totals(
    containers: Sequence[ContentItem], *, numbers: NumberReader, decoder: TextDecoder
) -> TotalsRead:
    """The stated totals of the accumulated dose `containers`, one or two by the template."""
    result = TotalsRead()
    for container in containers:
        plane = _plane_of(container)
        if plane is None:
            if len(containers) > 1:
                how = "with several such containers it cannot be told, and they were not read"
                result.findings.append(finding(FindingCode.TOTALS_PLANE_UNKNOWN, how=how))
                continue
            plane = "single"
            how = "there is one such container, so they were read as of the single plane"
            result.findings.append(finding(FindingCode.TOTALS_PLANE_UNKNOWN, how=how))
        _read_container(container, plane, result, numbers, decoder)
    return result


def _plane_of(container: ContentItem) -> PlaneName | None:
    plane = None
    for item in container.children:
        key = item.name.key if item.name is not None else None
        if key == "acquisition_plane":
            return plane_of(item)
        if key == "identification_of_the_x_ray_source":
            plane = plane_of_source(item)
    return plane


def _read_container(
    container: ContentItem,
    plane: PlaneName,
    result: TotalsRead,
    numbers: NumberReader,
    decoder: TextDecoder,
) -> None:
    fields: dict[str, float] = {}
    context = PlaneContext()
    for item in container.children:
        concept = item.name.concept if item.name is not None else None
        if concept is None:
            result.unknown.append(_name_of(item))
        elif concept.key == "reference_point_definition":
            context.reference_point = reference_point_of(item, decoder)
        elif concept.key == "calibration":
            _read_calibration(item, plane, result, numbers)
        elif concept.field is not None and "total" in concept.places:
            for value in numbers.values(item, concept, event_uid=None):
                if fields.setdefault(concept.field, value) != value:
                    result.findings.append(
                        finding(FindingCode.TOTALS_REPEATED, what=concept.name, plane=plane)
                    )
                elif concept.kind is not None:
                    result.rounding.setdefault((plane, concept.field), half_digit(item, concept.kind))
    context.source_to_reference_point_mm = fields.pop("source_to_reference_point_mm", None)
    if plane in result.stated:
        if DoseTotal(plane=plane, basis="stated", **fields) != result.stated[plane]:
            result.findings.append(finding(FindingCode.TOTALS_REPEATED, what="Accumulated dose", plane=plane))
        return
    if fields:
        result.stated[plane] = DoseTotal(plane=plane, basis="stated", **fields)
    if plane != "all":
        result.planes[plane] = context


def _read_calibration(
    container: ContentItem, plane: PlaneName, result: TotalsRead, numbers: NumberReader
) -> None:
    for item in container.children:
        concept = item.name.concept if item.name is not None else None
        if concept is not None and "calibration" in concept.places:
            for factor in numbers.values(item, concept, event_uid=None):
                result.findings.append(
                    finding(FindingCode.CALIBRATION_STATED, factor=f"{factor:g}", plane=plane)
                )


def disagreements(
    totals: TotalsRead, summed: Sequence[DoseTotal], events: EventsRead, *, counted: Sequence[int]
) -> list[Finding]:
    """Findings where a stated total differs from the sum of the events by more than rounding.

    The tolerance is half of the last digit of the stated total and of every event added, as they
    were written. `counted` are the indices of the events that count.
    """
    found = []
    by_plane = {total.plane: total for total in summed}
    for stated in totals.in_order():
        sums = by_plane.get(stated.plane)
        if sums is None:
            continue
        for name, (quantity, kind, what) in _COMPARED.items():
            told, added = getattr(stated, name), getattr(sums, name)
            if told is None or added is None:
                continue
            rounding = _rounding_of_total(totals, stated, name, quantity)
            rounding += sum(
                _rounding_of_event(events, index, quantity)
                for index in counted
                if stated.plane in ("all", events.events[index].plane)
                and _is_of(events.events[index].type, kind)
            )
            if abs(told - added) > rounding + _FLOAT_NOISE * max(abs(told), abs(added)):
                facts = {"stated": f"{told:.6g}", "summed": f"{added:.6g}"}
                found.append(finding(FindingCode.TOTALS_DISAGREE, what=what, plane=stated.plane, **facts))
    return found


def _rounding_of_total(totals: TotalsRead, stated: DoseTotal, name: str, quantity: str) -> float:
    """Half a last digit of a stated total, told by the finest written total of its quantity.

    A writer drops trailing zeros, so '0.5' beside '0.3124' was not rounded to tenths.
    """
    own = totals.rounding.get((stated.plane, name), 0.0)
    finest = min(
        (half for (_, other), half in totals.rounding.items()
         if half > 0.0 and other in _COMPARED and _COMPARED[other][0] == quantity),
        default=own,
    )  # fmt: skip
    told: float = getattr(stated, name)
    return min(own, max(finest, _TRIFLE * abs(told)))


def _rounding_of_event(events: EventsRead, index: int, quantity: str) -> float:
    """Half a last digit of an event's quantity, told by the finest written event as for totals."""
    own = events.rounding.get((quantity, index), 0.0)
    finest = events.finest.get(quantity, own)
    value: float | None = getattr(events.events[index], quantity)
    return min(own, max(finest, _TRIFLE * abs(value or 0.0)))


def _is_of(event_type: str | None, kind: str | None) -> bool:
    if kind is None:
        return True
    return event_type in ACQUISITION_TYPES if kind == "acquisition" else event_type == kind


def _name_of(item: ContentItem) -> str:
    return "no name" if item.name is None else f"{item.name.value} {item.name.scheme}"
