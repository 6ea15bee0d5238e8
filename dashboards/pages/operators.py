"""Operators: typical values within one procedure under letters, and one's own cases."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING

from dash import Dash, html
from dash.development.base_component import Component

from dashboards import ids
from dashboards.components.filters import choice, filters, register_filters
from dashboards.components.number_table import figure_with_numbers
from dashboards.components.tables import section
from dashboards.figures.operators import operators_figure
from dashboards.figures.trend import days_figure
from dashboards.operators_view import BY_COUNT, OperatorsView, operators_view
from dashboards.router import Page, Query
from dashboards.view_models import person_name
from dashboards.view_models_month import QUANTITIES, month_words

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

NO_CASES = "No ended case is held yet: operators appear with their first case."
MEANING = (
    "Comparable only inside one procedure, and not adjusted for patient size, complexity or room: a "
    "difference is a question to talk about, not a judgement. Names are letters; whoever picks themselves "
    "sees their own row and cases."
)
CLAIMED = "Picked, not signed in: a claim. Show these cases only to the person they belong to."
FIGURE_SAYS = (
    "Dot: median; bar: quartiles. Hollow: too few cases to tell. Dotted upright: median of all operators; "
    "dashed and solid uprights: levels that prompt, for single cases, not for medians."
)
OWN_SAYS = "Each dot is one of your cases. Lines across: levels that prompt during a case."
NONE_OWN = "None of your cases in this procedure and window has this quantity."


def layout(workflow: Workflow, query: Query) -> Component:
    """The whole page for the window, procedure, quantity, order and person of the address."""
    if not workflow.months():
        return html.Div([html.H1("Operators"), html.P(NO_CASES, className="notice")], className="page")
    view = operators_view(workflow, query)
    return html.Div(
        [
            html.Header(
                [html.H1("Operators"), html.Span(_window(view), className="quiet")], className="page-head"
            ),
            _filters(view),
            html.P(MEANING, className="lead"),
            section(f"{view.group}: {view.quantity.words}", _comparison(view)),
            *_own(view),
        ],
        className="page operators",
    )


def _window(view: OperatorsView) -> str:
    window = f"{view.window_months} months to {month_words(view.month)}"
    return f"{window} · fewer than {view.minimum_n} cases: cannot tell yet"


def _filters(view: OperatorsView) -> Component:
    return filters(
        choice(ids.OPERATORS_PROCEDURE, "Procedure", [(p, p) for p in view.procedures], view.procedure),
        choice(
            ids.OPERATORS_QUANTITY,
            "Quantity drawn",
            [(q.key, q.title) for q in QUANTITIES.values()],
            view.quantity.key,
        ),
        choice(
            ids.OPERATORS_MONTH,
            "Window ends with",
            [(m, month_words(m)) for m in reversed(view.months)],
            view.month,
        ),
        choice(
            ids.OPERATORS_ORDER,
            "Order",
            [(BY_COUNT, "by number of cases")],
            view.order,
            everything="by letter",
        ),
        choice(
            ids.OPERATORS_ME,
            "My cases",
            [(p, person_name(p)) for p in view.people],
            view.me,
            everything="nobody picked",
        ),
    )


def _comparison(view: OperatorsView) -> Component:
    if not view.rows:
        return html.P("No case of this procedure in the window.", className="quiet")
    figure = operators_figure(
        view.rows,
        quantity=view.quantity.words,
        unit=view.quantity.unit,
        all_median=view.all_median,
        lines=view.lines,
    )
    return figure_with_numbers(
        figure, view.numbers, component_id="operators-figure", says=FIGURE_SAYS, is_open=True
    )


def _own(view: OperatorsView) -> list[Component]:
    if view.me is None:
        return []
    head = f"My cases: {view.me}, {view.group}"
    if not view.own:
        return [section(head, html.P(NONE_OWN, className="quiet"))]
    figure = days_figure(view.own, quantity=view.quantity.words, unit=view.quantity.unit, lines=view.lines)
    drawn = figure_with_numbers(
        figure, view.own_numbers, component_id="own-figure", says=OWN_SAYS, is_open=True
    )
    return [section(head, html.P(CLAIMED, className="quiet small"), drawn)]


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    """The callback that writes the filters into the address."""
    register_filters(
        app,
        {
            "procedure": ids.OPERATORS_PROCEDURE,
            "quantity": ids.OPERATORS_QUANTITY,
            "m": ids.OPERATORS_MONTH,
            "order": ids.OPERATORS_ORDER,
            "me": ids.OPERATORS_ME,
        },
    )


PAGES = (Page("/operators", layout, lambda _: "Operators", "Operators"),)
