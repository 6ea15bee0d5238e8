"""Machines: meters, table axes, calibration, clock and conformance of each x-ray system."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from dash import MATCH, Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component

from dashboards import ids, machines_view
from dashboards.components.filters import choice, filters, register_filters
from dashboards.components.number_table import figure_with_numbers, number_table
from dashboards.figures.machines import axes_figure, drift_figure
from dashboards.machines_view import Mark
from dashboards.router import Page, Query
from dosetrack.audit.machine_conformance import Conformance
from dosetrack.audit.machine_facts import MachineKey
from dosetrack.audit.machine_wording import conformance_words
from dosetrack.audit.machines import Machine, Machines
from dosetrack.audit.months import rolling_start
from dosetrack.tables import constants

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

NOTHING = "No machine has sent a report in this window."
MEANING = (
    "What the data say of each system: a reason to measure, never a measurement. Every case gives one "
    "value: DAP over Ka,r times the stated field carried to the reference point."
)
DRIFT_SAYS = (
    "Median of the cases of a month with its 95 % interval. Filled: the whole interval lies beyond the "
    "tolerance about the first months. Dotted upright: a calibration factor set."
)
AXES_SAYS = "Bar: 95 of 100 cases move no further; upright: median; ring: longest. Hatched: setting doubtful."
NO_FIELD = "No case tells DAP, Ka,r, a field and the distances together: the meters cannot be followed."
WINDOWS = (6, 12, 24, 60)


def layout(workflow: Workflow, query: Query) -> Component:
    """One card per machine for the months and the machine of the address."""
    months = _months(query)
    last = workflow.today()
    first = rolling_start(date.fromisoformat(last), months).isoformat()
    found = workflow.machines(first, last, with_conformance=False)
    names = sorted({machine.name for machine in found.machines})
    one = query.get("machine")
    shown = [machine for machine in found.machines if one in (None, machine.name)]
    return html.Div(
        [
            html.Header(
                [html.H1("Machines"), html.Span(f"{first} to {last}", className="quiet")],
                className="page-head",
            ),
            filters(
                choice(
                    ids.MACHINES_MONTHS, "Window", [(str(m), f"{m} months") for m in WINDOWS], str(months)
                ),
                choice(ids.MACHINES_ONE, "Machine", [(n, n) for n in names], one, everything="every machine"),
            ),
            html.P(MEANING, className="lead"),
            *([_card(machine, found) for machine in shown] or [html.P(NOTHING, className="notice")]),
        ],
        className="page machines",
    )


def _months(query: Query) -> int:
    given = query.get("months", "")
    usual = int(constants("machines")["window_months"].number)
    return int(given) if given.isdigit() and int(given) in WINDOWS else usual


def _card(machine: Machine, found: Machines) -> Component:
    slug = re.sub(r"[^a-z0-9]+", "-", machine.name.lower()).strip("-")
    key = machine.facts.key
    name = f"{key.serial}/{key.station}"
    asked = {"serial": key.serial, "station": key.station, "first": found.first_day, "last": found.last_day,
             "slug": slug}  # fmt: skip
    lines = [html.Div([html.Dt(term), html.Dd(words)]) for term, words in machines_view.facts(machine)]
    return html.Article(
        [
            html.H2(machine.name, id=f"machine-{slug}"),
            html.Ul([_mark(mark) for mark in machines_view.marks(machine)], className="machine-marks"),
            html.Div(
                [html.Dl(lines, className="facts"), html.Div(_figures(machine, slug))], className="columns"
            ),
            dcc.Store(id=ids.family(ids.MACHINE_ASKED, name), data=asked),
            html.H3("Reports against their template"),
            html.Div(html.P("Being checked…", className="quiet"), id=ids.family(ids.MACHINE_TEMPLATE, name)),
            *_more(machine, slug),
        ],
        className="section machine-card",
        **{"aria-labelledby": f"machine-{slug}"},
    )


def _mark(mark: Mark) -> Component:
    words = dcc.Link(mark.words, href=mark.href) if mark.href else mark.words
    shape = html.Span(f"{mark.shape} ", **{"aria-hidden": "true"})
    return html.Li([shape, words], className="chip is-attention" if mark.is_attention else "chip")


def _figures(machine: Machine, slug: str) -> list[Component]:
    parts: list[Component] = [html.H3("Meters")]
    numbers = machines_view.drift_numbers(machine, slug)
    if any(drift.overall for drift in machine.drifts):
        figure = drift_figure(machine.drifts, machine.calibration.factors)
        parts.append(
            figure_with_numbers(
                figure, numbers, component_id=f"meters-{slug}", says=f"{DRIFT_SAYS} {_standard()}"
            )
        )
    else:
        parts.append(html.P(NO_FIELD, className="quiet"))
    if any(axis.cases for axis in machine.axes):
        axes = machines_view.axes_numbers(machine, slug)
        parts += [
            html.H3("Table readings"),
            figure_with_numbers(axes_figure(machine.axes), axes, component_id=f"axes-{slug}", says=AXES_SAYS),
        ]
    return parts


def _standard() -> str:
    table = constants("machines")
    kvp, sid, field = (table[f"standard_{name}"] for name in ("kvp", "source_to_detector", "field"))
    return (
        f"Kerma per pulse and frame in the table: {kvp.low} to {kvp.high} kV, source to detector "
        f"{sid.low} to {sid.high} mm, field at the detector {field.low} to {field.high} cm² (own choice)."
    )


def _more(machine: Machine, slug: str) -> list[Component]:
    found: list[Component] = []
    if machine.calibration.factors:
        found += [
            html.H3("Calibration factors"),
            number_table(machines_view.calibration_numbers(machine, slug)),
        ]
    if machine.facts.findings:
        found.append(
            html.Details(
                [
                    html.Summary("Findings of its reports"),
                    number_table(machines_view.finding_numbers(machine, slug)),
                ],
                className="figure-numbers",
            )
        )
    return found


def template_part(card: Conformance, slug: str) -> list[Component]:
    """The conformance card: what is missing, wrong or extra, and all that is sent."""
    parts: list[Component] = [html.P(conformance_words(card))]
    if card.departures:
        parts.append(number_table(machines_view.departure_numbers(card, slug)))
    elif card.checked:
        parts.append(html.P("No departure from the template in these reports.", className="quiet"))
    if card.not_checked:
        parts.append(html.P(f"{card.not_checked} of another kind were not checked.", className="quiet"))
    if card.sent:
        sent = number_table(machines_view.sent_numbers(card, slug))
        parts.append(
            html.Details([html.Summary("Items sent"), sent], className="figure-numbers machine-sent")
        )
    return parts


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    """The filters, and the check of each machine's newest reports once its card stands."""
    register_filters(app, {"months": ids.MACHINES_MONTHS, "machine": ids.MACHINES_ONE})

    @app.callback(
        Output(ids.family(ids.MACHINE_TEMPLATE, MATCH), "children"),
        Input(ids.family(ids.MACHINE_ASKED, MATCH), "modified_timestamp"),
        State(ids.family(ids.MACHINE_ASKED, MATCH), "data"),
    )
    def check(_: int | None, asked: dict[str, Any]) -> list[Component]:
        key = MachineKey(asked["serial"], asked["station"])
        card = workflow.machine_conformance(key, asked["first"], asked["last"])
        return template_part(card, asked["slug"])


PAGES = (Page("/machines", layout, lambda _: "Machines", "Machines"),)
