"""Facts of the patient that arrive during the case: creatinine, size, renal status, operators."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import ids
from dashboards.view_models import person_name
from dosetrack.records.entries import Knowledge

if TYPE_CHECKING:
    from dosetrack.workflow.results import CaseView

YES_NO_UNKNOWN = (
    {"label": "yes", "value": Knowledge.YES.value},
    {"label": "no", "value": Knowledge.NO.value},
    {"label": "not known", "value": Knowledge.UNKNOWN.value},
)


def facts_panel(view: CaseView) -> Component:
    """Empty fields change nothing; what is filled is recorded as an entry of its own."""
    renal = view.case.renal
    return html.Details(
        [
            html.Summary("Creatinine, size, change of operator"),
            html.Div(
                [
                    _text("creatinine", "creatinine, with its unit", "1.20 mg/dL or 106 µmol/L"),
                    _text("creatinine_on", "taken on", "YYYY-MM-DD"),
                    _text("weight", "weight, with its unit", "68 kg"),
                    _text("height", "height, with its unit", "160 cm"),
                    _text(
                        "operators",
                        "handover: operators from now on, first one primary, separated by ;",
                        "; ".join(map(person_name, view.case.operators)),
                    ),
                    _choice("dialysis", "on dialysis", YES_NO_UNKNOWN, renal.dialysis.value),
                    _choice(
                        "unstable",
                        "creatinine changing",
                        ("yes", "no"),
                        _yes_no(renal.is_creatinine_unstable),
                    ),
                    _choice("inpatient", "inpatient", ("yes", "no"), _yes_no(renal.is_inpatient)),
                    _choice(
                        "old",
                        "use an old creatinine all the same",
                        ("yes", "no"),
                        _yes_no(renal.is_old_creatinine_confirmed),
                    ),
                    html.Div(id=ids.FACTS_MESSAGE, className="field-error", role="alert"),
                    html.Div(
                        dcc.Checklist(
                            id=ids.FACTS_CONFIRM, options=["yes, record it"], value=[], className="choices"
                        ),
                        id=ids.FACTS_CONFIRM_LINE,
                        hidden=True,
                    ),
                    html.Button("Record", id=ids.FACTS_RECORD, className="button target is-strong"),
                ],
                className="panel-fields",
            ),
        ],
        open=view.kidney.leading is None,
        className="panel entry",
    )


def _yes_no(flag: bool) -> str:
    return "yes" if flag else "no"


def _text(name: str, label: str, hint: str) -> Component:
    return html.Label(
        [
            html.Span(label, className="field-label"),
            dcc.Input(
                id=ids.family(ids.FACT, name),
                type="text",
                className="input",
                placeholder=hint,
                autoComplete="off",
            ),
        ],
        className="field",
    )


def _choice(name: str, label: str, options: tuple[object, ...], value: str) -> Component:
    return html.Fieldset(
        [
            html.Legend(label),
            dcc.RadioItems(
                id=ids.family(ids.FACT, name),
                options=list(options),
                value=value,
                className="choices",
                inline=True,
            ),
        ],
        className="field",
    )
