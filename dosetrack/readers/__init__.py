"""Readers: the bytes of one source in, records and findings out. None touches disk, clock or network."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dosetrack.records.report import DoseReport

if TYPE_CHECKING:
    from dosetrack.readers.held import HeldEvents, ReadAfter
    from dosetrack.records.content import ContentNode
    from dosetrack.records.template import TemplateCheck

__all__ = ["check_template", "read_content", "read_report", "read_report_after"]

_TABLE_ROWS = b'{"dose table rows":'  # what is kept of a table's rows, see dose_table


def check_template(data: bytes, *, file: str) -> TemplateCheck | None:
    """What the dose report in the bytes of a DICOM file tells against its template, PS3.16 TID 10001.

    None for what is read but not of that template: images, procedure steps, enhanced and patient reports.

    Raises
    ------
    ReportRefusedError
        As `read_report`.
    """
    if data.startswith(_TABLE_ROWS):
        return None
    from dosetrack.readers.dispatch import check_any

    return check_any(data, file=file)


def read_content(data: bytes, *, file: str) -> ContentNode | None:
    """The content of the structured report in the bytes of a DICOM file, every item as it was sent.

    None for what has none: images, procedure steps, tables.

    Raises
    ------
    ReportRefusedError
        As `read_report`.
    """
    if data.startswith(_TABLE_ROWS):
        return None
    from dosetrack.readers.dispatch import content_any

    return content_any(data, file=file)


def read_report(data: bytes, *, file: str) -> DoseReport:
    """The dose report in the bytes of a DICOM file.

    Structured reports are the first choice; headers of x-ray angiography images and performed
    procedure steps are second choice, and their `source` and a finding say so. Of an image only
    the header is read (`head.kept_bytes`).

    Parameters
    ----------
    data : the file with or without preamble and file meta information; of an image the header is enough
    file : the name it is known under, for the record and for messages

    Raises
    ------
    ReportRefusedError
        The file tells no dose of projection x-ray, or cannot be read whole; its `reason` is one sentence.
    """
    if data.startswith(_TABLE_ROWS):
        from dosetrack.readers.dose_table import report_of_document

        return report_of_document(data, file=file)
    from dosetrack.readers.dispatch import read_any

    return read_any(data, file=file)


def read_report_after(data: bytes, *, file: str, held: HeldEvents | None) -> ReadAfter:
    """The report in the bytes of a DICOM file, events told before in the same bytes taken over unread.

    For cumulative reports: what comes out equals what `read_report` gives, findings included.

    Parameters
    ----------
    data, file : as for `read_report`
    held : `ReadAfter.held` of the report of the case that came before; None for the first

    Raises
    ------
    ReportRefusedError
        As `read_report`.
    """
    if data.startswith(_TABLE_ROWS):
        from dosetrack.readers.held import ReadAfter

        return ReadAfter(read_report(data, file=file), held=None, taken=0)
    from dosetrack.readers.dispatch import read_any_after

    return read_any_after(data, file=file, held=held)
