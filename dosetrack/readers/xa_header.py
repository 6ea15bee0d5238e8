"""Headers of x-ray angiography and fluoroscopy images (PS3.3 sections C.8.7 and C.8.19): second choice.

One image is one acquisition. Fluoroscopy is hardly ever stored as images, so what they tell
together is lower than what was given; every report read here says so. Pixel data are never read:
the walk ends where they begin, and a header that does not reach them is refused as cut off.
"""

from __future__ import annotations

from dataclasses import replace

from dosetrack.findings import FindingCode, finding
from dosetrack.readers.header import Header
from dosetrack.readers.refusal import Refusal
from dosetrack.readers.source import Source
from dosetrack.readers.times_of_events import last_end
from dosetrack.readers.xa_event import ImageReader
from dosetrack.records.report import DoseReport
from dosetrack.records.totals import summed_totals

PIXEL_DATA = 0x7FE00010
_WHY = "it is the header of an image; fluoroscopy is not stored, so the sum is lower than what was given"


def read_image_header(source: Source) -> DoseReport:
    """The acquisition the image in `source` shows.

    Raises
    ------
    Refusal
        Damaged, or cut off before the pixel data.
    """
    elements, end = source.elements(stop_at=PIXEL_DATA)
    if not source.walker.is_bulk(end):
        source.opened.refuse_if_cut()
        size = len(source.opened.data)
        raise Refusal(f"truncated: the image ends after {size} bytes, before its pixel data begin")
    header = Header(source.walker, elements)
    reader = ImageReader(header)
    events = reader.events()
    report = DoseReport(
        file=source.file,
        sha256=source.sha256,
        source="xa-header",
        report=source.identified(header.identity()),
        patient=header.patient(),
        equipment=header.equipment({}),
        procedure=header.procedure(
            protocol=reader.protocol, started_at=reader.started_at, ended_at=last_end(events)
        ),
        operators=header.names(0x00081050) or header.names(0x00081070),
        totals=summed_totals(events),
        events=events,
    )
    findings = (
        finding(FindingCode.SECOND_CHOICE_SOURCE, why=_WHY),
        *header.findings,
        *source.findings(),
        *reader.findings,
        *reader.numbers.findings,
        *header.guessed_text(),
    )
    return replace(report, findings=findings)
