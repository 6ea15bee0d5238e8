"""One audit of a period: typical values by procedure, operator and room, trend, levels, gaps."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TypeVar

from dosetrack.audit.cases import QUANTITIES, AgeGroup, AuditCase
from dosetrack.audit.changes import Change, changes_of, still_comparable
from dosetrack.audit.months import month_of, months_between, rolling_start
from dosetrack.audit.reception import Reception
from dosetrack.audit.reference import Comparison, chosen_reference, compare
from dosetrack.audit.typical import Statistics, statistics
from dosetrack.errors import InputError
from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.radiation.account import Figure
from dosetrack.radiation.level_settings import LevelSettings, default_level_settings, level_settings
from dosetrack.radiation.levels import LevelValues, reached_by
from dosetrack.records.levels import LevelReached
from dosetrack.settings import Settings, resolve

K = TypeVar("K", bound=Hashable)
_AS_SENT = "as sent"


@dataclass(frozen=True, slots=True)
class ChosenReference:
    """The site compares `procedure` (its own name for it) with the reference level `key`."""

    procedure: str
    quantity: str
    key: str


@dataclass(frozen=True, slots=True)
class AuditSettings:
    """What an audit reads beside the cases.

    references : none until the site chooses
    resets : procedure -> day from which its rolling window starts anew (new unit, new protocol)
    changes : each takes the cases before it that it touches out of the rolling window
    unread_changes : lines of the setting that tell no change
    """

    levels: LevelSettings = field(default_factory=default_level_settings)
    minimum_n: int = field(default_factory=lambda: _default("audit.minimum_n"))
    rolling_months: int = field(default_factory=lambda: _default("audit.rolling_months"))
    references: tuple[ChosenReference, ...] = ()
    resets: Mapping[str, date] = field(default_factory=dict)
    changes: tuple[Change, ...] = ()
    unread_changes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ProcedureRow:
    """One procedure and age group in the period. references : comparisons over the rolling window."""

    procedure: str | None
    age_group: AgeGroup
    n: int
    quantities: Mapping[str, Statistics]
    references: tuple[Comparison, ...] = ()

    @property
    def reference(self) -> Comparison | None:
        """The first comparison, None while the site has chosen none."""
        return self.references[0] if self.references else None


@dataclass(frozen=True, slots=True)
class OperatorRow:
    """One operator within one procedure and age group; comparable only inside it."""

    operator: str | None
    procedure: str | None
    age_group: AgeGroup
    n: int
    quantities: Mapping[str, Statistics]


@dataclass(frozen=True, slots=True)
class RoomRow:
    """One room within one procedure and age group."""

    room: str | None
    procedure: str | None
    age_group: AgeGroup
    n: int
    quantities: Mapping[str, Statistics]


@dataclass(frozen=True, slots=True)
class MonthRow:
    """One month of one procedure. month : 'YYYY-MM'; n 0 where there was no case."""

    month: str
    procedure: str | None
    age_group: AgeGroup
    n: int
    quantities: Mapping[str, Statistics]


@dataclass(frozen=True, slots=True)
class OverLevel:
    """The highest level a case reached in one quantity (and plane), of each tier."""

    case: AuditCase
    level: LevelReached


@dataclass(frozen=True, slots=True)
class LevelCount:
    """n of the `of` cases whose quantity speaks are at or past `level` (as published, unscaled)."""

    quantity: str
    level: float
    tier: str
    n: int
    of: int


@dataclass(frozen=True, slots=True)
class Present:
    """n of `of` cases have the quantity."""

    n: int
    of: int


@dataclass(frozen=True, slots=True)
class RoomCompleteness:
    """Which quantities the cases of one room have."""

    room: str | None
    n: int
    quantities: Mapping[str, Present]


@dataclass(frozen=True, slots=True)
class Completeness:
    """Which quantities the cases of the period have, over all and per room.

    reception : what was planned beside what came; None where that was not looked at
    """

    n: int
    quantities: Mapping[str, Present]
    rooms: tuple[RoomCompleteness, ...]
    reception: Reception | None = None


@dataclass(frozen=True, slots=True)
class AuditResult:
    """One audit. Both days are included; `trend` reaches back over the rolling window.

    cases : the rows of the period, in the order given
    """

    first_day: date
    last_day: date
    n: int
    procedures: tuple[ProcedureRow, ...]
    operators: tuple[OperatorRow, ...]
    rooms: tuple[RoomRow, ...]
    trend: tuple[MonthRow, ...]
    over_levels: tuple[OverLevel, ...]
    level_counts: tuple[LevelCount, ...]
    completeness: Completeness
    findings: tuple[Finding, ...] = ()
    cases: tuple[AuditCase, ...] = ()


def audit_settings(settings: Settings, *, resets: Mapping[str, date] | None = None) -> AuditSettings:
    """The audit's part of the site settings. A line that is not 'procedure | quantity | row' is kept
    as a choice without a row, so that the audit says it cannot be used."""
    chosen = []
    for line in settings.lines("audit.references"):
        parts = [part.strip() for part in line.split("|")]
        procedure, quantity, key = parts if len(parts) == 3 else (line, "", "")
        chosen.append(ChosenReference(procedure=procedure, quantity=quantity, key=key))
    changes, unread = changes_of(settings.lines("audit.changes"))
    return AuditSettings(
        levels=level_settings(settings),
        minimum_n=int(settings.number("audit.minimum_n")),
        rolling_months=int(settings.number("audit.rolling_months")),
        references=tuple(chosen),
        resets=resets or {},
        changes=changes,
        unread_changes=unread,
    )


def audit(
    cases: Sequence[AuditCase],
    *,
    first_day: date,
    last_day: date,
    settings: AuditSettings | None = None,
) -> AuditResult:
    """The audit of the cases from `first_day` to `last_day`, both included.

    Parameters
    ----------
    cases : those of the period and, for trend and reference levels, of the months before it
    """
    rules = settings or AuditSettings()
    start = rolling_start(last_day, rules.rolling_months)
    period = [c for c in cases if first_day <= c.day <= last_day]
    earliest = min(start, first_day)
    window = [c for c in cases if earliest <= c.day <= last_day]
    comparisons, findings = _comparisons(cases, rules, start=start, last_day=last_day)
    groups = _grouped(period, _group)
    return AuditResult(
        first_day=first_day,
        last_day=last_day,
        n=len(period),
        procedures=tuple(
            ProcedureRow(name, age, len(rows), _all_statistics(rows), comparisons.get((name, age), ()))
            for (name, age), rows in groups.items()
        ),
        operators=tuple(
            OperatorRow(who, name, age, len(rows), _all_statistics(rows))
            for (who, name, age), rows in _grouped(period, lambda c: (c.operator, *_group(c))).items()
        ),
        rooms=tuple(
            RoomRow(room, name, age, len(rows), _all_statistics(rows))
            for (room, name, age), rows in _grouped(period, lambda c: (c.room, *_group(c))).items()
        ),
        trend=_trend(window, list(groups), months_between(earliest, last_day)),
        over_levels=tuple(_over_levels(period, rules.levels)),
        level_counts=_level_counts(period, rules.levels),
        completeness=_completeness(period),
        findings=findings,
        cases=tuple(period),
    )


def _group(case: AuditCase) -> tuple[str | None, AgeGroup]:
    return (case.procedure, case.age_group)


def _grouped(cases: Iterable[AuditCase], key: Callable[[AuditCase], K]) -> dict[K, list[AuditCase]]:
    """Cases by key, groups in order of name, those without a name last."""
    found: dict[K, list[AuditCase]] = {}
    for case in cases:
        found.setdefault(key(case), []).append(case)
    return dict(sorted(found.items(), key=lambda item: _sort_key(item[0])))


def _sort_key(key: object) -> tuple[tuple[bool, str], ...]:
    parts = key if isinstance(key, tuple) else (key,)
    return tuple((part is None, str(part)) for part in parts)


def _all_statistics(cases: Sequence[AuditCase]) -> dict[str, Statistics]:
    return {q: statistics(c.value(q) for c in cases) for q in QUANTITIES}


def _trend(
    cases: Sequence[AuditCase], groups: Sequence[tuple[str | None, AgeGroup]], months: Sequence[str]
) -> tuple[MonthRow, ...]:
    by_month = _grouped(cases, lambda c: (*_group(c), month_of(c.day)))
    return tuple(
        MonthRow(month, name, age, len(rows), _all_statistics(rows))
        for name, age in groups
        for month in months
        for rows in [by_month.get((name, age, month), [])]
    )


def _comparisons(
    cases: Sequence[AuditCase], rules: AuditSettings, *, start: date, last_day: date
) -> tuple[dict[tuple[str | None, AgeGroup], tuple[Comparison, ...]], tuple[Finding, ...]]:
    """Chosen reference levels are for adults: no comparison for the under 18s."""
    found: dict[tuple[str | None, AgeGroup], tuple[Comparison, ...]] = {}
    findings = [finding(FindingCode.AUDIT_CHANGE_UNREADABLE, line=line) for line in rules.unread_changes]
    for choice in rules.references:
        try:
            reference = chosen_reference(choice.key, quantity=choice.quantity)
        except InputError as error:
            facts = {"procedure": choice.procedure, "reason": str(error)}
            findings.append(finding(FindingCode.REFERENCE_NOT_USABLE, **facts))
            continue
        group = (choice.procedure, AgeGroup.ADULT)
        since = max(start, rules.resets.get(choice.procedure, start))
        inside = [c for c in cases if _group(c) == group and since <= c.day <= last_day]
        rows = still_comparable(inside, rules.changes, last_day=last_day)
        result = compare(
            rows,
            reference,
            procedure=choice.procedure,
            first_day=since,
            last_day=last_day,
            minimum_n=rules.minimum_n,
        )
        found[group] = (*found.get(group, ()), result)
    return found, tuple(findings)


def _reached(case: AuditCase, levels: LevelSettings) -> tuple[LevelReached, ...]:
    return reached_by(_level_values(case), levels)


def _level_values(case: AuditCase) -> LevelValues:
    by_plane = case.reference_air_kerma_by_plane_mgy
    kerma = {p: Figure(v, _AS_SENT) for p, v in by_plane.items() if v is not None}
    total = _figure(case.value("reference_air_kerma_mgy"))
    if not kerma and total is not None:
        kerma = {"all": total}
    return LevelValues(
        reference_air_kerma_mgy=kerma,
        reference_air_kerma_sum_mgy=total,
        dose_area_product_gycm2=_figure(case.value("dose_area_product_gycm2")),
        fluoroscopy_time_s=_figure(case.value("fluoroscopy_time_s")),
        skin_upper_mgy=case.skin_upper_mgy,
        field_cm2=case.field_cm2,
    )


def _figure(value: float | None) -> Figure | None:
    return None if value is None else Figure(value, _AS_SENT)


def _over_levels(cases: Sequence[AuditCase], levels: LevelSettings) -> Iterable[OverLevel]:
    for case in sorted(cases, key=lambda c: (c.day, c.id)):
        told = set()
        for level in _reached(case, levels):  # the highest of a quantity stands first
            what = (level.quantity, level.plane, level.tier)
            if what not in told:
                told.add(what)
                yield OverLevel(case, level)


def _level_counts(cases: Sequence[AuditCase], levels: LevelSettings) -> tuple[LevelCount, ...]:
    speaking: dict[str, int] = {}
    counts: dict[tuple[str, float, str], int] = {}
    for case in cases:
        for quantity in _speaking(_level_values(case)):
            speaking[quantity] = speaking.get(quantity, 0) + 1
        reached = {(r.quantity, float(r.key.rsplit(":", 1)[1]), r.tier) for r in _reached(case, levels)}
        for what in reached:
            counts[what] = counts.get(what, 0) + 1
    return tuple(
        LevelCount(quantity, level, tier, n, of=speaking[quantity])
        for (quantity, level, tier), n in sorted(counts.items())
    )


def _speaking(values: LevelValues) -> list[str]:
    """The quantities of a case that levels read; time only where nothing better is known."""
    found = []
    if values.reference_air_kerma_mgy:
        found.append("reference_air_kerma_mgy")
    if values.dose_area_product_gycm2 is not None:
        found.append("dose_area_product_gycm2")
    if not found and values.fluoroscopy_time_s is not None:
        found.append("fluoroscopy_time_s")
    if values.skin_upper_mgy is not None:
        found.append("peak_skin_dose_mgy")
    return found


def _completeness(cases: Sequence[AuditCase]) -> Completeness:
    return Completeness(
        n=len(cases),
        quantities=_present(cases),
        rooms=tuple(
            RoomCompleteness(room, len(rows), _present(rows))
            for room, rows in _grouped(cases, lambda c: c.room).items()
        ),
    )


def _present(cases: Sequence[AuditCase]) -> dict[str, Present]:
    return {q: Present(sum(c.value(q) is not None for c in cases), len(cases)) for q in QUANTITIES}


def _default(key: str) -> int:
    return int(resolve((), day=date.min.isoformat()).number(key))
