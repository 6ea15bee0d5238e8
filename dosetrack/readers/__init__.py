"""Readers: the bytes of one source in, records and findings out. None touches disk, clock or network."""

from __future__ import annotations

from dosetrack.records.report import DoseReport

__all__ = ["read_report"]


def read_report(data: bytes, *, file: str) -> DoseReport:
    """The dose report in the bytes of a DICOM file.

    Parameters
    ----------
    data : the whole file, with or without preamble and file meta information
    file : the name it is known under, for the record and for messages

    Raises
    ------
    ReportRefusedError
        The file is not a dose report that can be read whole; its `reason` is one sentence.
    """
    from dosetrack.readers.rdsr import read_dose_report

    return read_dose_report(data, file=file)
