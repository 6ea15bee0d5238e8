"""Day, zone, settings and contrast of a folded case, as its follow-up takes them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from dosetrack.cases import Case, standing
from dosetrack.errors import InputError
from dosetrack.followup import (
    InjuryFacts,
)
from dosetrack.kidney import age_years_on
from dosetrack.ledger import LedgerReader
from dosetrack.records.entries import Agent, CaseOpened, Injection, InjectionSite, Knowledge, RenalStatus
from dosetrack.settings import Settings
from dosetrack.times import zone_named
from dosetrack.workflow.site import settings_for


def settings_of_day(reader: LedgerReader, case: Case) -> Settings:
    """The settings in force for the case's room and procedure on its day."""
    day = None if case.started_at is None else case.started_at[:10]
    return settings_for(reader, room=case.room, procedure=case.procedure, day=day)


def zone_of(settings: Settings) -> ZoneInfo:
    """The site's zone for the room."""
    return zone_named(settings.text("site.time_zone"))


def performed_on(case: Case, zone: ZoneInfo) -> date | None:
    """The local day of the case; None where it is not known."""
    moment = case.started_instant or case.opened_at or case.ended_at
    if case.started_at:
        try:
            return date.fromisoformat(case.started_at[:10])
        except ValueError:
            pass
    return moment.astimezone(zone).date() if moment else None


def ended_at_of(case: Case) -> datetime | None:
    """When the case ended: as recorded, else its last event, else its start."""
    last = max((t.instant for t in case.events if t.instant is not None), default=None)
    return case.ended_at or last or case.started_instant or case.opened_at


def injury_facts_of(case: Case, settings: Settings) -> InjuryFacts | None:
    """What staging kidney injury needs; None where no iodinated contrast was given into the blood."""
    given = contrast_times(case)
    if not given:
        return None
    patient, zone = case.patient, zone_of(settings)
    day = given[0].astimezone(zone).date()
    try:
        age = age_years_on(patient.birth_date, day) if patient.birth_date else None
    except InputError:
        age = None
    return InjuryFacts(
        series=tuple(s.value for s in case.creatinines),
        first_contrast_at=given[0],
        last_contrast_at=given[-1],
        zone=zone,
        age_years=age,
        height_cm=patient.height_cm,
        was_on_dialysis=_dialysis_before(case, given[0]),
        dialysis_started=_dialysis_after(case, given[-1]),
    )


def _dialysis_before(case: Case, first: datetime) -> bool:
    """As told up to the first contrast and an hour of typing after it; else as told at any time."""
    told = _dialysis_told(case)
    before = [value for at, value in told if at <= first + timedelta(hours=1)]
    return before[-1] is Knowledge.YES if before else False


def _dialysis_after(case: Case, last: datetime) -> bool:
    told = _dialysis_told(case)
    return bool(told) and told[-1][1] is Knowledge.YES and told[-1][0] > last + timedelta(hours=1)


def _dialysis_told(case: Case) -> list[tuple[datetime, Knowledge]]:
    told = [
        (entry.happened_at, entry.payload.dialysis)
        for entry in standing(case.entries)
        if isinstance(entry.payload, CaseOpened | RenalStatus)
        and entry.payload.dialysis is not Knowledge.UNKNOWN
    ]
    return sorted(told, key=lambda one: one[0])


def contrast_times(case: Case) -> list[datetime]:
    """When iodinated contrast went into the blood, in UTC and in order."""
    return sorted(s.at.astimezone(UTC) for s in case.injections if _is_into_blood(s.value))


def _is_into_blood(injection: Injection) -> bool:
    return (
        injection.agent is Agent.IODINATED
        and injection.site is not InjectionSite.NOT_INTRAVASCULAR
        and injection.volume_ml > 0
        and injection.contrast_fraction > 0
    )
