"""The statistics beside an audit: intervals, typical values, control charts, comparisons, slips.

They cost more than the descriptive tables and stand apart, so that a page can have the tables first.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from dosetrack.audit.cases import QUANTITIES, AgeGroup, AuditCase
from dosetrack.audit.changes import Change
from dosetrack.audit.comparing import ComparingRules, OperatorComparison, compare_operators
from dosetrack.audit.control import ControlChart, month_chart
from dosetrack.audit.intervals import Percentiles, percentiles
from dosetrack.audit.months import rolling_start
from dosetrack.audit.period import audit_settings
from dosetrack.audit.rolling import TypicalValue, typical_values, window_of
from dosetrack.audit.suspects import Suspect, suspects
from dosetrack.settings import Settings

DRAWN = ("dose_area_product_gycm2", "reference_air_kerma_mgy", "fluoroscopy_time_s", "contrast_ml")
"""Quantities of control charts and comparisons."""


@dataclass(frozen=True, slots=True)
class MeasureRules:
    """What the statistics read from the settings."""

    rolling_months: int
    minimum_n: int
    comparing: ComparingRules
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True)
class PeriodPercentiles:
    """Percentiles of one procedure, age group and quantity in the period."""

    procedure: str | None
    age_group: AgeGroup
    quantity: str
    percentiles: Percentiles


@dataclass(frozen=True, slots=True)
class GroupChart:
    """The chart of monthly medians of one procedure and age group over the rolling window."""

    procedure: str | None
    age_group: AgeGroup
    chart: ControlChart


@dataclass(frozen=True, slots=True)
class GroupComparison:
    """Operators within one procedure and age group over the rolling window."""

    procedure: str | None
    age_group: AgeGroup
    comparison: OperatorComparison


@dataclass(frozen=True, slots=True)
class Measures:
    """The statistics of one audit. comparisons : empty where they were not asked for."""

    percentiles: tuple[PeriodPercentiles, ...]
    typical: tuple[TypicalValue, ...]
    charts: tuple[GroupChart, ...]
    comparisons: tuple[GroupComparison, ...]
    suspects: tuple[Suspect, ...]


def measure_rules(settings: Settings) -> MeasureRules:
    """The rules of the site."""
    basis = audit_settings(settings)
    comparing = ComparingRules(
        minimum_n=int(settings.number("audit.operator_minimum_n")),
        widest=settings.number("audit.operator_widest"),
    )
    return MeasureRules(basis.rolling_months, basis.minimum_n, comparing, basis.changes)


def measures(
    cases: Iterable[AuditCase],
    *,
    first_day: date,
    last_day: date,
    rules: MeasureRules,
    with_comparisons: bool = False,
) -> Measures:
    """The statistics of the period and of the window that ends with it.

    Parameters
    ----------
    cases : those of the period and of the window before it
    """
    earliest = min(first_day, rolling_start(last_day, rules.rolling_months))
    given = [c for c in cases if earliest <= c.day <= last_day]
    period = [c for c in given if first_day <= c.day]
    groups = _groups(period)
    compared = groups if with_comparisons else ()
    return Measures(
        percentiles=tuple(
            PeriodPercentiles(name, age, q, percentiles(c.value(q) for c in _of(period, name, age)))
            for name, age in groups
            for q in QUANTITIES
        ),
        typical=typical_values(
            given,
            last_day=last_day,
            months=rules.rolling_months,
            minimum_n=rules.minimum_n,
            changes=rules.changes,
        ),
        charts=tuple(
            GroupChart(name, age, month_chart(_of(given, name, age), q, changes=rules.changes))
            for name, age in groups
            for q in DRAWN
        ),
        comparisons=tuple(
            found for name, age in compared for found in _compared(given, name, age, last_day, rules)
        ),
        suspects=suspects(given),
    )


def _compared(
    cases: Sequence[AuditCase], procedure: str | None, age: AgeGroup, last_day: date, rules: MeasureRules
) -> list[GroupComparison]:
    """Operators are compared on cases that still are comparable with each other."""
    window = window_of(
        cases,
        procedure=procedure,
        age_group=age,
        last_day=last_day,
        months=rules.rolling_months,
        changes=rules.changes,
    )
    return [
        GroupComparison(procedure, age, compare_operators(window.cases, q, rules=rules.comparing))
        for q in DRAWN
    ]


def _groups(cases: Iterable[AuditCase]) -> list[tuple[str | None, AgeGroup]]:
    found = {(c.procedure, c.age_group) for c in cases}
    return sorted(found, key=lambda g: (g[0] is None, g[0] or "", g[1].value))


def _of(cases: Iterable[AuditCase], procedure: str | None, age: AgeGroup) -> list[AuditCase]:
    return [c for c in cases if c.procedure == procedure and c.age_group is age]
