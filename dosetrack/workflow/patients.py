"""One patient across cases: every case on record, creatinines, contrast, and what was told from elsewhere."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from dosetrack.cases import standing
from dosetrack.errors import InputError
from dosetrack.ledger import CaseTotalRow, LedgerReader
from dosetrack.records.entries import Agent, Creatinine, Entry, Injection, InjectionSite, Note
from dosetrack.records.people import Actor
from dosetrack.records.report import Patient
from dosetrack.times import instant_of, zone_named
from dosetrack.workflow.base import LedgerUser
from dosetrack.workflow.listing import summary_of
from dosetrack.workflow.results import CaseSummary, Recorded
from dosetrack.workflow.site import settings_for

RADIOTHERAPY, ELSEWHERE = "Radiotherapy", "Case elsewhere"
KINDS_ELSEWHERE = (RADIOTHERAPY, ELSEWHERE)
_TOLD = re.compile(rf"({RADIOTHERAPY}|{ELSEWHERE}) \(([^)]*)\): (.+)", re.DOTALL)
_WHEN = re.compile(r"\d{4}(-\d{2}(-\d{2})?)?")
WHEN_UNKNOWN = "when not known"


@dataclass(frozen=True, slots=True)
class PatientCase:
    """One case on the patient's time axis.

    at : of the start, zone-aware; None where no time is known
    contrast_at : of the last iodinated contrast into the blood; the start where none was timed
    has_radiation : whether its feeds tell any dose; False is a gap, never zero
    """

    summary: CaseSummary
    at: datetime | None
    contrast_at: datetime | None
    has_radiation: bool


@dataclass(frozen=True, slots=True)
class PatientCreatinine:
    """One creatinine in the laboratory's own unit.

    at : zone-aware; at the middle of its day where only the day is known, then `is_day_only`
    """

    value: str
    unit: str
    taken_on: str | None
    at: datetime | None
    is_day_only: bool
    is_unstable: bool
    case_id: str


@dataclass(frozen=True, slots=True)
class ToldElsewhere:
    """Radiotherapy, or a case of another department, as a person typed it.

    kind : 'Radiotherapy' or 'Case elsewhere'
    when : 'YYYY', 'YYYY-MM' or 'YYYY-MM-DD', else 'when not known'
    """

    kind: str
    when: str
    text: str
    case_id: str
    entry_id: str
    by: str


@dataclass(frozen=True, slots=True)
class PatientCourse:
    """A patient (number and issuer) across cases, oldest first.

    issuers : others that hold this number; persons of their own until someone says otherwise
    radiation_days, contrast_hours : the look-back windows in force
    """

    patient: Patient
    issuers: tuple[str | None, ...]
    cases: tuple[PatientCase, ...]
    creatinines: tuple[PatientCreatinine, ...]
    elsewhere: tuple[ToldElsewhere, ...]
    time_zone: str
    radiation_days: float
    contrast_hours: float
    as_of: datetime

    @property
    def newest_case_id(self) -> str | None:
        """The case that started last, where a start is known."""
        return next((c.summary.id for c in reversed(self.cases) if c.at is not None), None)


class Patients(LedgerUser):
    """Calls about a patient rather than a case."""

    def patient_course(
        self, patient_id: str, *, patient_issuer: str | None = None, as_of: datetime | None = None
    ) -> PatientCourse:
        """Everything on record of one patient number and issuer. InputError when there is nothing.

        Where no issuer is given and only one holds the number, that one is taken.
        """
        with self.ledger.reading() as reader:
            rows = reader.cases_of_patient(patient_id=patient_id, patient_issuer=patient_issuer)
            issuers = reader.issuers_of_patient(patient_id)
            if not rows and patient_issuer is None and len(issuers) == 1:
                patient_issuer = issuers[0]
                rows = reader.cases_of_patient(patient_id=patient_id, patient_issuer=patient_issuer)
            if not rows:
                raise InputError(field="patient number", given=patient_id, accepted=_accepted(issuers))
            others = tuple(i for i in issuers if i != patient_issuer)
            return self._course(reader, rows, others, as_of or self._clock())

    def patient_issuers(self, patient_id: str) -> tuple[str, ...]:
        """The issuers that hold a patient number, sorted."""
        with self.ledger.reading() as reader:
            return reader.issuers_of_patient(patient_id)

    def tell_elsewhere(
        self, case_id: str, *, kind: str, when: str | None, text: str, actor: Actor
    ) -> Recorded:
        """Note radiotherapy, or a case of another department, with a case of the patient."""
        if kind not in KINDS_ELSEWHERE:
            raise InputError(field="what", given=kind, accepted=" or ".join(KINDS_ELSEWHERE))
        day = (when or "").strip()
        if day and not _WHEN.fullmatch(day):
            raise InputError(field="when", given=day, accepted="YYYY, YYYY-MM, YYYY-MM-DD or nothing")
        if not text.strip():
            raise InputError(field="what was given", given=text, accepted="site and dose in a few words")
        note = Note(f"{kind} ({day or WHEN_UNKNOWN}): {text.strip()}")
        with self.ledger.transaction() as tx:
            self._case_entries(tx, case_id)
            return self._append(tx, case_id, note, actor=actor)

    def _course(
        self,
        reader: LedgerReader,
        rows: tuple[CaseTotalRow, ...],
        issuers: tuple[str | None, ...],
        as_of: datetime,
    ) -> PatientCourse:
        settings = settings_for(reader)
        zone_name = settings.text("site.time_zone")
        zone = zone_named(zone_name)
        entries = {row.id: standing(reader.entries(case=row.id)) for row in rows}
        newest, _ = self.projector.case(reader, rows[-1].id)
        return PatientCourse(
            patient=newest.patient,
            issuers=issuers,
            cases=tuple(_case(row, entries[row.id]) for row in rows),
            creatinines=_creatinines(entries, zone),
            elsewhere=tuple(told for case_id, found in entries.items() for told in _told(case_id, found)),
            time_zone=zone_name,
            radiation_days=settings.number("radiation.lookback_days"),
            contrast_hours=settings.number("contrast.lookback_h"),
            as_of=as_of,
        )


def _accepted(issuers: tuple[str, ...]) -> str:
    if issuers:
        return f"a number with its issuer; this one is held by {', '.join(issuers)}"
    return "the number of a patient with a case on record"


def _case(row: CaseTotalRow, entries: Iterable[Entry]) -> PatientCase:
    at = datetime.fromisoformat(row.started_instant) if row.started_instant else None
    given = [
        entry.happened_at
        for entry in entries
        if isinstance(entry.payload, Injection)
        and entry.payload.agent is Agent.IODINATED
        and entry.payload.site is not InjectionSite.NOT_INTRAVASCULAR
    ]
    told = (row.reference_air_kerma_mgy, row.dose_area_product_gycm2, row.fluoroscopy_time_s)
    return PatientCase(
        summary=summary_of(row),
        at=at,
        contrast_at=max(given, default=at),
        has_radiation=any(value is not None for value in told),
    )


def _creatinines(entries: dict[str, tuple[Entry, ...]], zone: ZoneInfo) -> tuple[PatientCreatinine, ...]:
    """Each sample once, though several cases may hold it; the undated last."""
    found: dict[tuple[str, str, str | None], PatientCreatinine] = {}
    for case_id, of_case in entries.items():
        for entry in of_case:
            if isinstance(entry.payload, Creatinine):
                one = _creatinine(entry.payload, case_id, zone)
                found.setdefault((one.value, one.unit, one.taken_on), one)
    return tuple(sorted(found.values(), key=lambda c: (c.at is None, c.at and c.at.timestamp())))


def _creatinine(one: Creatinine, case_id: str, zone: ZoneInfo) -> PatientCreatinine:
    moment = instant_of(one.taken_on, zone) if one.taken_on else None
    at = moment.utc if moment else None
    if at is None and one.taken_on:
        at = datetime.fromisoformat(f"{one.taken_on[:10]}T12:00:00").replace(tzinfo=zone)
    return PatientCreatinine(
        value=one.value,
        unit=one.unit,
        taken_on=one.taken_on,
        at=at,
        is_day_only=moment is None,
        is_unstable=one.is_unstable,
        case_id=case_id,
    )


def _told(case_id: str, entries: Iterable[Entry]) -> list[ToldElsewhere]:
    found = []
    for entry in entries:
        match = _TOLD.fullmatch(entry.payload.text) if isinstance(entry.payload, Note) else None
        if match:
            found.append(
                ToldElsewhere(
                    kind=match[1],
                    when=match[2],
                    text=match[3],
                    case_id=case_id,
                    entry_id=entry.id,
                    by=entry.actor.name,
                )
            )
    return found
