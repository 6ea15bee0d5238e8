"""Follow-up: whom to call today, on paper; it says whether deaths were asked for first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import follow_up_view as fv
from dashboards import view_models as vm
from dashboards.components.tables import section, table
from dashboards.router import Query
from dosetrack.errors import DosetrackError

if TYPE_CHECKING:
    from dosetrack.followup.on_day import ItemOnDay
    from dosetrack.workflow import Workflow

NOBODY_DUE = "Nobody is to be called today."
EMPTY_HEAD = (
    "patient",
    "born",
    "number",
    "telephone",
    "interpreter",
    "about",
    "next step",
    "called, outcome",
)
NOT_HEAD = ("patient", "number", "about", "why not")
CONFIDENTIAL = "Holds names: keep it as you keep any list of patients, and destroy it after the day."


def title(query: Query) -> str:
    """What the paper is."""
    return "Call list of the day"


def layout(workflow: Workflow, query: Query) -> Component:
    """The list for today."""
    try:
        found = workflow.call_list()
    except DosetrackError as error:
        return html.Div(
            [html.H1("Call list"), html.P(str(error), className="notice", role="alert")], className="page"
        )
    checked = html.P(
        [html.Span("▲ ", **{"aria-hidden": "true"}), found.deaths_checked], className="follow-checked"
    )
    calls = [_call(one) for one in found.calls]
    parts: list[Component] = [
        html.Header(
            [
                html.H1(f"Call list of {vm.day(found.on.isoformat())}"),
                html.Span(f"{len(calls)} to call", className="quiet"),
                dcc.Link("Back to the worklist", href=fv.PATH, className="follow-back"),
            ],
            className="page-head",
        ),
        checked,
        html.P(CONFIDENTIAL, className="quiet"),
        table(EMPTY_HEAD, calls, caption="Patients to call")
        if calls
        else html.P(NOBODY_DUE, className="notice"),
    ]
    if found.not_called:
        rows = [_not_called(one, why) for one, why in found.not_called]
        parts.append(section("Due and not called", table(NOT_HEAD, rows, caption="Due and not called")))
    return html.Div(parts, className="page follow-up calls")


def _call(one: ItemOnDay) -> list[object]:
    item, contact = one.item, one.item.contact
    line = fv.line_of(one)
    return [
        dcc.Link(vm.person_name(item.patient.name) or "name not known", href=fv.card_href(item.case_id)),
        item.patient.birth_date or vm.NOT_KNOWN,
        item.patient.id or vm.NOT_KNOWN,
        (contact.phone if contact else None) or vm.NOT_KNOWN,
        (contact.interpreter if contact else None) or "none asked for",
        f"{line.what}: {fv.where(item)}; {line.standing}",
        line.next_step,
        "",
    ]


def _not_called(one: ItemOnDay, why: str) -> list[object]:
    patient = one.item.patient
    what = f"{fv.KIND_WORDS[one.item.kind]}: {fv.where(one.item)}"
    return [vm.person_name(patient.name) or "name not known", patient.id or vm.NOT_KNOWN, what, why]
