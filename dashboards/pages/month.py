"""Month: what to look at, the cases of each procedure, the trend, levels reached, completeness."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING

from dash import ClientsideFunction, Dash, Input, dcc, html
from dash.development.base_component import Component

from dashboards import ids
from dashboards.components.filters import choice, filters, register_filters, search_after
from dashboards.components.number_table import figure_with_numbers, number_table
from dashboards.components.tables import section, table
from dashboards.control_view import control_chart, control_numbers, control_points
from dashboards.figures.control import control_figure
from dashboards.figures.strips import strips_figure
from dashboards.figures.trend import trend_figure
from dashboards.month_view import MonthView, Sentence, month_view
from dashboards.router import Page, Query
from dashboards.view_models_month import QUANTITIES, is_month, month_words, neighbours
from dosetrack.audit.control import rules as control_rules

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

NO_CASES = "No ended case is held yet: the month appears with its first case."
STRIPS_SAY = (
    "Each dot is a case of the month. Bar: quartiles of the rolling window, this month included; upright: "
    "its median; diamond: the reference level chosen. A level describes a country, not a patient."
)
TREND_SAYS = (
    "Median of each month with its quartiles; n is the number of cases behind the point. Filled: this month."
)
CONTROL_SAYS = (
    "Monthly medians of the rolling window with their centre and limits, begun anew at each change of "
    "equipment, protocol or setting. A filled square is marked by a rule: ask what changed. Rules:"
)
NO_CHART = "No control chart of this quantity: none is made of it, or no case of the window has it."
NONE_OVER = "No case of this month reached a substantial level, as far as its numbers are known."
NONE_REACHED = "No level was reached by a case of this month, as far as its numbers are known."
RULES_HEAD = ("Rule", "Test")


def layout(workflow: Workflow, query: Query) -> Component:
    """The whole page for the month, procedure, room and quantity of the address."""
    months = workflow.months()
    if not months:
        return html.Div([html.H1("Month"), html.P(NO_CASES, className="notice")], className="page")
    view = month_view(workflow, query)
    return html.Div(
        [
            _head(view, query),
            _filters(view),
            _look(view),
            section(f"Cases by procedure: {view.quantity.words}", *_strips(view)),
            _part("typical", "Typical values", number_table(view.typical)),
            _part("trend", f"Trend: {view.trend_name}, {view.quantity.words}", _trend(view)),
            _part(
                "control",
                f"Control chart: {view.trend_name}, {view.quantity.words}",
                *_control(workflow, view),
            ),
            _part("shares", f"Cases at or over a level{_of_every(view)}", *_shares(view)),
            _part("over-levels", "Every case over a substantial level", *_over(view)),
            _part("completeness", f"Completeness by room{_of_every(view)}", *_completeness(view)),
        ],
        className="page month",
    )


def _part(anchor: str, words: str, *children: Component) -> Component:
    return html.Div(section(words, *children), id=anchor)


def _of_every(view: MonthView) -> str:
    return ", every procedure" if view.procedure else ""


def title(query: Query) -> str:
    """'Month: October 2026'."""
    return f"Month: {month_words(query['m'])}" if is_month(query.get("m")) else "Month"


def _head(view: MonthView, query: Query) -> Component:
    before, after = neighbours(view.months, view.month)
    links = [
        dcc.Link(words, href="/month" + search_after(query, {"m": month}))
        for words, month in ((f"← {_words(before)}", before), (f"{_words(after)} →", after))
        if month
    ]
    return html.Header(
        [html.H1(month_words(view.month)), html.Span(view.counted, className="quiet"),
         html.Nav(links, className="month-pager", **{"aria-label": "Months"})],
        className="page-head",
    )  # fmt: skip


def _words(month: str | None) -> str:
    return month_words(month) if month else ""


def _filters(view: MonthView) -> Component:
    return filters(
        choice(ids.MONTH_SELECT, "Month", [(m, month_words(m)) for m in reversed(view.months)], view.month),
        choice(
            ids.MONTH_PROCEDURE,
            "Procedure",
            [(p, p) for p in view.procedures],
            view.procedure,
            everything="every procedure",
        ),
        choice(ids.MONTH_ROOM, "Room", [(r, r) for r in view.rooms], view.room, everything="every room"),
        choice(
            ids.MONTH_QUANTITY,
            "Quantity drawn",
            [(q.key, q.title) for q in QUANTITIES.values()],
            view.quantity.key,
        ),
    )


def _look(view: MonthView) -> Component:
    rules = html.Details(
        [
            html.Summary("The rules behind these sentences"),
            table(RULES_HEAD, view.rules, caption="Rules of what to look at"),
        ],
        className="figure-numbers",
    )
    return section(
        "What to look at", html.Ul([_sentence(s) for s in view.sentences], className="look"), rules
    )


def _sentence(sentence: Sentence) -> Component:
    said = dcc.Link(sentence.text, href=sentence.href) if sentence.href else html.Span(sentence.text)
    return html.Li([said, html.Span(sentence.test, className="quiet small")])


def _strips(view: MonthView) -> list[Component]:
    if not view.strips:
        return [html.P("No case of this month matches the filters.", className="quiet")]
    figure = strips_figure(view.strips, quantity=view.quantity.words, unit=view.quantity.unit)
    return [figure_with_numbers(figure, view.strip_numbers, component_id="month-strips", says=STRIPS_SAY)]


def _trend(view: MonthView) -> Component:
    figure = trend_figure(
        view.trend,
        quantity=view.quantity.words,
        unit=view.quantity.unit,
        lines=view.trend_lines,
        marked=view.month,
    )
    return figure_with_numbers(figure, view.trend_numbers, component_id="month-trend", says=TREND_SAYS)


def _control(workflow: Workflow, view: MonthView) -> list[Component]:
    chart = control_chart(workflow, view)
    if chart is None:
        return [html.P(NO_CHART, className="quiet")]
    points = control_points(chart, view.quantity)
    figure = control_figure(points, quantity=view.quantity.words, unit=view.quantity.unit)
    numbers = control_numbers(chart, view.quantity, view.month)
    says = f"{CONTROL_SAYS} {'; '.join(f'{name}: {rule}' for name, rule in control_rules())}."
    return [figure_with_numbers(figure, numbers, component_id="month-control", says=says)]


def _over(view: MonthView) -> list[Component]:
    if not view.over.rows:
        return [html.P(NONE_OVER, className="quiet")]
    return [number_table(view.over)]


def _completeness(view: MonthView) -> list[Component]:
    listed = [number_table(view.reception)] if view.reception.rows else []
    return [
        number_table(view.completeness),
        html.H3("Planned and received"),
        html.P(view.reception_words),
        *listed,
    ]


def _shares(view: MonthView) -> list[Component]:
    if not view.shares.rows:
        return [html.P(NONE_REACHED, className="quiet")]
    return [number_table(view.shares)]


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    """The callbacks that write the filters into the address and go to the part an address names."""
    app.clientside_callback(
        ClientsideFunction("month", "go_to_part"), Input(ids.LOCATION, "hash"), Input(ids.PAGE, "children")
    )
    register_filters(
        app,
        {
            "m": ids.MONTH_SELECT,
            "procedure": ids.MONTH_PROCEDURE,
            "room": ids.MONTH_ROOM,
            "quantity": ids.MONTH_QUANTITY,
        },
    )


PAGES = (Page("/month", layout, title, "Month"),)
