"""One answer of a DICOM Modality Worklist (PS3.4 annex K) as a planned procedure."""

from __future__ import annotations

from collections.abc import Mapping, MutableSequence
from dataclasses import dataclass
from datetime import date, time
from typing import Any

from pydicom.config import disable_value_validation
from pydicom.dataset import Dataset
from pydicom.multival import MultiValue

from dosetrack.errors import InputError
from dosetrack.readers.schedule_table import key_of
from dosetrack.records.entries import ProcedureScheduled
from dosetrack.records.report import Patient

_CENTIMETRES_PER_METRE = 100.0
_SEXES = frozenset("FMO")
_CANCELLED = frozenset({"CANCELED", "CANCELLED", "DISCONTINUED"})
_UNREADABLE = (ValueError, TypeError, KeyError, AttributeError, LookupError, NotImplementedError)


@dataclass(frozen=True, slots=True)
class WorklistItem:
    """A planned procedure as the worklist told it. is_cancelled : its step's status says so."""

    procedure: ProcedureScheduled
    is_cancelled: bool = False


def worklist_item(answer: Dataset, *, source: str, rooms: Mapping[str, str]) -> WorklistItem:
    """The planned procedure of one answer.

    Parameters
    ----------
    rooms : station name or AE title -> room; a name that is a room itself stands for it

    Raises
    ------
    InputError
        It has no scheduled step, names no patient, or tells a day that is none.
    """
    with disable_value_validation():  # what is wrong is said below, for what is used alone
        return _item(answer, source=source, rooms=rooms)


def _item(answer: Dataset, *, source: str, rooms: Mapping[str, str]) -> WorklistItem:
    step = _first(answer, "ScheduledProcedureStepSequence")
    if step is None:
        raise InputError(field="scheduled step", given="none", accepted="an answer with a scheduled step")
    patient = _patient(answer)
    if patient.id is None:
        given = patient.name or _text(answer, "AccessionNumber") or "an answer without name"
        raise InputError(field="patient", given=given, accepted="a patient with a number (Patient ID)")
    at = _scheduled_at(step, _text(answer, "TimezoneOffsetFromUTC"))
    accession = _text(answer, "AccessionNumber")
    procedure = _procedure(answer, step)
    stations = _stations(step)
    return WorklistItem(
        ProcedureScheduled(
            key=key_of(
                patient,
                at,
                accession=accession,
                step=_text(step, "ScheduledProcedureStepID"),
                procedure=procedure,
            ),
            patient=patient,
            scheduled_at=at,
            room=room_of(stations, rooms),
            procedure=procedure,
            operators=tuple(_names(step, "ScheduledPerformingPhysicianName")),
            accession_number=accession,
            study_instance_uid=_text(answer, "StudyInstanceUID"),
            source=source,
            station=stations[0] if stations else None,
        ),
        is_cancelled=(_text(step, "ScheduledProcedureStepStatus") or "").upper() in _CANCELLED,
    )


def room_of(stations: list[str], rooms: Mapping[str, str]) -> str | None:
    """The one room that `stations` name; None where they name none, or several."""
    names = set(rooms.values())
    found = {rooms.get(station, station if station in names else None) for station in stations} - {None}
    return found.pop() if len(found) == 1 else None


def _patient(answer: Dataset) -> Patient:
    sex = (_text(answer, "PatientSex") or "").upper()
    metres = _number(answer, "PatientSize")
    born = _text(answer, "PatientBirthDate")
    return Patient(
        id=_text(answer, "PatientID"),
        id_issuer=_text(answer, "IssuerOfPatientID"),
        name=next(iter(_names(answer, "PatientName")), None),
        sex=sex if sex in _SEXES else None,
        birth_date=_day(born, field="birth date").isoformat() if born else None,
        weight_kg=_number(answer, "PatientWeight"),
        height_cm=None if metres is None else metres * _CENTIMETRES_PER_METRE,
    )


def _procedure(answer: Dataset, step: Dataset) -> str | None:
    """The step's own words, else its protocol's, else those of the requested procedure."""
    told = (
        _text(step, "ScheduledProcedureStepDescription"),
        _meaning(step, "ScheduledProtocolCodeSequence"),
        _text(answer, "RequestedProcedureDescription"),
        _meaning(answer, "RequestedProcedureCodeSequence"),
    )
    return next((words for words in told if words), None)


def _scheduled_at(step: Dataset, offset: str | None) -> str | None:
    day = _text(step, "ScheduledProcedureStepStartDate")
    if day is None:
        return None
    found = _day(day, field="scheduled day").isoformat()
    clock = (_text(step, "ScheduledProcedureStepStartTime") or "").replace(":", "")
    if not clock:
        return found
    try:
        hour, minute, second = (int(clock[at : at + 2] or 0) for at in (0, 2, 4))
        moment = f"{found}T{time(hour, minute, second).isoformat()}"
    except ValueError:
        raise InputError(field="scheduled time", given=clock, accepted="a time HHMMSS") from None
    return f"{moment}{offset[:3]}:{offset[3:5]}" if offset and len(offset) == len("+0100") else moment


def _day(text: str, *, field: str) -> date:
    plain = text.replace(".", "")
    try:
        return date(int(plain[:4]), int(plain[4:6]), int(plain[6:8]))
    except ValueError:
        raise InputError(field=field, given=text, accepted="a day YYYYMMDD") from None


def _stations(step: Dataset) -> list[str]:
    """Names under which the place of the step may be known, the AE title first."""
    told = []
    for keyword in ("ScheduledStationAETitle", "ScheduledStationName", "ScheduledProcedureStepLocation"):
        told += _texts(step, keyword)
    return list(dict.fromkeys(told))


def _texts(data: Dataset, keyword: str) -> list[str]:
    value = _value(data, keyword)
    values = value if isinstance(value, (MultiValue, list, tuple)) else [value]
    return [text for one in values if one is not None and (text := str(one).strip(" \0"))]


def _text(data: Dataset, keyword: str) -> str | None:
    found = _texts(data, keyword)
    return "\\".join(found) or None


def _number(data: Dataset, keyword: str) -> float | None:
    """A size as told; none where it is zero, which some write for 'not known'."""
    text = _text(data, keyword)
    try:
        return (float(text) or None) if text else None
    except ValueError:
        return None


def _names(data: Dataset, keyword: str) -> list[str]:
    """Each name in its first group that is filled, without empty parts at its end."""
    names = (
        next((group for group in text.split("=") if group.strip("^ ")), "") for text in _texts(data, keyword)
    )
    return [name.rstrip("^ ") for name in names if name]


def _meaning(data: Dataset, keyword: str) -> str | None:
    item = _first(data, keyword)
    return _text(item, "CodeMeaning") if item is not None else None


def _first(data: Dataset, keyword: str) -> Dataset | None:
    value = _value(data, keyword)
    return value[0] if isinstance(value, MutableSequence) and value else None


def _value(data: Dataset, keyword: str) -> Any:
    """What an element holds; None where it is absent or its bytes make no sense."""
    try:
        return data.get(keyword)
    except _UNREADABLE:
        return None
