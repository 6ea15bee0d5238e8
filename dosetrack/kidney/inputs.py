"""What the kidney assessment is made from: the patient's facts and the site's settings."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import cache

from dosetrack.errors import InputError
from dosetrack.kidney.filtration import creatinine_mg_dl_from_umol_l
from dosetrack.records.entries import Creatinine, InjectionSite, Knowledge
from dosetrack.settings import Settings
from dosetrack.tables import constants
from dosetrack.times import completed_years


def _default(key: str) -> float:
    return constants("defaults")[key].number


@dataclass(frozen=True, slots=True)
class KidneySettings:
    """Local choices; each default stands in ``tables/defaults.csv``.

    approaching_fraction : part of the leading limit at which the first prompt comes
    creatinine_outpatient_days, creatinine_inpatient_days : older creatinine is stale [d]
    lookback_h : contrast before the case counts for this long [h]
    show_esc_rows, show_label_rows : list these rows as applying
    apply_ratios_to_venous : use the arterial limits where every injection is venous
    """

    approaching_fraction: float
    creatinine_outpatient_days: float
    creatinine_inpatient_days: float
    lookback_h: float
    show_esc_rows: bool = False
    show_label_rows: bool = False
    apply_ratios_to_venous: bool = False

    @classmethod
    def from_settings(cls, settings: Settings) -> KidneySettings:
        """The kidney's part of the site's settings."""
        return cls(
            approaching_fraction=settings.number("contrast.approaching_fraction"),
            creatinine_outpatient_days=settings.number("kidney.creatinine_outpatient_days"),
            creatinine_inpatient_days=settings.number("kidney.creatinine_inpatient_days"),
            lookback_h=settings.number("contrast.lookback_h"),
            show_esc_rows=settings.flag("contrast.show_esc_rows"),
            show_label_rows=settings.flag("contrast.show_label_rows"),
            apply_ratios_to_venous=settings.flag("contrast.apply_ratios_to_venous"),
        )


@cache
def default_kidney_settings() -> KidneySettings:
    """The settings of a site that changed nothing."""
    return KidneySettings(
        approaching_fraction=_default("approaching_fraction"),
        creatinine_outpatient_days=_default("creatinine_outpatient"),
        creatinine_inpatient_days=_default("creatinine_inpatient"),
        lookback_h=_default("contrast_lookback"),
    )


@dataclass(frozen=True, slots=True)
class RenalInput:
    """The patient's facts on the day of the case; None is 'not known'.

    on : local day of the case
    sex : 'F' or 'M'; anything else counts as not known
    age_years : [a]; completed years when found from a birth date
    site : where contrast goes, over the whole case (see `case_site`)
    concentration_mgi_ml : of the product now in use, undiluted [mg I/mL]
    passes_urine : asked of patients on dialysis
    is_old_creatinine_confirmed : a person confirmed the use of a stale creatinine
    """

    on: date
    sex: str | None = None
    age_years: float | None = None
    creatinine: Creatinine | None = None
    weight_kg: float | None = None
    height_cm: float | None = None
    site: InjectionSite = InjectionSite.UNKNOWN
    concentration_mgi_ml: float | None = None
    dialysis: Knowledge = Knowledge.UNKNOWN
    passes_urine: Knowledge = Knowledge.UNKNOWN
    is_creatinine_unstable: bool = False
    is_inpatient: bool = False
    is_old_creatinine_confirmed: bool = False

    @property
    def is_first_pass(self) -> bool:
        """Contrast reaches the kidneys nearly undiluted, or nobody knows that it does not."""
        return self.site in (InjectionSite.FIRST_PASS, InjectionSite.UNKNOWN)


def case_site(sites: Iterable[InjectionSite]) -> InjectionSite:
    """The site that speaks for a case: first pass if any is, unknown if any is, else second pass, venous.

    Contrast outside the blood says nothing; no site at all is unknown.
    """
    found = {site for site in sites if site is not InjectionSite.NOT_INTRAVASCULAR}
    order = (
        InjectionSite.FIRST_PASS,
        InjectionSite.UNKNOWN,
        InjectionSite.SECOND_PASS,
        InjectionSite.VENOUS,
    )
    return next((site for site in order if site in found), InjectionSite.UNKNOWN)


def age_years_on(birth_date: str, on: date) -> int:
    """Completed years of age on a day [a].

    Parameters
    ----------
    birth_date : YYYY-MM-DD

    Examples
    --------
    >>> age_years_on("1954-11-26", date(2026, 11, 25))
    71
    """
    try:
        born = date.fromisoformat(birth_date)
    except ValueError:
        raise InputError(field="birth date", given=birth_date, accepted="YYYY-MM-DD") from None
    return completed_years(born, on=on)


def creatinine_mg_dl(creatinine: Creatinine) -> float:
    """Serum creatinine [mg/dL] of a laboratory value in its own unit."""
    if creatinine.unit == "mg/dL":
        return float(Decimal(creatinine.value))
    if creatinine.unit == "umol/L":
        return creatinine_mg_dl_from_umol_l(float(Decimal(creatinine.value)))
    raise InputError(field="unit of creatinine", given=creatinine.unit, accepted="'mg/dL' or 'umol/L'")


def creatinine_day(creatinine: Creatinine) -> date | None:
    """The local day the sample was taken, None when not told."""
    if creatinine.taken_on is None:
        return None
    try:
        return date.fromisoformat(creatinine.taken_on[:10])
    except ValueError:
        raise InputError(
            field="date of creatinine", given=creatinine.taken_on, accepted="YYYY-MM-DD or ISO 8601"
        ) from None


def is_within_hours_after(*, later: str, earlier: str, hours: float) -> bool:
    """`later` lies 0 to `hours` after `earlier`; ISO 8601 text, whole days where a time is missing.

    A day without a time, or one of two times without an offset, is compared by days, so that doubt counts
    as within.
    """
    if len(later) > 10 and len(earlier) > 10:
        end, start = datetime.fromisoformat(later), datetime.fromisoformat(earlier)
        if (end.tzinfo is None) == (start.tzinfo is None):
            return timedelta() <= end - start <= timedelta(hours=hours)
    days = date.fromisoformat(later[:10]) - date.fromisoformat(earlier[:10])
    return timedelta() <= days <= timedelta(hours=hours)
