"""The tables of the month: rounded for the page, exact for the CSV, missing values counted."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from dashboards.components.number_table import Cell, NumberTable
from dashboards.view_models import day, dose_area_product, kerma_words, minutes
from dashboards.view_models_month import QUANTITIES, Quantity, group_name, share_words
from dosetrack.audit import AgeGroup, AuditCase, AuditResult, OverLevel, Present, ProcedureRow, Statistics

EMPTY = Statistics(n=0, missing=0)
TIERS = {
    "substantial": "substantial level",
    "notification": "notification",
    "may-be-above": "may be above: planes may overlap",
}
STATISTICS = ("n", "missing", "median", "p25", "p75", "p10", "p90")

NEITHER = "planned; neither case nor report is held"
LEFT_LIST = "planned, then gone from its worklist after its time; neither case nor report is held"
NO_REPORT = "ended case without a dose report"
UNPLANNED = "dose report that no schedule announced"
NO_SCHEDULE = "No schedule was told for this month: what did not come cannot be listed."


def row_of(rows: Sequence[ProcedureRow], procedure: str | None, age_group: AgeGroup) -> ProcedureRow | None:
    """The row of a procedure and age group, None when it has no case."""
    return next((r for r in rows if (r.procedure, r.age_group) == (procedure, age_group)), None)


def spread_words(found: Statistics, quantity: Quantity) -> str:
    """'214 (150–320)', with what is missing told."""
    if found.n == 0:
        return "not known" if found.missing else "–"
    text = f"{quantity.shown(found.median)} ({quantity.shown(found.p25)}–{quantity.shown(found.p75)})"
    return f"{text}, {found.missing} missing" if found.missing else text


def statistic_cells(found: Statistics) -> tuple[Cell, ...]:
    """The exact numbers of `found` in the order of `STATISTICS`."""
    return tuple(getattr(found, name) for name in STATISTICS)


def typical(rows: Sequence[ProcedureRow], month: str) -> NumberTable:
    """Median and quartiles of every quantity per procedure."""
    quantities = list(QUANTITIES.values())
    shown = [
        (group_name(row.procedure, row.age_group), row.n,
         *[spread_words(row.quantities.get(q.key, EMPTY), q) for q in quantities])
        for row in rows
    ]  # fmt: skip
    exact: list[tuple[Cell, ...]] = [
        (row.procedure, row.age_group.value, row.n, q.key, *statistic_cells(row.quantities.get(q.key, EMPTY)))
        for row in rows
        for q in quantities
    ]
    return NumberTable(
        caption="Median (quartiles) of the month by procedure; missing values are left out and counted",
        head=("Procedure", "Cases", *[q.title for q in quantities]),
        rows=tuple(shown),
        keys=("procedure", "age_group", "cases", "quantity", *STATISTICS),
        values=tuple(exact),
        name=f"typical-values-{month}",
        numeric=frozenset(range(1, len(quantities) + 2)),
    )


def strip_numbers(
    rows: Sequence[ProcedureRow], result: AuditResult, window: AuditResult, quantity: Quantity, month: str
) -> NumberTable:
    """Month and rolling window side by side, with the level chosen; the CSV holds every case."""
    shown = []
    for row in rows:
        wide = row_of(window.procedures, row.procedure, row.age_group)
        chosen = next((c for c in row.references if c.quantity == quantity.key), None)
        now, then = row.quantities[quantity.key], wide.quantities[quantity.key] if wide else EMPTY
        level = (
            f"{quantity.shown(chosen.reference.value)} ({chosen.verdict.value})" if chosen else "none chosen"
        )
        name = group_name(row.procedure, row.age_group)
        shown.append((name, now.n, spread_words(now, quantity), then.n, spread_words(then, quantity), level))
    names = {(row.procedure, row.age_group) for row in rows}
    exact: list[tuple[Cell, ...]] = [
        (case.id, case.day.isoformat(), case.procedure, case.room, case.value(quantity.key))
        for case in result.cases
        if (case.procedure, case.age_group) in names
    ]
    return NumberTable(
        caption=f"{quantity.title} by procedure: month and rolling window",
        head=("Procedure", "n of the month", "Median (quartiles)", "n of the window",
              "Median (quartiles) of the window", "Reference level"),
        rows=tuple(shown),
        keys=("case", "day", "procedure", "room", quantity.key),
        values=tuple(exact),
        name=f"cases-{quantity.key}-{month}",
        numeric=frozenset({1, 2, 3, 4, 5}),
    )  # fmt: skip


def trend_numbers(
    result: AuditResult, group: tuple[str | None, AgeGroup], quantity: Quantity, month: str
) -> NumberTable:
    """Median, quartiles and count of every month of the trend."""
    rows = [row for row in result.trend if (row.procedure, row.age_group) == group]
    found = [(row.month, row.quantities[quantity.key]) for row in rows]
    return NumberTable(
        caption=f"{quantity.title} by month, {group_name(*group)}",
        head=("Month", "n", "Median (quartiles)"),
        rows=tuple((name, stats.n, spread_words(stats, quantity)) for name, stats in found),
        keys=("month", *STATISTICS),
        values=tuple((name, *statistic_cells(stats)) for name, stats in found),
        name=f"trend-{quantity.key}-{month}",
        numeric=frozenset({1, 2}),
    )


def level_words(quantity: str, value: float) -> str:
    """A level or a value of a level's quantity with its unit: 'Ka,r 5.00 Gy'."""
    if quantity == "dose_area_product_gycm2":
        return " ".join(("DAP", *dose_area_product(value)))
    if quantity == "fluoroscopy_time_s":
        return " ".join(("Fluoroscopy time", *minutes(value)))
    name = "Skin dose, upper end" if quantity == "peak_skin_dose_mgy" else "Ka,r"
    return f"{name} {kerma_words(value)}"


def shares(result: AuditResult, month: str) -> NumberTable:
    """How many of the cases reached each level, n over N; the file holds the further steps too."""
    counts = sorted(result.level_counts, key=lambda c: (c.tier != "substantial", c.quantity, c.level))
    first = {c.quantity: c for c in reversed(counts) if c.tier == "notification"}
    shown = [c for c in counts if c.tier != "notification" or c is first[c.quantity]]
    return NumberTable(
        caption="Substantial levels and first notifications, of the cases whose quantity is known; "
        "one not listed was reached by none, and the file holds every further step",
        head=("Level", "Kind", "Cases at or over it"),
        rows=tuple(
            (level_words(c.quantity, c.level), TIERS.get(c.tier, c.tier), share_words(c.n, c.of))
            for c in shown
        ),
        keys=("quantity", "level", "tier", "n", "of"),
        values=tuple((c.quantity, c.level, c.tier, c.n, c.of) for c in counts),
        name=f"levels-{month}",
        numeric=frozenset({2}),
    )


def over_levels(
    result: AuditResult, procedure: str | None, month: str, link: Callable[[AuditCase], Any]
) -> NumberTable:
    """Every case over a substantial level, or that may be, one row per quantity."""
    found = [
        o for o in result.over_levels
        if o.level.tier in ("substantial", "may-be-above") and procedure in (None, o.case.procedure)
    ]  # fmt: skip
    return NumberTable(
        caption="Cases over a substantial level; values as sent",
        head=("Case", "Procedure", "Room", "Value", "Level", "Kind"),
        rows=tuple(_over_cells(o, link) for o in found),
        keys=("case", "day", "procedure", "room", "quantity", "plane", "value", "level", "tier", "source"),
        values=tuple(_over_values(o) for o in found),
        name=f"over-levels-{month}",
        numeric=frozenset({3, 4}),
    )


def _over_cells(over: OverLevel, link: Callable[[AuditCase], Any]) -> tuple[Any, ...]:
    level = over.level
    plane = f", plane {level.plane.upper()}" if level.plane in ("a", "b") else ""
    return (
        link(over.case),
        over.case.procedure or "not told",
        over.case.room or "not told",
        level_words(level.quantity, level.value) + plane,
        level_words(level.quantity, level.level),
        TIERS.get(level.tier, level.tier),
    )


def _over_values(over: OverLevel) -> tuple[Cell, ...]:
    case, level = over.case, over.level
    return (case.id, case.day.isoformat(), case.procedure, case.room, level.quantity, level.plane,
            level.value, level.level, level.tier, level.source)  # fmt: skip


def completeness(result: AuditResult, month: str) -> NumberTable:
    """How many cases of each room have each quantity."""
    quantities = list(QUANTITIES.values())
    rows = [(room.room or "not told", room.n, room.quantities) for room in result.completeness.rooms]
    if len(rows) != 1:
        rows.append(("All rooms", result.completeness.n, result.completeness.quantities))
    none = Present(0, 0)
    return NumberTable(
        caption="Cases that have each quantity; contrast counts only what was entered",
        head=("Room", "Cases", *[q.words for q in quantities]),
        rows=tuple(
            (name, n, *[share_words((p := found.get(q.key, none)).n, p.of) for q in quantities])
            for name, n, found in rows
        ),
        keys=("room", "cases", *[f"with_{q.key}" for q in quantities]),
        values=tuple((name, n, *[found.get(q.key, none).n for q in quantities]) for name, n, found in rows),
        name=f"completeness-{month}",
        numeric=frozenset(range(1, len(quantities) + 2)),
    )


def reception(result: AuditResult, month: str, link: Callable[[str, str], Any]) -> NumberTable:
    """What was planned and did not come, came without a report, or came unannounced; one row each.

    link : case id and words -> what leads to the case
    """
    found = result.completeness.reception
    rows: list[tuple[str, str, str, str, str | None, str]] = []
    if found is not None:
        for one in found.without_case:
            why = LEFT_LIST if one.left_list else NEITHER
            name = one.accession_number or one.key
            rows.append((one.day.isoformat(), one.room or "", one.procedure or "", why, None, name))
        listed = ((found.cases_without_report, NO_REPORT), (found.reports_without_schedule or (), UNPLANNED))
        for cases, why in listed:
            rows += [
                (case.day.isoformat(), case.room or "", case.procedure or "", why, case.case_id, "")
                for case in cases
            ]
    rows.sort(key=lambda row: (row[0], row[3]))
    return NumberTable(
        caption="What was planned beside what came",
        head=("Day", "Room", "Procedure", "What is missing"),
        rows=tuple(
            (
                link(case, day(on)) if case else f"{day(on)}, {name}",
                room or "not told",
                label or "not told",
                why,
            )
            for on, room, label, why, case, name in rows
        ),
        keys=("day", "room", "procedure", "missing", "case", "planned"),
        values=tuple(rows),
        name=f"reception-{month}",
        numeric=frozenset(),
    )


def reception_words(result: AuditResult) -> str:
    """The counts in one sentence."""
    found = result.completeness.reception
    if found is None or not found.scheduled:
        return NO_SCHEDULE
    unplanned = len(found.reports_without_schedule or ())
    return (
        f"{found.scheduled} procedures were planned: {found.with_report} came with a dose report, "
        f"{found.with_case_only} as a case without one, {len(found.without_case)} as neither. "
        f"Ended cases without a dose report: {len(found.cases_without_report)}. "
        f"Dose reports that came unannounced, as of an emergency: {unplanned}."
    )
