"""The header of a written dose report: patient, study, series, equipment and document modules.

Attributes of PS3.3 section A.35.8 that are required but not known are written empty where the
standard allows it (type 2) and left out where it does not.
"""

from __future__ import annotations

import re
from hashlib import sha256

from dosetrack.errors import InputError
from dosetrack.exchange.content import Code, ContentWriter
from dosetrack.exchange.encoding import Encoder, decimal_string
from dosetrack.records.report import DoseReport

CHARACTER_SETS = {"ISO_IR 192": "utf-8", "ISO_IR 100": "latin-1", "ISO_IR 6": "ascii"}
"""Specific Character Set -> Python codec."""

LOCAL_SCHEME = "99LOCAL"
"""Coding scheme designator of a procedure code that came without one (PS3.16 section 8)."""

_MAXIMUM_LENGTHS = {"SH": 16, "LO": 64, "PN": 64}  # PS3.5 section 6.2, characters
_UID = re.compile(r"[0-2](\.(0|[1-9]\d*))+")
_ISO_TIME = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)(?:[T ](\d\d):(\d\d)(?::(\d\d)(\.\d{1,6})?)?)?"
    r"(?:(Z)|([+-]\d\d):?(\d\d))?"
)


def derived_uid(*parts: str | None) -> str:
    """A UID that is the same for the same parts (PS3.5 annex B.2, root 2.25).

    Examples
    --------
    >>> derived_uid("study", "1") == derived_uid("study", "1"), len(derived_uid("study", "1")) <= 64
    (True, True)
    """
    digest = sha256("\x1f".join(part or "" for part in parts).encode("utf-8")).digest()
    return f"2.25.{int.from_bytes(digest[:16], 'big')}"


def series_uid(report: DoseReport) -> str:
    """The series the report is written into: one per study and system."""
    return derived_uid("series", report.report.study_instance_uid, report.equipment.station)


def check_uid(name: str, value: str | None, accepted: str) -> None:
    """InputError when `value` is not a UID."""
    if value is None or len(value) > 64 or _UID.fullmatch(value) is None:
        raise InputError(field=name, given=value, accepted=accepted)


def dicom_datetime(text: str) -> str:
    """ISO 8601 `text` as a DICOM DT, with the same digits and offset.

    Examples
    --------
    >>> dicom_datetime("2025-03-01T09:12:40.25+01:00")
    '20250301091240.25+0100'
    """
    date, time, offset = _parts(text)
    return date + time + offset


def _parts(text: str) -> tuple[str, str, str]:
    found = _ISO_TIME.fullmatch(text)
    if found is None:
        raise InputError(field="time", given=text, accepted="ISO 8601 such as 2025-03-01T09:12:40+01:00")
    year, month, day, hour, minute, second, fraction, is_utc, hours, minutes = found.groups(default="")
    offset = "+0000" if is_utc else hours + minutes
    return year + month + day, hour + minute + second + fraction, offset


def header_elements(
    report: DoseReport,
    encoder: Encoder,
    content: ContentWriter,
    *,
    codec: str,
    character_set: str,
    sop_class_uid: str,
    completion: str,
    software_version: str,
) -> dict[int, bytes]:
    """Every element of the data set outside the content tree, encoded, by tag."""
    header = _Header(encoder, codec)
    identity, procedure = report.report, report.procedure
    if character_set != "ISO_IR 6":
        header.put(0x00080005, "CS", character_set)
    header.put(0x00080016, "UI", sop_class_uid)
    header.put(0x00080018, "UI", identity.sop_instance_uid)
    _study(report, header)
    _document_times(report, header)
    header.put(0x00080060, "CS", "SR")
    header.put(0x00081050, "PN", report.operators)
    header.put(0x0020000E, "UI", series_uid(report))
    header.put(0x00200011, "IS", "1")
    header.put(0x00200013, "IS", "1")
    _patient(report, header)
    _equipment(report, header, software_version)
    header.put(0x0040A491, "CS", completion)
    header.put(0x0040A493, "CS", "UNVERIFIED")
    header.elements[0x00081111] = encoder.sequence(0x00081111, ())
    performed: tuple[bytes, ...] = ()
    if procedure.code is not None:
        meaning = procedure.label or procedure.code
        performed = (content.coded(Code(procedure.code, procedure.coding_scheme or LOCAL_SCHEME, meaning)),)
    header.elements[0x0040A372] = encoder.sequence(0x0040A372, performed)
    return header.elements


class _Header:
    def __init__(self, encoder: Encoder, codec: str) -> None:
        self._encoder = encoder
        self._codec = codec
        self.elements: dict[int, bytes] = {}

    def put(self, tag: int, vr: str, value: str | tuple[str, ...] | None, *, is_type_2: bool = False) -> None:
        """Write `value`; an absent one is left out, or written empty when `is_type_2`."""
        values = (value,) if isinstance(value, str) else (value or ())
        if not values and not is_type_2:
            return
        limit = _MAXIMUM_LENGTHS.get(vr)
        for each in values:
            if "\\" in each or (limit is not None and len(each) > limit):
                raise InputError(
                    field=f"attribute ({tag >> 16:04X},{tag & 0xFFFF:04X})",
                    given=each,
                    accepted=f"text without a backslash, at most {limit} characters",
                )
        self.elements[tag] = self._encoder.element(tag, vr, "\\".join(values).encode(self._codec))


def _study(report: DoseReport, header: _Header) -> None:
    identity, procedure = report.report, report.procedure
    date = time = None
    if procedure.started_at is not None:
        date, time, _ = _parts(procedure.started_at)
        header.put(0x00400244, "DA", date)
        header.put(0x00400245, "TM", time or None)
    if procedure.ended_at is not None:
        end_date, end_time, _ = _parts(procedure.ended_at)
        header.put(0x00400250, "DA", end_date)
        header.put(0x00400251, "TM", end_time or None)
    header.put(0x00080020, "DA", date, is_type_2=True)
    header.put(0x00080030, "TM", time or None, is_type_2=True)
    header.put(0x00080050, "SH", identity.accession_number, is_type_2=True)
    header.put(0x00080090, "PN", None, is_type_2=True)
    header.put(0x00081030, "LO", procedure.label)
    header.put(0x0020000D, "UI", identity.study_instance_uid)
    header.put(0x00200010, "SH", None, is_type_2=True)


def _document_times(report: DoseReport, header: _Header) -> None:
    latest = report.events[-1].started_at if report.events else None
    reported = report.report.reported_at or report.procedure.ended_at or latest or report.procedure.started_at
    if reported is None:
        raise InputError(field="time of the report", given=None, accepted="reported_at as an ISO 8601 time")
    date, time, offset = _parts(reported)
    header.put(0x00080023, "DA", date)
    header.put(0x00080033, "TM", time or "000000")
    header.put(0x00080201, "SH", offset or None)


def _patient(report: DoseReport, header: _Header) -> None:
    patient = report.patient
    birth_date = _parts(patient.birth_date)[0] if patient.birth_date else None
    header.put(0x00100010, "PN", patient.name, is_type_2=True)
    header.put(0x00100020, "LO", patient.id, is_type_2=True)
    header.put(0x00100021, "LO", patient.id_issuer)
    header.put(0x00100030, "DA", birth_date, is_type_2=True)
    header.put(0x00100040, "CS", patient.sex, is_type_2=True)
    if patient.height_cm is not None:  # Patient's Size is in metres
        header.put(0x00101020, "DS", decimal_string(patient.height_cm / 100).decode("ascii"))
    if patient.weight_kg is not None:
        header.put(0x00101030, "DS", decimal_string(patient.weight_kg).decode("ascii"))


def _equipment(report: DoseReport, header: _Header, software_version: str) -> None:
    machine = report.equipment
    header.put(0x00080070, "LO", machine.manufacturer, is_type_2=True)
    header.put(0x00080080, "LO", machine.institution)
    header.put(0x00081010, "SH", machine.station)
    header.put(0x00081090, "LO", machine.model)
    header.put(0x00181000, "LO", machine.serial)
    header.put(0x00181020, "LO", software_version)
