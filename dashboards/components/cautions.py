"""The cautions that stand under every page with numbers: short, and always the same."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

CAUTIONS = (
    "For trained staff; local protocol decides.",
    "Totals hold only what was entered or received.",
    "Ka,r is not skin dose. Contrast limits come mostly from coronary patients: "
    "below one does not mean no injury, past one does not mean injury.",
    "Renal estimates need a recent, stable creatinine.",
)


def cautions() -> Component:
    """One quiet line of cautions."""
    return html.Footer(html.P(" ".join(CAUTIONS)), className="cautions")
