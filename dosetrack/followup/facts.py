"""What the follow-up rules need to know of an ended case; None is 'not known', never zero.

The caller gathers these from the account, the maps, the kidney assessment and the earlier cases.
The rules read no ledger, no clock and no file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from dosetrack.kidney import FiltrationRow, KidneyAssessment
from dosetrack.records.entries import Creatinine, InjectionSite, Knowledge


@dataclass(frozen=True, slots=True)
class Amount:
    """A number that levels read: the higher of stated, summed and typed, displayed and corrected.

    value : in the unit of the quantity's name
    basis : 'stated', 'summed', 'typed' or 'corrected'; joined by ' + ' where planes differ
    is_complete : False when a part is missing, so that the value is 'at least'
    """

    value: float
    basis: str
    is_complete: bool = True


@dataclass(frozen=True, slots=True)
class PlaneKerma:
    """Reference air kerma of one plane [mGy]: 'single', 'a', 'b', or 'all' where none are told apart."""

    plane: str
    reference_air_kerma_mgy: Amount | None


@dataclass(frozen=True, slots=True)
class SkinDose:
    """Peak skin dose with its range [mGy].

    basis : 'map', 'accumulated map', or 'estimated' from air kerma alone
    peak_mgy : None where only a range is known
    site : of the peak, in words
    mapped_fraction : part of the air kerma that the map places, 0 to 1
    bound_mgy : the peak if all that could not be placed had met it; None: not worked out
    """

    basis: str
    low_mgy: float | None = None
    high_mgy: float | None = None
    peak_mgy: float | None = None
    site: str | None = None
    mapped_fraction: float | None = None
    bound_mgy: float | None = None


@dataclass(frozen=True, slots=True)
class EarlierCase:
    """An earlier case of the same patient.

    performed_on : local day of the case
    reference_air_kerma_mgy : of the worst plane, or the labelled sum where its planes may overlap
    same_site_peak_mgy : peak of its own map on the skin that the present case irradiates; None: no
        map, or other skin
    """

    case_id: str
    performed_on: date
    reference_air_kerma_mgy: Amount | None = None
    same_site_peak_mgy: float | None = None


@dataclass(frozen=True, slots=True)
class SkinFacts:
    """What the skin rules need.

    performed_on : local day of the case, from which contacts are counted
    reference_air_kerma_sum_mgy : the labelled sum over planes; no level reads it alone
    planes_may_overlap : False only where the beams are known to meet different skin
    dap_scale : factor on the published DAP level, at most 1; field_cm2 : the field it came from
    skin_map, screening : peak by map, and the range from air kerma alone; a map without its peak counts
        as none
    earlier : every earlier case known; the rules choose those in the window
    accumulated : peak of the summed maps over the window, this case included; accumulated_cases : ids
        of the earlier cases in that sum
    accumulated_long : the same over the window of the dated 15 Gy rule; only where that is on
    """

    performed_on: date
    planes: tuple[PlaneKerma, ...] = ()
    reference_air_kerma_sum_mgy: Amount | None = None
    planes_may_overlap: bool = True
    dose_area_product_gycm2: Amount | None = None
    dap_scale: float = 1.0
    field_cm2: float | None = None
    fluoroscopy_time_s: Amount | None = None
    skin_map: SkinDose | None = None
    screening: SkinDose | None = None
    earlier: tuple[EarlierCase, ...] = ()
    accumulated: SkinDose | None = None
    accumulated_cases: frozenset[str] = frozenset()
    accumulated_long: SkinDose | None = None


@dataclass(frozen=True, slots=True)
class CeilingReached:
    """A published contrast limit that the case reached.

    contrast_ml, limit_ml : undiluted volume used and limit [mL]; None where only iodine is known
    iodine_g, limit_iodine_g : the same as iodine [g]
    """

    key: str
    name: str
    source: str
    contrast_ml: float | None = None
    limit_ml: float | None = None
    iodine_g: float | None = None
    limit_iodine_g: float | None = None


@dataclass(frozen=True, slots=True)
class KidneyFacts:
    """What the kidney rules need.

    ended_at : timezone-aware; last_contrast_at : None where the time is not told
    zone : of the site; due dates are days in it
    contrast_ml : iodinated contrast given into the blood, diluted or not; 0: entries say that none was;
        None: nothing was entered
    neat_ml : the undiluted product, contrast of the look-back window included
    is_iodine_complete : False where a concentration is not known
    ceilings : limits reached, see `ceilings_reached`; not_computed : names of those that lack a fact
    egfr_ml_min_173m2 : before the case, indexed; None where it cannot be used, egfr_reason says why
    is_unstable : acute kidney injury, or creatinine changing
    earlier : contrast within the look-back window before the case
    """

    ended_at: datetime
    zone: ZoneInfo
    last_contrast_at: datetime | None = None
    contrast_ml: float | None = None
    neat_ml: float | None = None
    is_iodine_complete: bool = True
    ceilings: tuple[CeilingReached, ...] = ()
    not_computed: tuple[str, ...] = ()
    egfr_ml_min_173m2: float | None = None
    egfr_reason: str | None = None
    site: InjectionSite = InjectionSite.UNKNOWN
    age_years: float | None = None
    dialysis: Knowledge = Knowledge.UNKNOWN
    passes_urine: Knowledge = Knowledge.UNKNOWN
    is_unstable: bool = False
    earlier: Knowledge = Knowledge.UNKNOWN


@dataclass(frozen=True, slots=True)
class InjuryFacts:
    """What staging kidney injury after contrast needs.

    series : creatinines in any order and unit, before and after; end it before the next contrast
    first_contrast_at, last_contrast_at : timezone-aware
    zone : of the site, for samples without an offset
    height_cm : for the eGFR of children
    dialysis_started : dialysis was begun after the contrast
    was_on_dialysis : before the case: creatinine says nothing
    """

    series: tuple[Creatinine, ...]
    first_contrast_at: datetime
    last_contrast_at: datetime
    zone: ZoneInfo
    age_years: float | None = None
    height_cm: float | None = None
    dialysis_started: bool = False
    was_on_dialysis: bool = False


_EGFR_FORMULAS = ("CKD-EPI 2021", "bedside Schwartz")
# the limits whose reaching asks for a repeat creatinine; 2 x CrCl is a prompt in the room only
_CEILINGS = ("gurm_3", "cigarroa_macd", "nyman_1", "esur10_iodine", "esur10_volume")


def ceilings_reached(assessment: KidneyAssessment) -> tuple[CeilingReached, ...]:
    """The published ceilings among the limits of `assessment` that apply and are reached or passed."""
    given = assessment.given
    return tuple(
        CeilingReached(
            key=row.key,
            name=row.name,
            source=row.source,
            contrast_ml=given.used_neat_ml if row.limit_ml is not None else None,
            limit_ml=row.limit_ml,
            iodine_g=given.used_iodine_g,
            limit_iodine_g=row.limit_iodine_g,
        )
        for row in assessment.limits
        if row.key in _CEILINGS and row.applies and row.is_passed
    )


def kidney_facts(
    assessment: KidneyAssessment,
    *,
    ended_at: datetime,
    zone: ZoneInfo,
    is_contrast_entered: bool,
    last_contrast_at: datetime | None = None,
) -> KidneyFacts:
    """The facts of a case from its kidney assessment.

    Parameters
    ----------
    is_contrast_entered : whether any injection was entered, of whatever agent
    """
    patient, given = assessment.patient, assessment.given
    rows = [row for row in assessment.egfr if row.formula in _EGFR_FORMULAS]
    usable = next((row for row in rows if row.valid and row.value is not None), None)
    return KidneyFacts(
        ended_at=ended_at,
        zone=zone,
        last_contrast_at=last_contrast_at,
        contrast_ml=given.now.contrast_ml if is_contrast_entered else None,
        neat_ml=given.used_neat_ml if is_contrast_entered else None,
        is_iodine_complete=given.now.is_iodine_complete,
        ceilings=ceilings_reached(assessment),
        not_computed=tuple(
            row.name
            for row in assessment.limits
            if row.key in _CEILINGS and row.note is not None and row.note.startswith("not computed")
        ),
        egfr_ml_min_173m2=usable.value if usable else None,
        egfr_reason=None if usable else _why_not(rows),
        site=patient.site,
        age_years=patient.age_years,
        dialysis=patient.dialysis,
        passes_urine=patient.passes_urine,
        is_unstable=patient.is_creatinine_unstable
        or (patient.creatinine is not None and patient.creatinine.is_unstable),
        earlier=given.earlier.knowledge,
    )


def _why_not(rows: Sequence[FiltrationRow]) -> str | None:
    """Why no estimate can be used, in the words of the first row that says it."""
    return next((row.note.removeprefix("not computed: ") for row in rows if row.note), None)
