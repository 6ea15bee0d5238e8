"""Published contrast limits side by side, renal estimates, and what the patient received earlier."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import view_models as vm
from dashboards.components.case_lists import findings_list
from dashboards.components.tables import table
from dashboards.router import path_of

if TYPE_CHECKING:
    from dosetrack.kidney import FiltrationRow, KidneyAssessment, LimitRow
    from dosetrack.workflow.results import CaseSummary, Earlier

HEAD = ("limit", "mL", "g I", "used", "distance", "renal input, or why not", "source")
NOT_COMPUTED = "not computed for this patient"
_UNITS = {"mL/min/1.73m2": "mL/min/1.73 m²"}


def limits_table(found: KidneyAssessment, *, has_findings: bool = True) -> Component:
    """Headline, every published limit with its source, and the renal estimates."""
    rows = [limit_cells(row, is_leading=row.key == found.leading_key) for row in found.limits]
    parts: list[Component] = [
        html.H2("Contrast limits"),
        html.P(html.Strong(found.headline), className="headline"),
        html.P(given_words(found), className="quiet"),
        html.Div(
            table(HEAD, rows, caption="Published contrast limits", numeric=frozenset({1, 2, 3, 4})),
            className="limits",
        ),
        html.H3("Renal estimates"),
        table(
            ("estimate", "value", "note"),
            [estimate_cells(row) for row in (*found.egfr, found.absolute)],
            caption="Renal estimates",
            numeric=frozenset({1}),
        ),
    ]
    if has_findings and found.findings:
        parts += [html.H3("Findings"), findings_list(found.findings)]
    return html.Div(parts)


def given_words(found: KidneyAssessment) -> str:
    """What counts against the limits: this case and the earlier part."""
    strength = found.patient.concentration_mgi_ml
    product = (
        f"limits in mL at {strength:g} mg I/mL"
        if strength
        else "concentration not known: iodine limits have no mL"
    )
    return vm.joined(found.given.in_words(), product)


def limit_cells(row: LimitRow, *, is_leading: bool) -> list[object]:
    """One limit as cells; limits rounded down, used up; why not where it does not apply."""
    name: object = row.name
    if is_leading:
        name = html.Span([html.Strong(row.name), " ", html.Span("leading", className="chip")])
    if not row.applies:
        why = html.Td(row.note or NOT_COMPUTED, colSpan=len(HEAD) - 2, className="quiet")
        return [html.Span(row.name, className="quiet"), why, html.Td(row.source)]
    way = vm.distance_parts(row.remaining_ml) if row.remaining_ml is not None else ("", "")
    return [
        name,
        vm.limit_ml(row.limit_ml),
        vm.NOT_KNOWN if row.limit_iodine_g is None else vm.down(row.limit_iodine_g, 1),
        vm.percent_used(row.used_fraction),
        " ".join(part for part in (way[0], way[1]) if part) or vm.NOT_KNOWN,
        row.renal_input or "needs no renal value",
        row.source,
    ]


def estimate_cells(row: FiltrationRow) -> list[object]:
    """One renal estimate as cells; why not where it has no value."""
    value = vm.NOT_KNOWN if row.value is None else f"{vm.down(row.value, 1)} {_UNITS.get(row.unit, row.unit)}"
    return [row.formula, value, row.note or ""]


def earlier_panel(earlier: Earlier) -> Component:
    """Cases of the look-back windows, newest first: dose plans the beam entry, it forbids nothing."""
    days, hours = f"{earlier.radiation_days:g}", f"{earlier.contrast_hours:g}"
    parts: list[Component] = [html.H2("Received earlier")]
    if earlier.radiation:
        rows = [_case_cells(c) for c in reversed(earlier.radiation)]
        parts.append(
            table(
                ("case", "procedure", "Ka,r", "DAP"),
                rows,
                caption=f"Radiation in the {days} days before",
                numeric=frozenset({2, 3}),
                is_caption_shown=True,
            )
        )
        parts.append(html.P("Plan another beam entry where the field would be the same.", className="quiet"))
    else:
        parts.append(html.P(f"No case on record here in the {days} days before.", className="quiet"))
    if earlier.contrast_cases:
        lines = [
            f"{vm.day_and_time(c.started_at)}: {vm.used_ml(c.contrast_ml)} mL" for c in earlier.contrast_cases
        ]
        parts.append(html.P([html.Strong(f"Contrast in the {hours} h before: "), "; ".join(lines)]))
    else:
        parts.append(
            html.P(
                f"No contrast on record here in the {hours} h before; elsewhere not known.", className="quiet"
            )
        )
    return html.Div(parts)


def _case_cells(case: CaseSummary) -> list[object]:
    kermas = case.reference_air_kerma_by_plane_mgy.values()
    known = [value for value in kermas if value is not None]
    words = vm.kerma_words(max(known, default=case.reference_air_kerma_mgy))
    link = dcc.Link(vm.day_and_time(case.started_at), href=path_of("case", case.id))
    return [link, case.procedure or "", words, " ".join(vm.dose_area_product(case.dose_area_product_gycm2))]
