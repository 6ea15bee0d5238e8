"""What the follow-up rules are told of an ended case: gathered from the account, maps and earlier cases."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

from dosetrack.cases import Case
from dosetrack.errors import InputError
from dosetrack.followup import (
    Amount,
    EarlierCase,
    KidneyFacts,
    PlaneKerma,
    SkinDose,
    SkinFacts,
    kidney_facts,
)
from dosetrack.ledger import CaseTotalRow, LedgerReader
from dosetrack.ledger.codec import from_json
from dosetrack.radiation import Figure, Tally, field_used
from dosetrack.radiation.field import dap_scale
from dosetrack.settings import Settings
from dosetrack.skin.screening import estimated_skin_range, rough_geometry
from dosetrack.workflow.contrast import kidney_now
from dosetrack.workflow.follow_up_case import contrast_times, ended_at_of, performed_on, zone_of
from dosetrack.workflow.projector import account_of
from dosetrack.workflow.results import AccumulatedSkin, SkinResult
from dosetrack.workflow.skin_jobs import job_of
from dosetrack.workflow.skin_setups import calibration_of
from dosetrack.workflow.skin_window import earlier_rows, window_digest, window_key, window_of

_MAP, _ACCUMULATED, _ESTIMATED = "map", "accumulated map", "estimated"


def skin_facts_of(reader: LedgerReader, case: Case, settings: Settings) -> SkinFacts | None:
    """The facts for the skin; None where the day of the case is not known.

    Maps are those kept in the ledger and made from just what would go into them now.
    """
    on = performed_on(case, zone_of(settings))
    if on is None:
        return None
    account = account_of(case, calibration=calibration_of(settings))
    events = [timed.counted.event for timed in case.events]
    used = field_used(events)
    screening = estimated_skin_range(account, rough_geometry(events))
    window = kept_window(reader, case, settings)
    return SkinFacts(
        performed_on=on,
        planes=tuple(PlaneKerma(p.plane, _amount(p.reference_air_kerma_mgy)) for p in account.planes),
        reference_air_kerma_sum_mgy=_amount(account.reference_air_kerma_sum_mgy),
        dose_area_product_gycm2=_amount(account.dose_area_product_gycm2),
        dap_scale=dap_scale(used.area_cm2 if used else None),
        field_cm2=used.area_cm2 if used else None,
        fluoroscopy_time_s=_amount(account.fluoroscopy_time_s),
        skin_map=_skin_dose(kept_map(reader, case)),
        screening=None
        if screening is None
        else SkinDose(_ESTIMATED, low_mgy=screening.low_mgy, high_mgy=screening.high_mgy),
        earlier=tuple(_earlier(row, window) for row in earlier_rows(reader, case, settings)),
        accumulated=_skin_dose(window.result, _ACCUMULATED) if window else None,
        accumulated_cases=frozenset(window.cases) if window else frozenset(),
        accumulated_long=_skin_dose(window.long_result, _ACCUMULATED) if window else None,
    )


def kept_map(reader: LedgerReader, case: Case) -> SkinResult | None:
    """The kept result of the case's map, if it still holds."""
    if not reader.has_skin_result(case.id):
        return None
    try:
        made_from = job_of(reader, case).made_from
    except InputError:  # table axes that contradict each other: there is no map
        return None
    kept = reader.skin_result(case.id, made_from=made_from)
    return from_json(SkinResult, kept) if kept else None


def kept_window(reader: LedgerReader, case: Case, settings: Settings) -> AccumulatedSkin | None:
    """The kept map of this and the earlier cases of the window, if it still holds."""
    if not reader.has_skin_result(window_key(case.id)):
        return None
    made_from = window_digest(reader, window_of(reader, case, settings))
    kept = reader.skin_result(window_key(case.id), made_from=made_from) if made_from else None
    return from_json(AccumulatedSkin, kept) if kept else None


def _earlier(row: CaseTotalRow, window: AccumulatedSkin | None) -> EarlierCase:
    kerma = row.reference_air_kerma_mgy
    same_site = {one.case_id: one.peak_mgy for one in window.same_site} if window else {}
    return EarlierCase(
        case_id=row.id,
        performed_on=date.fromisoformat(row.day or date.min.isoformat()),
        reference_air_kerma_mgy=None if kerma is None else Amount(kerma, "displayed"),
        same_site_peak_mgy=same_site.get(row.id),
    )


def _amount(tally: Tally) -> Amount | None:
    figure: Figure | None = tally.higher
    return None if figure is None else Amount(figure.value, figure.basis, figure.is_complete)


def _skin_dose(result: SkinResult | None, basis: str = _MAP) -> SkinDose | None:
    if result is None or result.peak_mgy is None:
        return None
    return SkinDose(
        basis,
        low_mgy=result.low_mgy,
        high_mgy=result.high_mgy,
        peak_mgy=result.peak_mgy,
        site=result.site,
        mapped_fraction=result.mapped_fraction,
    )


# kidney ------------------------------------------------------------------------------------------


def _as_before(case: Case, zone: ZoneInfo) -> Case:
    """`case` without the creatinines taken after its day: those tell what came of it."""
    day = performed_on(case, zone)
    if day is None:
        return case
    known = tuple(s for s in case.creatinines if (s.value.taken_on or "")[:10] <= day.isoformat())
    return replace(case, creatinines=known)


def kidney_facts_of(reader: LedgerReader, case: Case, settings: Settings) -> KidneyFacts | None:
    """The facts for the kidneys; None where no time of the case is known."""
    zone = zone_of(settings)
    ended = ended_at_of(case)
    if ended is None:
        return None
    assessment = kidney_now(reader, _as_before(case, zone), settings, as_of=ended)
    given = contrast_times(case)
    return kidney_facts(
        assessment,
        ended_at=ended,
        zone=zone,
        is_contrast_entered=bool(case.injections),
        last_contrast_at=given[-1] if given else None,
    )
