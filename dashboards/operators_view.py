"""Operators within one procedure: who is called what, what may be said, and whose cases are shown.

Names are letters by default. A person who picks themselves sees their own name and cases; nobody
else's name is shown to them. The order is by letter or by count, never by dose.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dash import dcc

from dashboards.components.number_table import NumberTable
from dashboards.figures.operators import OperatorRow
from dashboards.figures.trend import DayDot, NamedLine
from dashboards.month_tables import EMPTY, STATISTICS, row_of, spread_words, statistic_cells
from dashboards.month_view import drawn_group, window_of
from dashboards.router import Query, path_of
from dashboards.view_models import day, dose_area_product, kerma_words, minutes
from dashboards.view_models_month import (
    QUANTITIES,
    Quantity,
    first_day,
    group_name,
    last_day,
    letters,
    quantity_named,
)
from dosetrack import audit
from dosetrack.audit import AgeGroup, AuditCase, AuditResult
from dosetrack.radiation.level_settings import level_settings

if TYPE_CHECKING:
    from dosetrack.settings import Settings
    from dosetrack.workflow import Workflow

NOT_TOLD = "not told"
LEVELLED = ("reference_air_kerma_mgy", "dose_area_product_gycm2", "fluoroscopy_time_s")
BY_COUNT = "n"


@dataclass(frozen=True, slots=True)
class OperatorsView:
    """Everything the page draws. `own` and `own_numbers` are empty while nobody picked themselves."""

    month: str
    months: tuple[str, ...]
    procedure: str | None
    group: str
    procedures: tuple[str, ...]
    quantity: Quantity
    order: str
    me: str | None
    people: tuple[str, ...]
    window_months: str
    minimum_n: int
    rows: tuple[OperatorRow, ...]
    all_median: float | None
    lines: tuple[NamedLine, ...]
    numbers: NumberTable
    own: tuple[DayDot, ...]
    own_numbers: NumberTable


def operators_view(workflow: Workflow, query: Query) -> OperatorsView:
    """The view of the window, procedure, quantity, order and person that `query` names."""
    months = workflow.months()
    asked = query.get("m", "")
    month = asked if asked in months else months[-1]
    settings = workflow.settings()
    window = window_of(workflow, month, settings)
    quantity, me = quantity_named(query.get("quantity")), query.get("me")
    group = drawn_group(window, query.get("procedure"))
    names = pseudonyms(workflow, months)
    minimum = int(settings.number("audit.minimum_n"))
    order = query.get("order", "")
    found = ordered(_rows_of(window, group), names, order)
    whole = row_of(window.procedures, *group)
    own = [c for c in window.cases if (c.procedure, c.age_group) == group and c.operator == me] if me else []
    return OperatorsView(
        month=month,
        months=months,
        procedure=group[0],
        group=group_name(*group),
        procedures=tuple(dict.fromkeys(r.procedure for r in window.procedures if r.procedure)),
        quantity=quantity,
        order=order,
        me=me,
        people=tuple(sorted({r.operator for r in window.operators if r.operator})),
        window_months=settings.text("audit.rolling_months"),
        minimum_n=minimum,
        rows=tuple(_row(r, names, quantity, minimum, me) for r in found),
        all_median=quantity.scaled(whole.quantities[quantity.key].median) if whole else None,
        lines=threshold_lines(settings, quantity),
        numbers=_numbers(found, names, me, month, minimum),
        own=tuple(_own_dots(own, quantity)),
        own_numbers=_own_numbers(own, quantity, month),
    )


def pseudonyms(workflow: Workflow, months: Sequence[str]) -> dict[str, str]:
    """Operator -> letter, by the day of their first case: a newcomer never moves another's letter."""
    whole = workflow.audit(first_day=first_day(months[0]), last_day=last_day(months[-1]))
    return letters_by_first_case(whole.cases)


def letters_by_first_case(cases: Iterable[AuditCase]) -> dict[str, str]:
    """Operator -> letter in the order of their first cases."""
    dated = sorted((c.day, c.id, c.operator) for c in cases if c.operator)
    return {who: letters(place) for place, who in enumerate(dict.fromkeys(who for _, _, who in dated))}


def shown_name(operator: str | None, names: dict[str, str], me: str | None) -> str:
    """'A', 'A (you: Dr ...)' for the person who picked themselves, 'not told'."""
    if operator is None:
        return NOT_TOLD
    letter = names.get(operator, NOT_TOLD)
    return f"{letter} (you)" if operator == me else letter


def ordered(rows: Sequence[audit.OperatorRow], names: dict[str, str], order: str) -> list[audit.OperatorRow]:
    """By letter, or by count and then letter; never by dose. Cases without an operator stand last."""

    def key(row: audit.OperatorRow) -> tuple[bool, int, int, str]:
        letter = names.get(row.operator or "", "")
        return (row.operator is None, -row.n if order == BY_COUNT else 0, len(letter), letter)

    return sorted(rows, key=key)


def threshold_lines(settings: Settings, quantity: Quantity) -> tuple[NamedLine, ...]:
    """First notification and substantial level of the quantity, where it has levels."""
    if quantity.key not in LEVELLED:
        return ()
    ladder = level_settings(settings).ladder(quantity.key)
    lines = [NamedLine(ladder.first / quantity.divisor, f"notification {_level(quantity, ladder.first)}")]
    if ladder.substantial is not None:
        text = f"substantial {_level(quantity, ladder.substantial)}"
        lines.append(NamedLine(ladder.substantial / quantity.divisor, text, is_substantial=True))
    return tuple(lines)


def _level(quantity: Quantity, value: float) -> str:
    if quantity.key == "reference_air_kerma_mgy":
        return kerma_words(value, decimals=1)
    return " ".join(minutes(value) if quantity.key == "fluoroscopy_time_s" else dose_area_product(value))


def _rows_of(window: AuditResult, group: tuple[str | None, AgeGroup]) -> list[audit.OperatorRow]:
    return [row for row in window.operators if (row.procedure, row.age_group) == group]


def telling_words(n: int, minimum_n: int) -> str:
    """What stands beside an operator: the count, and that it cannot tell yet where it is small."""
    return f"n {n}" if n >= minimum_n else f"n {n}: cannot tell yet"


def _row(
    row: audit.OperatorRow, names: dict[str, str], quantity: Quantity, minimum_n: int, me: str | None
) -> OperatorRow:
    found = row.quantities[quantity.key]
    return OperatorRow(
        name=shown_name(row.operator, names, me),
        n=found.n,
        median=quantity.scaled(found.median),
        p25=quantity.scaled(found.p25),
        p75=quantity.scaled(found.p75),
        note=telling_words(found.n, minimum_n),
        is_telling=found.n >= minimum_n,
        is_own=row.operator is not None and row.operator == me,
    )


def _numbers(
    rows: Sequence[audit.OperatorRow], names: dict[str, str], me: str | None, month: str, minimum_n: int
) -> NumberTable:
    quantities = list(QUANTITIES.values())
    return NumberTable(
        caption="Operators within the procedure: median (quartiles); names are letters, also in the file",
        head=("Operator", "Cases", *[q.title for q in quantities], ""),
        rows=tuple(
            (shown_name(r.operator, names, me), r.n,
             *[spread_words(r.quantities.get(q.key, EMPTY), q) for q in quantities],
             "" if r.n >= minimum_n else "cannot tell yet")
            for r in rows
        ),
        keys=("operator", "procedure", "cases", "quantity", *STATISTICS),
        values=tuple(
            (names.get(r.operator or "", NOT_TOLD), r.procedure, r.n, q.key,
             *statistic_cells(r.quantities.get(q.key, EMPTY)))
            for r in rows
            for q in quantities
        ),
        name=f"operators-{month}",
        numeric=frozenset(range(1, len(quantities) + 2)),
    )  # fmt: skip


def _own_dots(cases: Sequence[AuditCase], quantity: Quantity) -> list[DayDot]:
    return [
        DayDot(c.day.isoformat(), scaled, f"{day(c.day.isoformat())}, {c.room or NOT_TOLD}", c.id)
        for c in cases
        if (scaled := quantity.scaled(c.value(quantity.key))) is not None
    ]


def _own_numbers(cases: Sequence[AuditCase], quantity: Quantity, month: str) -> NumberTable:
    newest = sorted(cases, key=lambda c: (c.day, c.id), reverse=True)
    quantities = list(QUANTITIES.values())
    return NumberTable(
        caption="Your cases of the window, newest first",
        head=("Case", "Room", *[q.title for q in quantities]),
        rows=tuple(
            (dcc.Link(day(c.day.isoformat()), href=path_of("case", c.id)), c.room or NOT_TOLD,
             *[q.shown(c.value(q.key)) for q in quantities])
            for c in newest
        ),
        keys=("case", "day", "room", *[q.key for q in quantities]),
        values=tuple(
            (c.id, c.day.isoformat(), c.room, *[c.value(q.key) for q in quantities]) for c in newest
        ),
        name=f"own-cases-{quantity.key}-{month}",
        numeric=frozenset(range(2, len(quantities) + 2)),
    )  # fmt: skip
