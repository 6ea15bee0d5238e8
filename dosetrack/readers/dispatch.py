"""Which reader takes a file: by its SOP class, and by what stands in it where none is told."""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

from dosetrack.errors import ReportRefusedError
from dosetrack.readers.head import kept_bytes
from dosetrack.readers.refusal import Refusal
from dosetrack.readers.source import Source
from dosetrack.records.report import DoseReport

if TYPE_CHECKING:
    from dosetrack.readers.held import HeldEvents, ReadAfter
    from dosetrack.records.content import ContentNode
    from dosetrack.records.template import TemplateCheck

T = TypeVar("T")

IMAGES = frozenset(
    {
        "1.2.840.10008.5.1.4.1.1.12.1",  # x-ray angiography
        "1.2.840.10008.5.1.4.1.1.12.1.1",  # enhanced
        "1.2.840.10008.5.1.4.1.1.12.2",  # radiofluoroscopy
        "1.2.840.10008.5.1.4.1.1.12.2.1",  # enhanced
        "1.2.840.10008.5.1.4.1.1.12.3",  # biplane, retired
    }
)
PERFORMED_PROCEDURE_STEP = "1.2.840.10008.3.1.2.3.3"
REPORTS = "1.2.840.10008.5.1.4.1.1.88."
"""What the UIDs of structured reports begin with."""
_CONCEPT_NAME = 0x0040A043
_STEP_STATUS = 0x00400252


def read_any(data: bytes, *, file: str) -> DoseReport:
    """The report in the bytes of a DICOM file, whichever kind it is.

    Raises
    ------
    ReportRefusedError
        Not DICOM, an object of another kind, empty, truncated, or without content.
    """
    return _with_reason(data, file, _read)


def read_any_after(data: bytes, *, file: str, held: HeldEvents | None) -> ReadAfter:
    """The report in the bytes of a DICOM file, read after an earlier one of its case; see `held`.

    Raises
    ------
    ReportRefusedError
        As `read_any`.
    """
    from dosetrack.readers.held import ReadAfter, read_after

    def read(source: Source) -> ReadAfter:
        if (source.sop_class() or "").startswith(REPORTS):
            return read_after(source, held=held)
        return ReadAfter(_read(source), held=None, taken=0)

    return _with_reason(data, file, read)


def check_any(data: bytes, *, file: str) -> TemplateCheck | None:
    """What a report tells against its template; None for what is not of TID 10001. See `conformance`.

    Raises
    ------
    ReportRefusedError
        As `read_any`.
    """
    from dosetrack.readers.conformance import check_source

    def check(source: Source) -> TemplateCheck | None:
        return check_source(source) if (source.sop_class() or "").startswith(REPORTS) else None

    return _with_reason(data, file, check)


def content_any(data: bytes, *, file: str) -> ContentNode | None:
    """The content of a structured report, every item as sent; None for what has none. See `content`.

    Raises
    ------
    ReportRefusedError
        As `read_any`.
    """
    from dosetrack.readers.content import content_of

    def content(source: Source) -> ContentNode | None:
        sop_class = source.sop_class()
        if sop_class in IMAGES or sop_class == PERFORMED_PROCEDURE_STEP:
            return None
        return None if sop_class is None and _is_step(source) else content_of(source)

    return _with_reason(data, file, content)


def _with_reason(data: bytes, file: str, read: Callable[[Source], T]) -> T:
    """What `read` makes of the file; ReportRefusedError with the reason where it refuses."""
    try:
        return read(Source.of(kept_bytes(data), file=file))
    except Refusal as refusal:
        raise ReportRefusedError(file=file, reason=refusal.reason) from None
    except struct.error:
        reason = f"truncated: it ends inside an element, after {len(data)} bytes"
        raise ReportRefusedError(file=file, reason=reason) from None


def _read(source: Source) -> DoseReport:
    # each reader is imported where it is needed: one command reads one kind, and should start fast
    sop_class = source.sop_class()
    if sop_class in IMAGES:
        from dosetrack.readers.xa_header import read_image_header

        return read_image_header(source)
    source.opened.refuse_if_cut()
    if sop_class == PERFORMED_PROCEDURE_STEP or (sop_class is None and _is_step(source)):
        from dosetrack.readers.mpps import read_step

        return read_step(source)
    from dosetrack.readers.rdsr import read_dose_report

    return read_dose_report(source)


def _is_step(source: Source) -> bool:
    """Whether a data set that does not say what it is tells a procedure step's status and no document."""
    elements, _ = source.elements(stop_at=_CONCEPT_NAME)
    return _STEP_STATUS in elements
