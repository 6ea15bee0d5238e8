"""The month as the page shows it: two audits, of the month and of its rolling window, put into words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from dash import dcc

from dashboards import month_tables as tables
from dashboards.components.number_table import NumberTable
from dashboards.figures.strips import Dot, Strip
from dashboards.figures.trend import NamedLine, TrendPoint
from dashboards.router import Query, path_of, search_of
from dashboards.view_models import day
from dashboards.view_models_month import (
    Quantity,
    first_day,
    group_name,
    last_day,
    quantity_named,
    quantity_words,
)
from dosetrack.audit import AgeGroup, AuditCase, AuditResult, Comparison, ProcedureRow, Verdict
from dosetrack.audit.attention import Attention, rules, what_to_look_at
from dosetrack.audit.months import rolling_start

if TYPE_CHECKING:
    from dosetrack.settings import Settings
    from dosetrack.workflow import Workflow

PLACES = {
    "over": "over-levels",
    "typical": "typical",
    "trend": "trend",
    "shares": "shares",
    "completeness": "completeness",
}


@dataclass(frozen=True, slots=True)
class Sentence:
    """One thing to look at, its test with the month's facts, and where it leads."""

    text: str
    test: str
    href: str


@dataclass(frozen=True, slots=True)
class MonthView:
    """Everything the page draws. Every text is ready to show."""

    month: str
    months: tuple[str, ...]
    counted: str
    procedure: str | None
    procedures: tuple[str, ...]
    room: str | None
    rooms: tuple[str, ...]
    quantity: Quantity
    sentences: tuple[Sentence, ...]
    rules: Sequence[tuple[str, str]]
    strips: tuple[Strip, ...]
    strip_numbers: NumberTable
    typical: NumberTable
    trend_name: str
    trend: tuple[TrendPoint, ...]
    trend_lines: tuple[NamedLine, ...]
    trend_numbers: NumberTable
    shares: NumberTable
    over: NumberTable
    completeness: NumberTable
    reception_words: str
    reception: NumberTable


def month_view(workflow: Workflow, query: Query) -> MonthView:
    """The view of the month, procedure, room and quantity that `query` names."""
    months = workflow.months()
    asked = query.get("m", "")
    month = asked if asked in months else months[-1]
    room, quantity = query.get("room"), quantity_named(query.get("quantity"))
    settings = workflow.settings()
    result = workflow.audit(first_day=first_day(month), last_day=last_day(month), room=room)
    window = window_of(workflow, month, settings, room=room)
    shown = [row for row in result.procedures if query.get("procedure") in (None, row.procedure)]
    drawn = drawn_group(result, query.get("procedure"))
    strips = tuple(_strip(row, result, window, quantity) for row in shown)
    trend = tuple(_points(result, drawn, quantity))
    return MonthView(
        month=month,
        months=months,
        counted=_counted(result, settings, query) + f" · as of ledger entry {workflow.position()}",
        procedure=query.get("procedure"),
        procedures=tuple(dict.fromkeys(row.procedure for row in window.procedures if row.procedure)),
        room=room,
        rooms=workflow.rooms(),
        quantity=quantity,
        sentences=tuple(_sentence(a, query, month) for a in _attention(result, window, settings)),
        rules=rules(),
        strips=strips,
        strip_numbers=tables.strip_numbers(shown, result, window, quantity, month),
        typical=tables.typical(shown, month),
        trend_name=group_name(*drawn),
        trend=trend,
        trend_lines=_reference_lines(result, drawn, quantity),
        trend_numbers=tables.trend_numbers(result, drawn, quantity, month),
        shares=tables.shares(result, month),
        over=tables.over_levels(result, query.get("procedure"), month, case_link),
        completeness=tables.completeness(result, month),
        reception_words=tables.reception_words(result),
        reception=tables.reception(result, month, named_case_link),
    )


def window_of(workflow: Workflow, month: str, settings: Settings, *, room: str | None = None) -> AuditResult:
    """The audit of the rolling window that ends with `month`."""
    end = last_day(month)
    start = rolling_start(date.fromisoformat(end), int(settings.number("audit.rolling_months")))
    return workflow.audit(first_day=start.isoformat(), last_day=end, room=room)


def case_link(case: AuditCase) -> Any:
    """A link to the case, by its day."""
    return dcc.Link(day(case.day.isoformat()), href=path_of("case", case.id))


def named_case_link(case_id: str, words: str) -> Any:
    """A link to the case."""
    return dcc.Link(words, href=path_of("case", case_id))


def drawn_group(result: AuditResult, procedure: str | None) -> tuple[str | None, AgeGroup]:
    """The procedure of the trend: the one asked for, else the one with most cases of the month."""
    rows = (
        [row for row in result.procedures if row.procedure == procedure] if procedure else result.procedures
    )
    if not rows:
        return procedure, AgeGroup.ADULT
    most = max(rows, key=lambda row: row.n)
    return most.procedure, most.age_group


def _counted(result: AuditResult, settings: Settings, query: Query) -> str:
    counted = "1 ended case" if result.n == 1 else f"{result.n} ended cases"
    where = f" in {query['room']}" if query.get("room") else ""
    only = f" · shown: {query['procedure']}" if query.get("procedure") else ""
    return f"{counted}{where}{only} · rolling window {settings.text('audit.rolling_months')} months"


def _attention(result: AuditResult, window: AuditResult, settings: Settings) -> tuple[Attention, ...]:
    minimum = int(settings.number("audit.minimum_n"))
    return what_to_look_at(result, window, minimum_n=minimum, words=quantity_words)


def _sentence(found: Attention, query: Query, month: str) -> Sentence:
    if found.place == "settings":
        return Sentence(found.text, found.test, "/settings/references")
    chosen = {"procedure": found.procedure, "room": found.room, "quantity": found.quantity}
    asked = {**query, "m": month, **{key: value for key, value in chosen.items() if value}}
    return Sentence(found.text, found.test, f"/month{search_of(asked)}#{PLACES[found.place]}")


def _strip(row: ProcedureRow, result: AuditResult, window: AuditResult, quantity: Quantity) -> Strip:
    wide = tables.row_of(window.procedures, row.procedure, row.age_group)
    spread = wide.quantities[quantity.key] if wide else None
    chosen = comparison_of(row, quantity)
    return Strip(
        name=group_name(row.procedure, row.age_group),
        dots=tuple(_dots(result.cases, row, quantity)),
        median=quantity.scaled(spread.median) if spread else None,
        p25=quantity.scaled(spread.p25) if spread else None,
        p75=quantity.scaled(spread.p75) if spread else None,
        reference=quantity.scaled(chosen.reference.value) if chosen else None,
        note=_note(row, quantity, spread.n if spread else 0, chosen),
    )


def _dots(cases: Sequence[AuditCase], row: ProcedureRow, quantity: Quantity) -> list[Dot]:
    own = [c for c in cases if (c.procedure, c.age_group) == (row.procedure, row.age_group)]
    return [
        Dot(scaled, f"{day(c.day.isoformat())}, {c.room or 'room not told'}", c.id)
        for c in own
        if (scaled := quantity.scaled(c.value(quantity.key))) is not None
    ]


def comparison_of(row: ProcedureRow, quantity: Quantity) -> Comparison | None:
    """The comparison of `row` for `quantity`, None when no level is chosen for it."""
    return next((c for c in row.references if c.quantity == quantity.key), None)


def _note(row: ProcedureRow, quantity: Quantity, wide: int, chosen: Comparison | None) -> str:
    now = row.quantities[quantity.key]
    missing = f", {now.missing} missing" if now.missing else ""
    return f"n {now.n}{missing} · window n {wide}<br>{verdict_words(chosen)}"


def verdict_words(chosen: Comparison | None) -> str:
    """How the median of the window stands to the level chosen, in words."""
    if chosen is None:
        return "reference level: none chosen"
    if chosen.verdict is Verdict.TOO_FEW:
        return f"reference level: too few to compare (n {chosen.n})"
    return f"median {chosen.verdict.value} the reference level"


def _points(result: AuditResult, group: tuple[str | None, AgeGroup], quantity: Quantity) -> list[TrendPoint]:
    rows = [row for row in result.trend if (row.procedure, row.age_group) == group]
    return [
        TrendPoint(
            month=row.month,
            n=row.quantities[quantity.key].n,
            median=quantity.scaled(row.quantities[quantity.key].median),
            p25=quantity.scaled(row.quantities[quantity.key].p25),
            p75=quantity.scaled(row.quantities[quantity.key].p75),
        )
        for row in rows
    ]


def _reference_lines(
    result: AuditResult, group: tuple[str | None, AgeGroup], quantity: Quantity
) -> tuple[NamedLine, ...]:
    row = tables.row_of(result.procedures, *group)
    chosen = comparison_of(row, quantity) if row else None
    if chosen is None:
        return ()
    where = f"{chosen.reference.country} {chosen.reference.year or ''}".strip()
    return (NamedLine(chosen.reference.value / quantity.divisor, f"reference level,<br>{where}"),)
