"""The view of one case: both accounts on one clock, levels, prompts, findings and the timeline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from dosetrack.cases import Case, CaseState, telling
from dosetrack.findings import Finding
from dosetrack.kidney import (
    KidneyAssessment,
    KidneySettings,
    contrast_levels,
    contrast_lines,
    injections_ahead,
)
from dosetrack.ledger import LedgerReader
from dosetrack.radiation import (
    Forecast,
    LevelSettings,
    NextRun,
    PlaneCurve,
    RadiationAccount,
    Step,
    TimedEvent,
    TimedReading,
    UsualRate,
    beam_on,
    drivers,
    field_used,
    forecast,
    implausible,
    lane_figure,
    level_lines,
    level_settings,
    levels_reached,
    next_run,
    plane_curves,
    steps_of,
)
from dosetrack.records.entries import ConsoleReading, Entry, Injection
from dosetrack.records.levels import LevelLine, LevelReached
from dosetrack.records.report import IrradiationEvent
from dosetrack.settings import Settings
from dosetrack.skin.screening import SkinRange
from dosetrack.workflow.contrast import contrast_cases_before, kidney_now, stairs_of
from dosetrack.workflow.feed_case import feed_ages, waiting_findings
from dosetrack.workflow.listing import summary_of
from dosetrack.workflow.live_skin import skin_now
from dosetrack.workflow.projector import account_of, case_row, has_geometry
from dosetrack.workflow.prompts import prompts_of
from dosetrack.workflow.results import CaseView, Earlier, Feeds, Stair, TimelineRow
from dosetrack.workflow.settling import reconciliation_of
from dosetrack.workflow.skin_setups import calibration_of
from dosetrack.workflow.usual_rates import usual_rate_before
from dosetrack.workflow.wording import in_words

KERMA = "reference_air_kerma_mgy"
TIME = "fluoroscopy_time_s"


@dataclass(frozen=True, slots=True)
class Computed:
    """What the calculators say of a folded case."""

    radiation: RadiationAccount
    skin: SkinRange | None
    kidney: KidneyAssessment
    levels: tuple[LevelReached, ...]
    level_settings: LevelSettings
    kidney_settings: KidneySettings
    field_cm2: float | None


def compute(reader: LedgerReader, case: Case, settings: Settings, *, as_of: datetime) -> Computed:
    """Both accounts of a case and every level they have reached."""
    events = events_of(case)
    radiation = account_of(case, calibration=calibration_of(settings))
    used = field_used(events)
    field_cm2 = used.area_cm2 if used else None
    skin = skin_now(reader, case, radiation)
    kidney = kidney_now(reader, case, settings, as_of=as_of)
    ladders, kidney_settings = level_settings(settings), KidneySettings.from_settings(settings)
    skin_upper = skin.high_mgy if skin and has_geometry(events) else None
    reached = levels_reached(
        radiation,
        ladders,
        field_cm2=field_cm2,
        skin_upper_mgy=skin_upper,
        skin_basis=skin.basis if skin else "estimated",
    )
    return Computed(
        radiation=radiation,
        skin=skin,
        kidney=kidney,
        levels=(*reached, *contrast_levels(kidney, kidney_settings)),
        level_settings=ladders,
        kidney_settings=kidney_settings,
        field_cm2=field_cm2,
    )


def events_of(case: Case) -> list[IrradiationEvent]:
    """The events that count, in order of time."""
    return [timed.counted.event for timed in case.events]


def case_view(reader: LedgerReader, case: Case, settings: Settings, *, as_of: datetime) -> CaseView:
    """Everything known of `case` as of one moment."""
    computed = compute(reader, case, settings, as_of=as_of)
    zone = settings.text("site.time_zone")
    timed = [TimedEvent(t.instant, t.counted.event) for t in case.events if t.instant is not None]
    curves = plane_curves(timed, [TimedReading(s.at, s.value) for s in telling(case.readings)])
    strips = beam_on(timed)
    stairs = stairs_of(case)
    is_live = case.state is CaseState.RUNNING
    usual = usual_rate_before(reader, case) if is_live else None
    return CaseView(
        case=case,
        position=reader.position(),
        as_of=as_of,
        time_zone=zone,
        settings=settings,
        radiation=computed.radiation,
        skin=computed.skin,
        curves=curves,
        beam_on=strips,
        radiation_lines=_radiation_lines(computed),
        radiation_forecast=_radiation_forecast(computed, curves, usual, now=as_of) if is_live else None,
        kidney=computed.kidney,
        stairs=stairs,
        contrast_lines=contrast_lines(computed.kidney, computed.kidney_settings),
        contrast_forecast=_contrast_forecast(computed, stairs, now=as_of) if is_live else None,
        injections_ahead=injections_ahead(computed.kidney, _neat_volumes(stairs)) if is_live else None,
        levels=computed.levels,
        prompts=prompts_of(case),
        reconciliation=reconciliation_of(case, computed.radiation),
        next_run=_next_run(computed, timed, stairs, now=as_of) if is_live else None,
        drivers=drivers(events_of(case)),
        feeds=_feeds(case, settings, as_of=as_of),
        findings=_findings(case, computed),
        timeline=timeline_of(case.entries),
        earlier=earlier_of(
            reader,
            settings,
            patient_id=case.patient.id,
            patient_issuer=case.patient.id_issuer,
            before=case.started_instant or as_of,
            leaving_out=case.id,
        ),
        summary=summary_of(case_row(case)),
    )


def _radiation_lines(computed: Computed) -> tuple[LevelLine, ...]:
    figure = lane_figure(computed.radiation)
    quantity, value = (figure[0], figure[1].value) if figure else (KERMA, None)
    return level_lines(quantity, value, computed.level_settings, field_cm2=computed.field_cm2)


def _radiation_forecast(
    computed: Computed, curves: Sequence[PlaneCurve], usual: UsualRate | None, *, now: datetime
) -> Forecast | None:
    """Of the worst plane's reference air kerma to its next level."""
    worst = computed.radiation.worst_plane
    if worst is None or worst.reference_air_kerma_mgy.higher is None:
        return None
    curve = next((c for c in curves if c.plane == worst.plane), None)
    value = worst.reference_air_kerma_mgy.higher.value
    ahead = [line for line in _radiation_lines(computed) if line.value > value]
    if curve is None or not ahead:
        return None
    return forecast(
        steps_of(curve, KERMA),
        value=value,
        level=ahead[0],
        now=now,
        fluoroscopy=steps_of(curve, TIME),
        usual=usual,
    )


def _next_run(
    computed: Computed, timed: Sequence[TimedEvent], stairs: Sequence[Stair], *, now: datetime
) -> NextRun:
    worst = computed.radiation.worst_plane
    plane = worst.plane if worst and worst.plane != "all" else None
    return next_run(timed, _injected(stairs), plane=plane, now=now)


def _contrast_forecast(computed: Computed, stairs: Sequence[Stair], *, now: datetime) -> Forecast | None:
    used = computed.kidney.given.used_neat_ml
    lines = contrast_lines(computed.kidney, computed.kidney_settings)
    ahead = [line for line in lines if line.value > used and line.tier != "approaching"]
    if not ahead:
        return None
    return forecast(_injected(stairs), value=used, level=ahead[0], now=now)


def _injected(stairs: Sequence[Stair]) -> list[Step]:
    """What each counted injection added, undiluted [mL]."""
    volumes = _neat_volumes(stairs)
    return [Step(stair.at, volume) for stair, volume in zip(stairs, volumes, strict=True) if volume > 0]


def _neat_volumes(stairs: Sequence[Stair]) -> list[float]:
    """Undiluted contrast of each injection; 0 for what counts as none [mL]."""
    totals = [0.0, *(stair.neat_ml for stair in stairs)]
    return [after - before for before, after in pairwise(totals)]


def _feeds(case: Case, settings: Settings, *, as_of: datetime) -> Feeds:
    readings = [s.at for s in case.readings]
    times = [e.recorded_at for e in case.entries if isinstance(e.payload, ConsoleReading | Injection)]
    times += list(case.report_times)
    last = max(times, default=case.opened_at)
    silent_after = timedelta(seconds=settings.number("room.stale_after_s"))
    return Feeds(
        last_reading_at=max(readings, default=None),
        last_report_at=max(case.report_times, default=None),
        last_entry_at=last,
        is_stale=case.state is CaseState.RUNNING and last is not None and as_of - last > silent_after,
        ages=feed_ages(case),
    )


def _findings(case: Case, computed: Computed) -> tuple[Finding, ...]:
    waiting = waiting_findings(case)
    found = (*case.findings, *waiting, *implausible(computed.radiation), *computed.kidney.findings)
    return tuple(dict.fromkeys(found))


def timeline_of(entries: Sequence[Entry]) -> tuple[TimelineRow, ...]:
    """The entries of a case in words, in ledger order."""
    replaced_by = {entry.replaces: entry.id for entry in entries if entry.replaces}
    return tuple(
        TimelineRow(
            entry_id=entry.id,
            seq=entry.seq,
            kind=entry.kind,
            at=entry.happened_at,
            recorded_at=entry.recorded_at,
            by=entry.actor,
            text=in_words(entry.payload),
            reason=entry.reason,
            replaces=entry.replaces,
            replaced_by=replaced_by.get(entry.id),
        )
        for entry in entries
    )


def earlier_of(
    reader: LedgerReader,
    settings: Settings,
    *,
    patient_id: str | None,
    patient_issuer: str | None,
    before: datetime,
    leaving_out: str | None = None,
) -> Earlier:
    """What the patient received before `before`: cases with radiation, cases with contrast."""
    days = settings.number("radiation.lookback_days")
    hours = settings.number("contrast.lookback_h")
    if patient_id is None:
        return Earlier(radiation=(), radiation_days=days, contrast_cases=(), contrast_hours=hours)
    rows = reader.cases_of_patient(patient_id=patient_id, patient_issuer=patient_issuer)
    start = before - timedelta(days=days)
    radiation = [
        row
        for row in rows
        if row.id != leaving_out
        and row.started_instant
        and start <= datetime.fromisoformat(row.started_instant) < before
    ]
    contrast = contrast_cases_before(
        reader,
        patient_id=patient_id,
        patient_issuer=patient_issuer,
        before=before,
        hours=hours,
        leaving_out=leaving_out,
    )
    return Earlier(
        radiation=tuple(map(summary_of, radiation)),
        radiation_days=days,
        contrast_cases=tuple(map(summary_of, contrast)),
        contrast_hours=hours,
    )
