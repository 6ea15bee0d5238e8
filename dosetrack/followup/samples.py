"""Creatinine samples in order of time, exact, in one unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from decimal import Decimal, InvalidOperation
from zoneinfo import ZoneInfo

from dosetrack.errors import InputError
from dosetrack.kidney import filtration
from dosetrack.kidney.inputs import creatinine_day
from dosetrack.records.entries import Creatinine
from dosetrack.tables import constants
from dosetrack.times import instant_of

_MG_DL, _UMOL_L = "mg/dL", "umol/L"


@dataclass(frozen=True, slots=True)
class Sample:
    """One creatinine. at : UTC, None where only the day is known; day : in the site's zone."""

    value: Decimal
    unit: str
    day: date
    at: datetime | None
    is_unstable: bool = False

    def is_within(self, clock: timedelta, moment: datetime | None, day: date) -> bool:
        """Drawn at most `clock` after a moment, or after its day where one of the two times is not told."""
        if self.at is not None and moment is not None:
            return self.at - moment <= clock
        return self.day - day <= clock

    def is_before(self, moment: datetime, zone: ZoneInfo) -> bool:
        """Drawn before `moment`; on that day at a time nobody told, it counts as drawn before."""
        if self.at is not None:
            return self.at < moment
        return self.day <= moment.astimezone(zone).date()

    def mg_dl(self) -> float:
        """The value [mg/dL]."""
        value = float(self.value)
        return value if self.unit == _MG_DL else filtration.creatinine_mg_dl_from_umol_l(value)


def samples_of(series: Sequence[Creatinine], zone: ZoneInfo) -> tuple[tuple[Sample, ...], bool]:
    """The dated samples of `series`, oldest first, and whether any had no date."""
    found = [sample for one in series if (sample := _sample(one, zone)) is not None]
    ordered = sorted(found, key=lambda s: _order(s, zone))
    return tuple(ordered), len(found) < len(series)


def _order(sample: Sample, zone: ZoneInfo) -> tuple[datetime, bool, Decimal]:
    """By time; one without a time stands at the start of its day."""
    start = datetime.combine(sample.day, time(), zone)
    return (sample.at or start, sample.at is not None, sample.value)


def _sample(one: Creatinine, zone: ZoneInfo) -> Sample | None:
    if one.unit not in (_MG_DL, _UMOL_L):
        raise InputError(field="unit of creatinine", given=one.unit, accepted="'mg/dL' or 'umol/L'")
    value = _value(one)
    day = creatinine_day(one)
    if day is None or one.taken_on is None:
        return None
    moment = instant_of(one.taken_on, zone)
    if moment is not None:
        day = moment.utc.astimezone(zone).date()
    return Sample(value, one.unit, day, moment.utc if moment else None, one.is_unstable)


def _value(one: Creatinine) -> Decimal:
    try:
        value = Decimal(one.value)
    except InvalidOperation:
        value = Decimal(0)
    if not value.is_finite() or value <= 0:
        raise InputError(field="creatinine", given=one.value, accepted="a number above 0, such as 1.20")
    return value


def in_one_unit(samples: Sequence[Sample]) -> tuple[tuple[Sample, ...], bool]:
    """The samples in one unit and whether some were converted: all to µmol/L, which is exact."""
    if len({s.unit for s in samples}) < 2:
        return tuple(samples), False
    factor = Decimal(constants("renal_formulas")["creatinine_umol_l_per_mg_dl"].value)
    return tuple(
        replace(s, value=s.value * factor, unit=_UMOL_L) if s.unit == _MG_DL else s for s in samples
    ), True
