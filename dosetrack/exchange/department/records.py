"""What the invented department hands out: cases, their reports and entries, and a live case's steps."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from dosetrack.records.entries import Payload
from dosetrack.records.people import Actor
from dosetrack.records.report import DoseReport, Patient


@dataclass(frozen=True, slots=True)
class SampleReport:
    """One DICOM file as it arrives. `content` is the whole file; `record` is what it was written from."""

    file: str
    content: bytes
    arrives_at: datetime
    record: DoseReport


@dataclass(frozen=True, slots=True)
class SampleEntry:
    """One thing a person entered about the case, and when it happened."""

    happened_at: datetime
    payload: Payload
    actor: Actor


@dataclass(frozen=True, slots=True)
class SampleCase:
    """One invented case.

    key : unique within one department, e.g. 'case-0042'
    reports : in the order they arrive; empty when the room sent none
    entries : in time order; empty when nobody entered anything
    tags : the rules this case tests, e.g. 'late-report'; see sample_data/README.md
    contrast_ml, iodine_g : iodinated contrast that reached the vessels, of undiluted product;
        None when nobody entered any injection
    """

    key: str
    room: str
    patient: Patient
    procedure: str
    operators: tuple[str, ...]
    accession_number: str
    started_at: datetime
    ended_at: datetime
    reports: tuple[SampleReport, ...]
    entries: tuple[SampleEntry, ...]
    tags: tuple[str, ...] = ()
    contrast_ml: float | None = None
    iodine_g: float | None = None


@dataclass(frozen=True, slots=True)
class LiveStep:
    """One step of the live case: what comes in `offset_s` seconds after its start."""

    offset_s: float
    payload: Payload | SampleReport
    actor: Actor
