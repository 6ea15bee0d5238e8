"""What the ledger's case rows hold: worked out from entries and originals, and from nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from zoneinfo import ZoneInfo

from dosetrack.alerts import PromptWait, prompt_waits
from dosetrack.cases import Case, CaseState, fold, report_digests, standing, telling
from dosetrack.kidney import ContrastTotals, contrast_totals
from dosetrack.ledger import CaseTotalRow, LedgerReader, PlaneDose, StoredEvent, Transaction
from dosetrack.ledger.codec import from_json, to_json
from dosetrack.radiation import (
    RadiationAccount,
    Tally,
    field_used,
    kerma_per_fluoroscopy_minute,
    radiation_account,
)
from dosetrack.readers import read_report
from dosetrack.records.entries import Entry, ReportMoved, ReportReceived
from dosetrack.records.report import DoseReport, IrradiationEvent
from dosetrack.settings import Settings
from dosetrack.skin.screening import estimated_skin_range, rough_geometry
from dosetrack.times import instant_of, local_day, zone_named
from dosetrack.workflow.case_memory import CaseMemory
from dosetrack.workflow.follow_up_rows import items_of, rows_of
from dosetrack.workflow.last_used import LastUsed
from dosetrack.workflow.prompts import prompts_of
from dosetrack.workflow.settling import AuditValue, audit_values
from dosetrack.workflow.site import settings_for

PROJECTOR_VERSION = 3
_REPORTS_KEPT_IN_MEMORY = 64


@dataclass(frozen=True, slots=True)
class CaseExtras:
    """What the case row carries beyond its columns, for lists and the audit.

    neat_ml : undiluted contrast in what was given [mL]
    field_cm2 : DAP-weighted collimated field that scales the DAP levels
    skin_low_mgy, skin_high_mgy : estimated range of peak skin dose
    has_geometry : the estimate rests on beam angles, not on assumed ones alone
    frames : acquisition frames summed over the events, None when no event tells
    for_audit : totals that the audit takes otherwise than the columns tell
    prompt_waits : how long each prompt waited for a screen and for an answer
    kerma_per_fluoroscopy_minute_mgy : of the worst plane, its acquisitions included
    scheduled_key : of the scheduled procedure it was opened from
    """

    weight_kg: float | None = None
    height_cm: float | None = None
    sex: str | None = None
    birth_date: str | None = None
    neat_ml: float | None = None
    prompts: int = 0
    prompts_answered: int = 0
    injections: int = 0
    readings: int = 0
    mismatches: int = 0
    fluoroscopy_dose_area_product_gycm2: float | None = None
    acquisition_dose_area_product_gycm2: float | None = None
    frames: float | None = None
    field_cm2: float | None = None
    skin_low_mgy: float | None = None
    skin_high_mgy: float | None = None
    has_geometry: bool = False
    for_audit: tuple[AuditValue, ...] = ()
    prompt_waits: tuple[PromptWait, ...] = ()
    kerma_per_fluoroscopy_minute_mgy: float | None = None
    scheduled_key: str | None = None


class CaseProjector:
    """Puts reports, events and the row of a case; see `dosetrack.ledger.Projector`.

    Reports are immutable and named by the digest of their bytes, so the last ones read are kept
    in memory: a running case folds many times.
    """

    version = PROJECTOR_VERSION

    def __init__(self) -> None:
        self._reports: LastUsed[str, DoseReport] = LastUsed(_REPORTS_KEPT_IN_MEMORY)
        self._memory = CaseMemory()

    def project_case(self, tx: Transaction, case_id: str) -> None:
        """Project `case_id` from the beginning (its projections are gone)."""
        entries = tx.entries(case=case_id)
        for entry in standing(entries):
            if isinstance(entry.payload, ReportReceived | ReportMoved):
                self._read_again(tx, case_id, entry.payload.sha256, seq=entry.seq)
        self.refresh(tx, case_id, entries=entries, is_report_new=True)

    def put_report(self, tx: Transaction, report: DoseReport, *, case_id: str, seq: int) -> None:
        """Put a report with its events into a case; `refresh` then settles which events count."""
        zone = _zone(settings_for(tx))
        tx.put_report(report, case_id=case_id, seq=seq)
        self._reports.remember(report.sha256, report)
        tx.put_events(report.sha256, _stored(report, counted=None, zone=zone))

    def refresh(
        self,
        tx: Transaction,
        case_id: str,
        *,
        entries: Sequence[Entry] | None = None,
        is_report_new: bool = False,
    ) -> Case:
        """Fold the case again and put its row; its events too when a report came or went."""
        case, settings = self.case(tx, case_id, entries=entries)
        tx.folded[case_id] = (case, settings)
        if is_report_new:
            _settle_events(tx, case, _zone(settings))
        if case.state is CaseState.EMPTY:
            tx.clear_case(case_id)
        else:
            tx.put_case_total(case_row(case))
            tx.put_follow_up(case_id, rows_of(items_of(tx, case)))
        return case

    def case_now(self, tx: Transaction, case_id: str) -> Case:
        """The folded case inside a transaction; not folded again where nothing came since."""
        newest = next((entry.seq for entry in reversed(tx.appended) if entry.case == case_id), 0)
        held: tuple[Case, Settings] | None = tx.folded.get(case_id)
        if held is not None and held[0].entries and held[0].entries[-1].seq >= newest:
            return held[0]
        return self.case(tx, case_id)[0]

    def case(
        self, reader: LedgerReader, case_id: str, *, entries: Sequence[Entry] | None = None
    ) -> tuple[Case, Settings]:
        """The folded case and the settings of its room and procedure."""
        is_from_ledger = entries is None
        entries = self._memory.entries(reader, case_id) if entries is None else entries
        digests = report_digests(entries)
        reports = {s: r for s in digests if (r := self._report(reader, s)) is not None}
        site = settings_for(reader)

        def folded(zone: ZoneInfo) -> Case:
            room_of = site.pairs("site.rooms")

            def make() -> Case:
                return fold(case_id, entries, reports, room_of=room_of, zone=zone)

            if not is_from_ledger:
                return make()
            others = (tuple(reports), tuple(room_of.items()), zone.key)
            return self._memory.folded(case_id, entries, others, make)

        first = folded(_zone(site))
        settings = settings_for(reader, room=first.room, procedure=first.procedure)
        if settings.text("site.time_zone") == site.text("site.time_zone"):
            return first, settings
        return folded(_zone(settings)), settings

    def _report(self, reader: LedgerReader, sha256: str) -> DoseReport | None:
        """The report with this digest, from memory or from the ledger; a report never changes."""
        found = self._reports.get(sha256) or reader.report(sha256)
        if found is not None:
            self._reports.remember(sha256, found)
        return found

    def _read_again(self, tx: Transaction, case_id: str, sha256: str, *, seq: int) -> None:
        original = tx.original_row(sha256)
        if original is not None:  # deleted with the person's data
            report = read_report(tx.original(sha256), file=original.file)
            self.put_report(tx, report, case_id=case_id, seq=seq)


def _zone(settings: Settings) -> ZoneInfo:
    return zone_named(settings.text("site.time_zone"))


def _settle_events(tx: Transaction, case: Case, zone: ZoneInfo) -> None:
    """Mark the events that do not count: repeated by another report, or twice in one."""
    counted = {(t.counted.report_sha256, t.counted.order) for t in case.events}
    listed = sum(len(report.events) for report in case.reports)
    if len(counted) == listed and len(case.reports) == 1:
        return  # as put on arrival
    for report in case.reports:
        tx.settle_events(report.sha256, _stored(report, counted=counted, zone=zone))


def _stored(report: DoseReport, *, counted: set[tuple[str, int]] | None, zone: ZoneInfo) -> list[StoredEvent]:
    """The events of a report as rows; `counted` None: all of them count as far as is known."""
    return [
        StoredEvent(
            event=event,
            is_counted=counted is None or (report.sha256, order) in counted,
            instant_utc=_instant_text(event.started_at, zone),
        )
        for order, event in enumerate(report.events)
    ]


@lru_cache(maxsize=16384)  # cumulative reports tell the same events again
def _instant_text(text: str | None, zone: ZoneInfo) -> str | None:
    found = instant_of(text, zone) if text else None
    return found.utc.isoformat(timespec="milliseconds") if found else None


def account_of(case: Case, *, calibration: dict[str, float] | None = None) -> RadiationAccount:
    """The radiation account of a folded case."""
    return radiation_account(
        [t.counted.event for t in case.events],
        case.stated,
        [s.value for s in telling(case.readings)],
        calibration=calibration,
    )


def has_geometry(events: Sequence[IrradiationEvent]) -> bool:
    """Whether any beam's angle is known.

    Without one the skin range is air kerma times a constant, and its levels would tell the same
    fact twice.
    """
    return any(event.primary_angle_deg is not None for event in events)


def case_row(case: Case) -> CaseTotalRow:
    """The row of a folded case. Totals are as displayed, not calibration-corrected."""
    account = account_of(case)
    contrast = contrast_totals([s.value for s in case.injections])
    patient = case.patient
    return CaseTotalRow(
        id=case.id,
        state=case.state.value,  # type: ignore[arg-type]  # EMPTY has no row
        patient_id=patient.id,
        patient_issuer=patient.id_issuer,
        accession_number=_accession(case),
        room=case.room,
        procedure=case.procedure,
        operators=case.operators,
        started_at=case.started_at,
        started_instant=case.started_instant.isoformat() if case.started_instant else None,
        ended_at=case.ended_at.isoformat() if case.ended_at else None,
        day=local_day(case.started_at),
        reports=len(case.reports),
        events=len(case.events),
        dose_area_product_gycm2=_displayed(account.dose_area_product_gycm2),
        reference_air_kerma_mgy=_displayed(account.reference_air_kerma_sum_mgy),
        by_plane=tuple(
            PlaneDose(
                plane=p.plane,
                reference_air_kerma_mgy=_displayed(p.reference_air_kerma_mgy),
                dose_area_product_gycm2=_displayed(p.dose_area_product_gycm2),
            )
            for p in account.planes
        ),
        fluoroscopy_time_s=_displayed(account.fluoroscopy_time_s),
        contrast_ml=contrast.contrast_ml if case.injections else None,
        iodine_g=contrast.iodine_g if case.injections else None,
        findings=case.findings,
        summary=to_json(_extras(case, account, contrast)),
    )


def extras_of(row: CaseTotalRow) -> CaseExtras:
    """What the row carries beyond its columns."""
    return from_json(CaseExtras, row.summary) if row.summary else CaseExtras()


def _displayed(tally: Tally) -> float | None:
    return tally.displayed.value if tally.displayed else None


def _accession(case: Case) -> str | None:
    if case.opening and case.opening.value.accession_number:
        return case.opening.value.accession_number
    return next((r.report.accession_number for r in case.reports if r.report.accession_number), None)


def _extras(case: Case, account: RadiationAccount, contrast: ContrastTotals) -> CaseExtras:
    answered = {s.value.prompt_id for s in case.answers}
    frames = [
        t.counted.event.frames
        for t in case.events
        if t.counted.event.type != "fluoroscopy" and t.counted.event.frames is not None
    ]
    events = [t.counted.event for t in case.events]
    used = field_used(events)
    skin = estimated_skin_range(account, rough_geometry(events))
    fluoroscopy = account.fluoroscopy.dose_area_product_gycm2
    acquisition = account.acquisition.dose_area_product_gycm2
    return CaseExtras(
        weight_kg=case.patient.weight_kg,
        height_cm=case.patient.height_cm,
        sex=case.patient.sex,
        birth_date=case.patient.birth_date,
        neat_ml=contrast.neat_ml if case.injections else None,
        prompts=len(case.prompts),
        prompts_answered=sum(1 for s in case.prompts if s.value.prompt_id in answered),
        injections=contrast.injections,
        readings=len(case.readings),
        mismatches=sum(1 for f in case.findings if f.code == "totals-differ"),
        fluoroscopy_dose_area_product_gycm2=fluoroscopy.value if fluoroscopy else None,
        acquisition_dose_area_product_gycm2=acquisition.value if acquisition else None,
        frames=sum(frames) if frames else None,
        field_cm2=used.area_cm2 if used else None,
        skin_low_mgy=skin.low_mgy if skin else None,
        skin_high_mgy=skin.high_mgy if skin else None,
        has_geometry=has_geometry(events),
        for_audit=audit_values(case, account),
        prompt_waits=prompt_waits(prompts_of(case)),
        kerma_per_fluoroscopy_minute_mgy=kerma_per_fluoroscopy_minute(account),
        scheduled_key=case.opening.value.scheduled_key if case.opening else None,
    )
