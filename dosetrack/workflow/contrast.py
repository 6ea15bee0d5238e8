"""The contrast account of a case: what was given, before and now, against this patient's limits."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from dosetrack.cases import Case, Stamped
from dosetrack.errors import InputError
from dosetrack.kidney import (
    ContrastGiven,
    EarlierContrast,
    KidneyAssessment,
    KidneySettings,
    RenalInput,
    age_years_on,
    assess,
    case_site,
    contrast_totals,
)
from dosetrack.ledger import CaseTotalRow, LedgerReader
from dosetrack.records.entries import Creatinine, InjectionSite, Knowledge
from dosetrack.settings import Settings
from dosetrack.times import zone_named
from dosetrack.workflow.projector import extras_of
from dosetrack.workflow.results import Stair


def kidney_of(
    case: Case,
    *,
    earlier_cases: tuple[CaseTotalRow, ...],
    settings: Settings,
    zone: ZoneInfo,
    as_of: datetime,
) -> KidneyAssessment:
    """The kidney assessment of a case with what it received so far."""
    given = ContrastGiven(
        now=contrast_totals([s.value for s in case.injections]),
        earlier=_earlier(case, earlier_cases),
    )
    return assess(
        _renal_input(case, settings=settings, zone=zone, as_of=as_of),
        given,
        KidneySettings.from_settings(settings),
    )


def kidney_now(reader: LedgerReader, case: Case, settings: Settings, *, as_of: datetime) -> KidneyAssessment:
    """The kidney assessment of a case, contrast of the look-back window included."""
    return kidney_of(
        case,
        earlier_cases=contrast_cases_before(
            reader,
            patient_id=case.patient.id,
            patient_issuer=case.patient.id_issuer,
            before=case.started_instant or as_of,
            hours=settings.number("contrast.lookback_h"),
            leaving_out=case.id,
        ),
        settings=settings,
        zone=zone_named(settings.text("site.time_zone")),
        as_of=as_of,
    )


def stairs_of(case: Case) -> tuple[Stair, ...]:
    """The injections in order of time, with the totals after each."""
    given = [s.value for s in case.injections]
    stairs = []
    for count, stamped in enumerate(case.injections, start=1):
        totals = contrast_totals(given[:count])
        stairs.append(
            Stair(
                at=stamped.at,
                entry_id=stamped.entry_id,
                injection=stamped.value,
                contrast_ml=totals.contrast_ml,
                neat_ml=totals.neat_ml,
                iodine_g=totals.iodine_g,
                by=stamped.by.name,
            )
        )
    return tuple(stairs)


def contrast_cases_before(
    reader: LedgerReader,
    *,
    patient_id: str | None,
    patient_issuer: str | None,
    before: datetime,
    hours: float,
    leaving_out: str | None = None,
) -> tuple[CaseTotalRow, ...]:
    """Cases of the patient with contrast inside the look-back window before `before`."""
    if patient_id is None:
        return ()
    rows = reader.cases_of_patient(patient_id=patient_id, patient_issuer=patient_issuer)
    start = before - timedelta(hours=hours)
    return tuple(
        row
        for row in rows
        if row.id != leaving_out
        and row.contrast_ml
        and row.started_instant
        and start <= datetime.fromisoformat(row.started_instant) < before
    )


def _renal_input(case: Case, *, settings: Settings, zone: ZoneInfo, as_of: datetime) -> RenalInput:
    moment = case.started_instant or case.opened_at or as_of
    day = moment.astimezone(zone).date()
    patient = case.patient
    try:
        age = age_years_on(patient.birth_date, day) if patient.birth_date else None
    except InputError:
        age = None  # a birth date that cannot be read is a birth date not known
    told = case.opening.value.injection_site if case.opening else InjectionSite.UNKNOWN
    sites = [told if s.value.site is InjectionSite.UNKNOWN else s.value.site for s in case.injections]
    return RenalInput(
        on=day,
        sex=patient.sex,
        age_years=age,
        creatinine=creatinine_for(case.creatinines, day=day),
        weight_kg=patient.weight_kg,
        height_cm=patient.height_cm,
        site=case_site(sites) if sites else told,
        concentration_mgi_ml=_concentration(case, settings),
        dialysis=case.renal.dialysis,
        passes_urine=case.renal.passes_urine,
        is_creatinine_unstable=case.renal.is_creatinine_unstable,
        is_inpatient=case.renal.is_inpatient,
        is_old_creatinine_confirmed=case.renal.is_old_creatinine_confirmed,
    )


def creatinine_for(samples: tuple[Stamped[Creatinine], ...], *, day: date) -> Creatinine | None:
    """The sample taken last, up to the day of the case; a later one only where there is no other.

    Among samples without a date the one entered last counts. A creatinine after the case is a
    follow-up and says nothing of the limits before it.
    """
    until = [s for s in samples if (s.value.taken_on or "")[:10] <= day.isoformat()]
    newest = max(until or samples, key=lambda s: (s.value.taken_on or "", s.at, s.seq), default=None)
    return newest.value if newest else None


def _concentration(case: Case, settings: Settings) -> float | None:
    """Of the product now in use: the last injection's, else the form's, else the room's."""
    for stamped in reversed(case.injections):
        if stamped.value.concentration_mgi_ml is not None:
            return stamped.value.concentration_mgi_ml
    if case.opening and case.opening.value.concentration_mgi_ml is not None:
        return case.opening.value.concentration_mgi_ml
    return settings.number_or_none("room.concentration_mgi_ml")


def _earlier(case: Case, rows: tuple[CaseTotalRow, ...]) -> EarlierContrast:
    """Contrast before this case: told by a person, and on record here; both count."""
    told = case.opening.value if case.opening else None
    knowledge = told.earlier_contrast if told else Knowledge.UNKNOWN
    if not rows:
        if told is None or knowledge is not Knowledge.YES:
            return EarlierContrast(knowledge=knowledge)
        return EarlierContrast(
            knowledge=knowledge, neat_ml=told.earlier_contrast_ml, iodine_g=told.earlier_iodine_g
        )
    volumes = [extras_of(row).neat_ml for row in rows]
    iodine = [row.iodine_g for row in rows]
    if told is not None and knowledge is Knowledge.YES:
        volumes.append(told.earlier_contrast_ml)
        iodine.append(told.earlier_iodine_g)
    return EarlierContrast(
        knowledge=Knowledge.YES,
        neat_ml=_sum_or_none(volumes),
        iodine_g=_sum_or_none(iodine),
        given_at=tuple(row.started_at for row in rows if row.started_at),
    )


def _sum_or_none(values: list[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) if len(known) == len(values) else None
