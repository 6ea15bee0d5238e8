"""Irradiation events of a dose report (PS3.16 TID 10003 with 10003A, 10003B and 10003C)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from statistics import fmean
from typing import Any, cast

from dosetrack.findings import Finding, FindingCode, FindingKind, finding
from dosetrack.readers.codes import Code, Concept, words_by_name
from dosetrack.readers.numbers import NumberReader, half_digit
from dosetrack.readers.sr_items import ContentItem
from dosetrack.readers.text import TextDecoder, iso_datetime
from dosetrack.records.report import Filter, IrradiationEvent, PlaneName
from dosetrack.records.totals import ACQUISITION_TYPES

ROUNDED_FIELDS = ("dose_area_product_gycm2", "reference_air_kerma_mgy", "duration_s")
"""Event quantities whose sums are compared with stated totals."""
_SOURCES = {"a": "a", "b": "b", "a and b": "all", "single": "single"}
_PER_PULSE = frozenset({"exposure_uas", "kvp", "pulse_width_ms", "tube_current_ma"})
"""Quantities that come once per pulse or once for all (PS3.16 TID 10003B, rows of VM 1-n)."""


@dataclass(slots=True)
class PlaneContext:
    """What the accumulated data of one plane say for all its events."""

    source_to_reference_point_mm: float | None = None
    reference_point: str | None = None


@dataclass(slots=True)
class EventsRead:
    """The events of a report, in its order, and what the reader of the whole needs beside them.

    rounding : (field, index of the event) -> half of the last digit written, in the field's unit
    finest : field -> the least of these
    """

    events: list[IrradiationEvent] = field(default_factory=list)
    rounding: dict[tuple[str, int], float] = field(default_factory=dict)
    finest: dict[str, float] = field(default_factory=dict)
    authorizing: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class PlainEvent:
    """An event that nothing was found about, and what the reader of the whole needs beside it.

    halves : half of the last digit written of each of `ROUNDED_FIELDS`, None where it was not sent
    authorizing : persons it names as irradiation authorizing
    """

    event: IrradiationEvent
    halves: tuple[float | None, ...]
    authorizing: tuple[str, ...]


class EventReader:
    """Turns event containers into records.

    Parameters
    ----------
    planes : what the accumulated data say, by plane; with one plane only, events that do not
        name theirs are of it
    """

    def __init__(
        self,
        *,
        numbers: NumberReader,
        decoder: TextDecoder,
        offset: str | None,
        planes: dict[PlaneName, PlaneContext],
    ) -> None:
        self.result = EventsRead()
        self._last_authorizing: list[str] = []
        self._numbers = numbers
        self._decoder = decoder
        self._offset = offset
        self._planes = planes
        self._only_plane = next(iter(planes)) if len(planes) == 1 else None
        self._handlers: dict[str, Callable[[ContentItem, dict[str, Any]], None]] = {
            "irradiation_event_uid": self._uid,
            "acquisition_plane": self._plane,
            "identification_of_the_x_ray_source": self._source,
            "irradiation_event_type": self._type,
            "datetime_started": self._start,
            "acquisition_protocol": self._protocol,
            "reference_point_definition": self._reference_point,
            "x_ray_filters": self._filter,
            "patient_table_relationship": self._table_relationship,
            "patient_orientation": self._orientation,
            "patient_orientation_modifier": self._orientation_modifier,
            "person_name": self._person,
        }

    def read(self, container: ContentItem) -> None:
        """Read one event container into `result`."""
        result = self.result
        number = len(result.events)
        told = len(result.findings)
        facts: dict[str, Any] = {"number": number + 1, "authorizing": []}
        measured: dict[str, tuple[Concept, list[ContentItem]]] = {}
        handlers = self._handlers
        for item in container.children:
            name = item[0]
            concept = name.concept if name is not None else None
            if concept is None:
                result.unknown.append(f"{name.value} {name.scheme}" if name is not None else "no name")
            elif concept.field is not None:
                if "event" not in concept.places:
                    continue
                if concept.field in measured:
                    measured[concept.field][1].append(item)
                else:
                    measured[concept.field] = (concept, [item])
            else:
                handler = handlers.get(concept.key)
                if handler is not None:
                    handler(item, facts)
        uid = facts.get("uid")
        facts["filters"] = [self._filter_of(item, uid) for item in facts.get("filter_items", ())]
        fields = self._quantities(measured, uid=uid, number=number)
        self._derive(facts, fields)
        result.events.append(self._event(facts, fields))
        for index in range(told, len(result.findings)):  # items come in any order, the UID perhaps last
            result.findings[index] = replace(result.findings[index], event_uid=uid)
        self._last_authorizing = facts["authorizing"]

    def read_plain(self, container: ContentItem) -> PlainEvent | None:
        """Read one event container into `result`; what it says, unless something was found about it."""
        result = self.result
        before = len(result.findings), len(result.unknown), len(self._numbers.findings)
        self.read(container)
        if before != (len(result.findings), len(result.unknown), len(self._numbers.findings)):
            return None
        number = len(result.events) - 1
        halves = tuple(result.rounding.get((name, number)) for name in ROUNDED_FIELDS)
        return PlainEvent(result.events[-1], halves, tuple(self._last_authorizing))

    def take(self, plain: PlainEvent) -> None:
        """Put an event that was read before into `result`, as if it were read now."""
        result = self.result
        number = len(result.events)
        result.events.append(plain.event)
        for name, half in zip(ROUNDED_FIELDS, plain.halves, strict=True):
            if half is not None:
                self._note_rounding(name, number, half)
        for person in plain.authorizing:
            if person not in result.authorizing:
                result.authorizing.append(person)

    def _note_rounding(self, name: str, number: int, half: float) -> None:
        result = self.result
        result.rounding[name, number] = half
        if 0.0 < half < result.finest.get(name, math.inf):
            result.finest[name] = half

    def _quantities(
        self, measured: dict[str, tuple[Concept, list[ContentItem]]], *, uid: str | None, number: int
    ) -> dict[str, float]:
        """Record field -> value; several values become their mean, exposures of single pulses their sum."""
        fields: dict[str, float] = {}
        several: dict[str, list[float]] = {}
        for name, (concept, items) in measured.items():
            values = self._numbers.values(items[0], concept, event_uid=uid)
            for item in items[1:]:
                values += self._numbers.values(item, concept, event_uid=uid)
            if not values:
                continue
            fields[name] = values[0]
            if len(values) > 1:
                several[name] = values
            if name in ROUNDED_FIELDS and concept.kind is not None:
                self._note_rounding(name, number, half_digit(items[0], concept.kind))
        if several:
            self._of_several(several, measured, fields)
        return fields

    def _of_several(
        self,
        several: dict[str, list[float]],
        measured: dict[str, tuple[Concept, list[ContentItem]]],
        fields: dict[str, float],
    ) -> None:
        """Put one value into `fields` for each quantity that came with several; say where that is doubtful.

        An exposure is the sum of those of the pulses, and without one value per pulse it is not known.
        """
        for name, values in several.items():
            if len(set(values)) > 1:
                fields[name] = fmean(values)
        counts = {len(values) for name, values in several.items() if name in _PER_PULSE}
        pulses = fields.get("pulses", fields.get("frames"))
        if pulses is None and len(counts) == 1 and len(several.keys() & _PER_PULSE) > 1:
            pulses = float(counts.pop())  # not told, but two quantities agree
        told = "the number of pulses is not known" if pulses is None else f"{pulses:g} pulses are told"
        for name, values in several.items():
            facts = {
                "what": measured[name][0].name,
                "count": len(values),
                "due": told if name in _PER_PULSE else "one is due",
            }
            if name in _PER_PULSE and len(values) == pulses:
                if name == "exposure_uas":
                    fields[name] = math.fsum(values)
            elif name == "exposure_uas":
                del fields[name]
                how = "they cannot be summed and it is not known"
                self._tell(FindingCode.VALUES_NOT_ONE_PER_PULSE, how=how, **facts)
            elif len(set(values)) > 1:
                self._tell(FindingCode.VALUES_NOT_ONE_PER_PULSE, how="their mean is shown", **facts)

    def _derive(self, facts: dict[str, Any], fields: dict[str, float]) -> None:
        """Fill what stands elsewhere in the report or in another item of the event."""
        average = fields.pop("average_tube_current_ma", None)
        if average is not None:
            fields.setdefault("tube_current_ma", average)
        if facts.get("type") in ACQUISITION_TYPES and "frames" not in fields and "pulses" in fields:
            fields["frames"] = fields["pulses"]
        if facts.get("plane") is None:
            facts["plane"] = self._only_plane
        context = self._planes.get(facts["plane"])
        if context is not None:
            if context.source_to_reference_point_mm is not None:
                fields.setdefault("source_to_reference_point_mm", context.source_to_reference_point_mm)
            if facts.get("reference_point") is None:
                facts["reference_point"] = context.reference_point
        facts["patient_position"] = _patient_position(facts)

    def _event(self, facts: dict[str, Any], fields: dict[str, float]) -> IrradiationEvent:
        uid, number = facts.get("uid"), facts["number"]
        if uid is None:
            self._tell(FindingCode.EVENT_UID_MISSING, number=number)
        if facts["plane"] is None:
            self._tell(FindingCode.EVENT_PLANE_UNKNOWN, number=number)
        return IrradiationEvent(
            uid=uid,
            plane=facts["plane"],
            type=facts.get("type"),
            started_at=facts.get("started_at"),
            protocol=facts.get("protocol"),
            filters=tuple(one for one in facts["filters"] if one is not None),
            reference_point=facts.get("reference_point"),
            patient_position=facts["patient_position"],
            **fields,
        )

    def _uid(self, item: ContentItem, facts: dict[str, Any]) -> None:
        if isinstance(item.value, bytes):
            facts["uid"] = item.value.strip(b" \0").decode("ascii", "replace") or None

    def _plane(self, item: ContentItem, facts: dict[str, Any]) -> None:
        facts["plane"] = plane_of(item)

    def _source(self, item: ContentItem, facts: dict[str, Any]) -> None:
        if facts.get("plane") is None:
            facts["plane"] = plane_of_source(item)

    def _type(self, item: ContentItem, facts: dict[str, Any]) -> None:
        if not isinstance(item.value, Code):
            return
        word = item.value.word("event_type")
        if word is None:
            word = self._decoder.text(item.value.meaning) or item.value.value
            sent = f"{item.value.value} {item.value.scheme}, {word!r}"
            self._tell(FindingCode.EVENT_TYPE_UNKNOWN, number=facts["number"], sent=sent)
        facts["type"] = word

    def _start(self, item: ContentItem, facts: dict[str, Any]) -> None:
        if not isinstance(item.value, bytes):
            return
        facts["started_at"] = iso_datetime(item.value, offset=self._offset)
        if facts["started_at"] is None:
            sent = item.value.strip(b" \0").decode("latin-1")
            self._tell(FindingCode.EVENT_TIME_UNREADABLE, number=facts["number"], sent=sent)

    def _protocol(self, item: ContentItem, facts: dict[str, Any]) -> None:
        if isinstance(item.value, bytes):
            facts["protocol"] = self._decoder.text(item.value)

    def _reference_point(self, item: ContentItem, facts: dict[str, Any]) -> None:
        facts["reference_point"] = reference_point_of(item, self._decoder)

    def _filter(self, item: ContentItem, facts: dict[str, Any]) -> None:
        facts.setdefault("filter_items", []).append(item)

    def _filter_of(self, container: ContentItem, uid: str | None) -> Filter | None:
        material = None
        is_none = False
        thickness: dict[str, float] = {}
        for item in container.children:
            concept = item.name.concept if item.name is not None else None
            if concept is None:
                continue
            if concept.field in ("min_mm", "max_mm"):
                values = self._numbers.values(item, concept, event_uid=uid)
                if values:
                    thickness[concept.field] = fmean(values)
            elif concept.key == "x_ray_filter_material" and isinstance(item.value, Code):
                material = item.value.word("filter_material") or self._decoder.text(item.value.meaning)
            elif concept.key == "x_ray_filter_type" and isinstance(item.value, Code):
                is_none = item.value.word("filter_type") == "none"
        if is_none and material is None and not any(thickness.values()):
            return None
        least, greatest = thickness.get("min_mm"), thickness.get("max_mm")
        return Filter(material=material, min_mm=least, max_mm=greatest)

    def _table_relationship(self, item: ContentItem, facts: dict[str, Any]) -> None:
        if isinstance(item.value, Code):
            facts["first"] = item.value.word("table_relationship")

    def _orientation(self, item: ContentItem, facts: dict[str, Any]) -> None:
        if isinstance(item.value, Code):
            facts["orientation"] = item.value.word("patient_orientation")
        for child in item.children:
            if child.name is not None and child.name.key == "patient_orientation_modifier":
                self._orientation_modifier(child, facts)

    def _orientation_modifier(self, item: ContentItem, facts: dict[str, Any]) -> None:
        if isinstance(item.value, Code):
            facts["lying"] = item.value.word("orientation_modifier")

    def _person(self, item: ContentItem, facts: dict[str, Any]) -> None:
        name = authorizing_person(item, self._decoder)
        if name is not None:
            facts["authorizing"].append(name)
            if name not in self.result.authorizing:
                self.result.authorizing.append(name)

    def _tell(self, kind: FindingKind, **facts: object) -> None:
        self.result.findings.append(finding(kind, event_uid=None, **facts))


def plane_of(item: ContentItem) -> PlaneName | None:
    """The plane a coded Acquisition Plane names; None when it is none of the known ones."""
    word = item.value.word("plane") if isinstance(item.value, Code) else None
    return cast("PlaneName | None", word)


def plane_of_source(item: ContentItem) -> PlaneName | None:
    """The plane an enhanced report's Identification of the X-Ray Source names, which is free text.

    Only the plainest words are taken: 'A', 'Plane B', 'A and B' (so in TID 10041 row 2).
    """
    text = item.value.strip(b" \0").decode("latin-1").casefold() if isinstance(item.value, bytes) else ""
    word = _SOURCES.get(text.removeprefix("plane ").strip()) or words_by_name("plane").get(text)
    return cast("PlaneName | None", word)


def reference_point_of(item: ContentItem, decoder: TextDecoder) -> str | None:
    """The house word of a Reference Point Definition, else its text as sent."""
    if isinstance(item.value, Code):
        return item.value.word("reference_point") or decoder.text(item.value.meaning)
    text = decoder.text(item.value) if item.value is not None else None
    return None if text is None else words_by_name("reference_point").get(text.casefold(), text)


def authorizing_person(item: ContentItem, decoder: TextDecoder) -> str | None:
    """The person of a Person Name item whose role is Irradiation Authorizing (TID 1020), else None."""
    roles = [
        child.value.word("person_role")
        for child in item.children
        if isinstance(child.value, Code)
        and child.name is not None
        and child.name.key == "person_role_in_procedure"
    ]
    if "irradiation authorizing" in roles and isinstance(item.value, bytes):
        return decoder.name(item.value)
    return None


def _patient_position(facts: dict[str, Any]) -> str | None:
    """DICOM's defined term, 'HFS' to 'FFDL'; None when the way the patient lies is not told whole."""
    first, lying = facts.get("first"), facts.get("lying")
    return f"{first}{lying}" if first is not None and lying is not None else None
