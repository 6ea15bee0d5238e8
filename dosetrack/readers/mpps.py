"""Modality performed procedure steps (PS3.3 section C.4.13 to C.4.16, PS3.4 annex F): second choice.

What a machine sent with N-CREATE or N-SET, kept as a file. It tells totals of the whole step and no
plane: they are read as of plane 'single', since nothing in it can tell that there was another.
Entrance dose is no reference air kerma and is never read as one.
"""

from __future__ import annotations

from dataclasses import replace

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.readers.elements import Span
from dosetrack.readers.header import Header
from dosetrack.readers.header_attributes import AttributeReader
from dosetrack.readers.refusal import ACCEPTED, Refusal
from dosetrack.readers.source import Source
from dosetrack.readers.text import iso_date_and_time
from dosetrack.readers.xa_filters import filters_of
from dosetrack.records.report import DoseReport, DoseTotal, IrradiationEvent, Procedure, ReportIdentity
from dosetrack.records.totals import summed_totals

_CONCEPT_NAME = 0x0040A043
_MODALITY = 0x00080060
_STATUS = 0x00400252
_SCHEDULED_STEPS = 0x00400270
_SERIES = 0x00400340
_EXPOSURES = 0x0040030E
_RADIATION_MODE = 0x0018115A
_IN_PROGRESS = "IN PROGRESS"
_COMPLETION = {"COMPLETED": "COMPLETE", "DISCONTINUED": "PARTIAL", _IN_PROGRESS: "PARTIAL"}
_MODALITIES = frozenset({"XA", "RF", "DX", "CR", "RG", "OT"})
_MOST_SECONDS = float((1 << 16) - 1)
"""The greatest number of value representation US, PS3.5 section 6.2."""
_MS = 1000.0
_WHY = (
    "it is a performed procedure step; its totals are as the machine counted them, "
    "rounded to seconds, without planes and without reference air kerma"
)


def read_step(source: Source) -> DoseReport:
    """The performed procedure step in `source`.

    Raises
    ------
    Refusal
        Of another modality, or cut off.
    """
    elements, end = source.elements(stop_at=_CONCEPT_NAME)
    source.walker.elements(end, len(source.opened.data))  # what follows must be whole too
    step = _Step(Header(source.walker, elements), source)
    events = step.events()
    stated = step.stated()
    header = step.header
    report = DoseReport(
        file=source.file,
        sha256=source.sha256,
        source="mpps",
        report=step.identity(),
        patient=header.patient(),
        equipment=replace(header.equipment({}), station=step.station()),
        procedure=step.procedure(),
        operators=step.operators(),
        totals=(*stated, *summed_totals(events)),
        events=events,
    )
    findings = (
        finding(FindingCode.SECOND_CHOICE_SOURCE, why=_WHY),
        *header.findings,
        *source.findings(),
        *step.findings,
        *([] if stated else [finding(FindingCode.TOTALS_MISSING)]),
        *step.numbers.findings,
        *header.guessed_text(),
    )
    return replace(report, findings=findings)


class _Step:
    """One performed procedure step on its way to a record."""

    def __init__(self, header: Header, source: Source) -> None:
        self.header = header
        self.findings: list[Finding] = []
        self.numbers = AttributeReader(header.walker)
        self._source = source
        self._scheduled = header.items(_SCHEDULED_STEPS)
        self._series = header.items(_SERIES)
        modality = header.word(_MODALITY) or next(
            (word for one in self._series if (word := header.word(_MODALITY, one))), None
        )
        if header.word(_STATUS) == _IN_PROGRESS:
            self.findings.append(finding(FindingCode.SCOPE_SO_FAR))
        if modality == "MG":
            self.findings.append(finding(FindingCode.MAMMOGRAPHY_REPORT))
        elif modality is not None and modality not in _MODALITIES:
            raise Refusal(f"a performed procedure step of another modality ({modality}); {ACCEPTED}")

    def stated(self) -> tuple[DoseTotal, ...]:
        """The totals the machine states, of plane 'single'; none where it states none."""
        elements, numbers = self.header.elements, self.numbers
        seconds = numbers.value("fluoroscopy_time_s", elements)
        if seconds == _MOST_SECONDS:
            self.findings.append(finding(FindingCode.TIME_AT_THE_MOST, seconds=f"{seconds:g}"))
            seconds = None
        product = numbers.value("dose_area_product_gycm2", elements)
        count = numbers.value("exposures", elements)
        if count is not None:
            self.findings.append(finding(FindingCode.EXPOSURES_COUNTED, count=f"{count:g}"))
        entrance = numbers.value("entrance_dose_mgy", elements)
        if entrance is not None:
            self.findings.append(finding(FindingCode.ENTRANCE_DOSE_NOT_USED, dose=f"{entrance:g}"))
        if seconds is None and product is None:
            return ()
        total = DoseTotal(
            plane="single", basis="stated", dose_area_product_gycm2=product, fluoroscopy_time_s=seconds
        )
        return (total,)

    def events(self) -> tuple[IrradiationEvent, ...]:
        """The exposures the step lists, without dose: they tell how the beam was, not what it gave."""
        items = self.header.items(_EXPOSURES)
        uid = self.identity().sop_instance_uid
        events = tuple(self._event(item, uid, number) for number, item in enumerate(items, start=1))
        if events:
            self.findings.append(finding(FindingCode.RADIATION_MODE_ONLY, count=len(events)))
        if events and uid is not None:
            self.findings.append(finding(FindingCode.EVENT_UID_SYNTHETIC, document="procedure step"))
        elif events:
            self.findings.extend(
                finding(FindingCode.EVENT_UID_MISSING, number=number + 1) for number in range(len(events))
            )
        return events

    def _event(self, item: dict[int, Span], step_uid: str | None, number: int) -> IrradiationEvent:
        numbers = self.numbers
        uid = None if step_uid is None else f"{step_uid}.{number}"
        numbers.event_uid = uid
        exposed_ms = numbers.value("exposure_time_ms", item)
        mode = self.header.word(_RADIATION_MODE, item)
        filters, reversed_ones = filters_of(self.header, numbers, item, event_uid=uid)
        self.findings.extend(reversed_ones)
        event = IrradiationEvent(
            uid=uid,
            plane="single",
            type=None if mode is None else mode.lower(),
            duration_s=None if exposed_ms is None else exposed_ms / _MS,
            dose_area_product_gycm2=numbers.value("dose_area_product_gycm2", item),
            kvp=numbers.value("kvp", item),
            tube_current_ma=numbers.value("tube_current_ma", item),
            filters=filters,
        )
        numbers.event_uid = None
        return event

    def identity(self) -> ReportIdentity:
        """Which step it is; the study is the scheduled one's."""
        header = self.header
        status = header.word(_STATUS)
        study = accession = None
        for one in self._scheduled:
            study = study or header.raw(0x0020000D, one).strip(b" \0").decode("ascii", "replace") or None
            accession = accession or header.text(0x00080050, one)
        told = self._source.identified(header.identity())
        return replace(
            told,
            study_instance_uid=told.study_instance_uid or study,
            accession_number=told.accession_number or accession,
            completion=_COMPLETION.get(status or ""),
            reported_at=self._moment(0x00400250, 0x00400251) or self._moment(0x00400244, 0x00400245),
        )

    def station(self) -> str | None:
        """The performed station's name, else the station's, else its application entity title."""
        header = self.header
        return header.text(0x00400242) or header.text(0x00081010) or header.text(0x00400241)

    def procedure(self) -> Procedure:
        """What was done; where the step does not say, what was scheduled."""
        header = self.header
        protocol = next((text for one in self._series if (text := header.text(0x00181030, one))), None)
        told = header.procedure(protocol=None, started_at=None, ended_at=None)
        requested = None
        for one in self._scheduled:
            requested = requested or header.text(0x00321060, one) or header.text(0x00400007, one)
        label = header.text(0x00400254) or requested or told.label or header.text(0x00400255) or protocol
        return replace(told, label=label)

    def operators(self) -> tuple[str, ...]:
        """The performing physicians of the series, else their operators."""
        header = self.header
        for tag in (0x00081050, 0x00081070):
            names = [*header.names(tag), *(name for one in self._series for name in header.names(tag, one))]
            if names:
                return tuple(dict.fromkeys(names))
        return ()

    def _moment(self, day: int, clock: int) -> str | None:
        header = self.header
        return iso_date_and_time(header.raw(day), header.raw(clock), offset=header.offset)
