"""X-ray radiation dose structured reports (PS3.16 TID 10001) as records.

Recognised by the root concept 113701 DCM in whatever structured report carries it. The file is
opened (`encoding`), its elements walked once (`elements`, `sr_items`), its codes resolved against
the tables (`codes`), and what they say gathered here. The enhanced report (TID 10040) shares the
root concept; what is different in it is unfolded by `enhanced_rdsr`. The patient's report (TID
10030) is told apart here and read by `patient_rdsr`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.readers.codes import Code
from dosetrack.readers.consistency import inconsistencies
from dosetrack.readers.enhanced_rdsr import (
    exposures_of,
    is_enhanced,
    of_the_details,
    unfolded,
)
from dosetrack.readers.header import Header
from dosetrack.readers.numbers import NumberReader
from dosetrack.readers.rdsr_events import EventReader, EventsRead, authorizing_person
from dosetrack.readers.rdsr_totals import TotalsRead, disagreements, read_totals
from dosetrack.readers.refusal import ACCEPTED, Refusal
from dosetrack.readers.source import Source
from dosetrack.readers.sr_items import CONCEPT_NAME, CONTENT, ContentItem, ContentReader
from dosetrack.readers.times_of_events import first_start, last_end
from dosetrack.records.report import DoseReport, DoseTotal, IrradiationEvent
from dosetrack.records.totals import summed_totals

_DEVICE_FACTS = {
    "device_observer_name": "name",
    "device_observer_manufacturer": "manufacturer",
    "device_observer_model_name": "model",
    "device_observer_serial_number": "serial",
}
_READ = ("x-ray radiation dose report", "patient radiation dose report")
_MOST_CODES_NAMED = 5


def read_dose_report(source: Source) -> DoseReport:
    """The dose report in `source`, whole: of TID 10001, 10040 (enhanced) or 10030 (patient).

    Raises
    ------
    Refusal
        Another kind of object, truncated, or without content.
    """
    return Reading(source).report()


@dataclass(slots=True)
class _Root:
    """The items of the root container by what they are."""

    totals: list[ContentItem]
    events: list[ContentItem]
    details: list[ContentItem]
    observer: dict[str, str]
    authorizing: list[str]
    unknown: list[str]
    findings: list[Finding]


class Reading:
    """One file on its way to a record.

    is_noting : the elements of each content item are noted (`sr_items`)
    """

    def __init__(self, source: Source, *, is_noting: bool = False) -> None:
        self.source = source
        self.walker = source.walker
        self.content = ContentReader(source.walker, is_noting=is_noting)

    def report(self) -> DoseReport:
        document, items, header = self.content_and_header()
        if document == "patient radiation dose report":
            from dosetrack.readers.patient_rdsr import patient_report

            return patient_report(self.source, header, items)
        root = self._root(items, header)
        self.is_enhanced = is_enhanced(self.source.sop_class(), items)
        numbers = NumberReader()
        totals = read_totals(root.totals, numbers=numbers, decoder=header.decoder)
        reader = EventReader(
            numbers=numbers, decoder=header.decoder, offset=header.offset, planes=totals.planes
        )
        self.read_events(reader, exposures_of(root.events, root.details), totals)
        events = reader.result
        counted, repetitions = _counted(events.events)
        kept = tuple(events.events[index] for index in counted)
        summed = summed_totals(kept)
        findings = [
            *self.source.findings(),
            *root.findings,
            *of_the_details(root.details, is_enhanced=self.is_enhanced),
            *totals.findings,
            *_of_the_whole(totals, kept),
            *numbers.findings,
            *events.findings,
            *repetitions,
            *disagreements(totals, summed, events, counted=counted),
            *inconsistencies(
                events=kept, totals=(*totals.in_order(), *summed), reported_at=header.identity().reported_at
            ),
            *_unknown_items(root, totals, events),
        ]
        return self._record(header, root, kept, (*totals.in_order(), *summed), events, findings)

    def _record(
        self,
        header: Header,
        root: _Root,
        kept: tuple[IrradiationEvent, ...],
        totals: tuple[DoseTotal, ...],
        events: EventsRead,
        findings: list[Finding],
    ) -> DoseReport:
        authorizing = tuple(dict.fromkeys([*root.authorizing, *events.authorizing]))
        protocol = next((event.protocol for event in kept if event.protocol), None)
        report = DoseReport(
            file=self.source.file,
            sha256=self.source.sha256,
            source="enhanced-rdsr" if self.is_enhanced else "rdsr",
            report=header.identity(),
            patient=header.patient(),
            equipment=header.equipment(root.observer),
            procedure=header.procedure(
                protocol=protocol or header.text(0x00181030),
                started_at=first_start(kept),
                ended_at=last_end(kept),
            ),
            operators=authorizing or header.names(0x00081050) or header.names(0x00081070),
            totals=totals,
            events=kept,
        )
        return replace(report, findings=(*header.findings, *findings, *header.guessed_text()))

    def content_and_header(self) -> tuple[str, list[ContentItem], Header]:
        """(what document it is, the content items of the root, everything outside the content tree)."""
        walker = self.walker
        limit = len(walker.data)
        elements, position = self.source.elements(stop_at=CONTENT)
        header = Header(walker, elements)
        name = elements.get(CONCEPT_NAME)
        root = None
        if name is not None:
            reader = self.content.inside(name.start) if name.is_unknown else self.content
            root, _ = reader.code(name.start, name.end - name.start, limit)
        document = root.word("document") if root is not None else None
        if document not in _READ:
            raise Refusal(_what_it_is(header, root, self.source))
        if position >= limit or walker.is_bulk(position):
            raise Refusal("the dose report has no content (no content sequence)")
        items, position = self.items(position, limit, header)
        if not items:
            raise Refusal("the dose report has no content (its content sequence is empty)")
        walker.elements(position, limit)  # what follows must be whole too
        return document, items, header

    def items(self, position: int, limit: int, header: Header) -> tuple[list[ContentItem], int]:
        """(content items, where they end) of the content sequence whose header stands at `position`."""
        return self.content.root(position, limit)

    def read_events(self, reader: EventReader, containers: Sequence[ContentItem], totals: TotalsRead) -> None:
        """Read the event `containers`, in their order."""
        for container in containers:
            reader.read(container)

    def _root(self, items: list[ContentItem], header: Header) -> _Root:
        root = _Root([], [], [], {}, [], [], [])
        for item in items:
            key = item.name.key if item.name is not None else None
            if key is None:
                root.unknown.append(
                    "no name" if item.name is None else f"{item.name.value} {item.name.scheme}"
                )
            elif key == "irradiation_event_x_ray_data":
                root.events.append(item)
            elif key == "accumulated_x_ray_dose_data":
                root.totals.append(item)
            elif key == "irradiation_event_summary_data":
                root.events.append(unfolded(item))
            elif key == "accumulated_dose_data":
                root.totals.append(unfolded(item))
            elif key == "irradiation_details":
                root.details.append(unfolded(item))
            elif key in ("ct_accumulated_dose_data", "ct_acquisition"):
                raise Refusal(f"a dose report of computed tomography; {ACCEPTED}")
            elif key == "person_name":
                name = authorizing_person(item, header.decoder)
                root.authorizing.extend([] if name is None else [name])
            elif key in _DEVICE_FACTS and isinstance(item.value, bytes):
                text = header.decoder.text(item.value)
                if text is not None:
                    root.observer.setdefault(_DEVICE_FACTS[key], text)
            elif isinstance(item.value, Code):
                self._context(key, item.value, root)
        if not root.events and not root.totals and not root.details:
            raise Refusal("the dose report has no content: neither accumulated dose nor irradiation events")
        return root

    def _context(self, key: str, value: Code, root: _Root) -> None:
        if key == "procedure_reported":
            procedure = value.word("procedure_reported")
            if procedure == "computed tomography":
                raise Refusal(f"a dose report of computed tomography; {ACCEPTED}")
            if procedure == "mammography":
                root.findings.append(finding(FindingCode.MAMMOGRAPHY_REPORT))
        elif key == "scope_of_accumulation" and value.word("scope") == "procedure step to this point":
            root.findings.append(finding(FindingCode.SCOPE_SO_FAR))


def _what_it_is(header: Header, root: Code | None, source: Source) -> str:
    """Why an object that is no dose report of projection x-ray is refused, naming what it is."""
    uid = header.uid(0x00080016) or source.opened.meta.media_class
    document = root.word("document") if root is not None else None
    if document is not None:
        return f"a {document}; {ACCEPTED}"
    if root is not None:
        title = header.decoder.text(root.meaning) or root.value
        return f"a structured report of another kind ({title!r}, {root.value} {root.scheme}); {ACCEPTED}"
    if uid is None:
        return f"a DICOM data set that does not say what it is (no SOP Class UID); {ACCEPTED}"
    import warnings

    from pydicom.uid import UID

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of a malformed UID, which the sentence shows
        name = UID(uid).name
    named = name if name != uid else "an unknown SOP class"
    return f"another kind of DICOM object ({named}, SOP class {uid}); {ACCEPTED}"


def _of_the_whole(totals: TotalsRead, events: tuple[IrradiationEvent, ...]) -> list[Finding]:
    found = []
    if not totals.stated:
        found.append(finding(FindingCode.TOTALS_MISSING))
    if not events:
        found.append(finding(FindingCode.EVENTS_MISSING))
    return found


def _counted(events: list[IrradiationEvent]) -> tuple[list[int], list[Finding]]:
    """(indices of the events that count, findings about repetitions).

    An event with UID, plane and start of an earlier one is a repetition; the same UID and plane
    with another start is another event. Where no plane is told only an equal event is a repetition:
    the two planes of one exposure may share their UID and start.
    """
    counted: list[int] = []
    findings: list[Finding] = []
    seen: dict[tuple[str, str | None], dict[str | None, IrradiationEvent]] = {}
    for index, event in enumerate(events):
        if event.uid is not None:
            starts = seen.setdefault((event.uid, event.plane), {})
            earlier = starts.get(event.started_at)
            if earlier is not None and (event.plane is not None or earlier == event):
                how = "they are equal" if earlier == event else "they differ in other values"
                findings.append(finding(FindingCode.EVENT_REPEATED, event_uid=event.uid, how=how))
                continue
            if any(start != event.started_at for start in starts):
                findings.append(finding(FindingCode.EVENT_UID_REUSED, event_uid=event.uid))
            starts[event.started_at] = event
        counted.append(index)
    return counted, findings


def _unknown_items(root: _Root, totals: TotalsRead, events: EventsRead) -> list[Finding]:
    names = [*root.unknown, *totals.unknown, *events.unknown]
    if not names:
        return []
    distinct = list(dict.fromkeys(names))
    codes = ", ".join(distinct[:_MOST_CODES_NAMED])
    if len(distinct) > _MOST_CODES_NAMED:
        codes += f" and {len(distinct) - _MOST_CODES_NAMED} more"
    return [finding(FindingCode.ITEMS_UNKNOWN, count=len(names), codes=codes)]
