"""Correcting what was entered, with a reason; and giving the case to another patient."""

from __future__ import annotations

from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import dcc, html
from dash.development.base_component import Component

from dashboards import ids
from dashboards import view_models as vm

if TYPE_CHECKING:
    from dosetrack.workflow.results import CaseView

CORRECTABLE = ("injection", "console-reading", "creatinine", "patient-size")


def correction_panel(view: CaseView, *, zone: ZoneInfo) -> Component:
    """Pick an entry, type the right value and why; the earlier value stays readable."""
    return html.Details(
        [
            html.Summary("Correct an earlier entry"),
            html.Div(
                [
                    _field(
                        "entry",
                        dmc.Select(
                            id=ids.CORRECT_ENTRY,
                            data=correctable(view, zone=zone),
                            clearable=True,
                            placeholder="pick one",
                        ),
                    ),
                    _field(
                        "right value with its unit",
                        dcc.Input(
                            id=ids.CORRECT_VALUE,
                            type="text",
                            className="input",
                            placeholder="12 mL, 3.4 Gy, 1.3 mg/dL, 68 kg",
                        ),
                    ),
                    _field("why", dcc.Input(id=ids.CORRECT_REASON, type="text", className="input")),
                    html.Div(
                        [
                            html.Button(
                                "Replace it", id=ids.CORRECT_RECORD, className="button target is-strong"
                            ),
                            html.Button("Take it back", id=ids.CORRECT_BACK, className="button target"),
                        ],
                        className="entry-confirm",
                    ),
                    html.Div(id=ids.CORRECT_MESSAGE, className="field-error", role="alert"),
                ],
                className="panel-fields",
            ),
        ],
        className="panel entry",
    )


def correctable(view: CaseView, *, zone: ZoneInfo) -> list[dict[str, str]]:
    """The entries that still stand and can be corrected, newest first."""
    rows = [r for r in view.timeline if r.kind in CORRECTABLE and not r.replaced_by]
    return [{"label": f"{vm.clock_time(r.at, zone)} {r.text}", "value": r.entry_id} for r in reversed(rows)]


def swap_panel() -> Component:
    """Another patient than was entered first: who, and why."""
    return html.Details(
        [
            html.Summary("Wrong patient?"),
            html.Div(
                [
                    html.P(
                        "The case moves to the patient named here. Weight, height and creatinine do not: "
                        "enter them anew.",
                        className="quiet",
                    ),
                    _field("patient's number", dcc.Input(id=ids.SWAP_ID, type="text", className="input")),
                    _field("name", dcc.Input(id=ids.SWAP_NAME, type="text", className="input")),
                    _field(
                        "birth date",
                        dcc.Input(id=ids.SWAP_BORN, type="text", className="input", placeholder="YYYY-MM-DD"),
                    ),
                    _field(
                        "sex",
                        dcc.RadioItems(
                            id=ids.SWAP_SEX, options=["F", "M", "O"], className="choices is-row", inline=True
                        ),
                    ),
                    _field("why", dcc.Input(id=ids.SWAP_REASON, type="text", className="input")),
                    html.Button("Move the case", id=ids.SWAP_RECORD, className="button target"),
                    html.Button(
                        "Undo the last change of patient", id=ids.SWAP_UNDO, className="button target"
                    ),
                    html.Div(id=ids.SWAP_MESSAGE, className="field-error", role="alert"),
                ],
                className="panel-fields",
            ),
        ],
        className="panel entry",
    )


def _field(label: str, control: Component) -> Component:
    return html.Label([html.Span(label, className="field-label"), control], className="field")
