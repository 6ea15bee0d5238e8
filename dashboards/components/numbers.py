"""A number as every page shows it: value, smaller unit, what it is, its range, basis and age."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboards.view_models import Shown


def number(shown: Shown, *, size: str = "") -> Component:
    """`shown` as label above value and unit, with its notes below.

    size : '' (text), 'large' or 'wall'
    """
    names = ["number", f"is-{size}" if size else "", "is-stale" if shown.is_stale else ""]
    return html.Div(
        [
            html.Div(shown.label, className="number-label"),
            html.Div(value(shown), className="number-value"),
            *[html.Div(note, className="number-note") for note in shown.notes],
        ],
        className=" ".join(name for name in names if name),
    )


def value(shown: Shown) -> list[Component]:
    """Value and unit; italics when estimated, words when not known."""
    if shown.is_unknown:
        return [html.Span(shown.text, className="not-known")]
    name = "digits is-estimated" if shown.is_estimated else "digits"
    parts: list[Component] = [html.Span(shown.text, className=name)]
    if shown.unit:
        parts.append(html.Span(f"\u2009{shown.unit}", className="unit"))
    return parts


def definition_list(rows: list[tuple[str, object]], *, name: str = "facts") -> Component:
    """Label and value pairs, one a line."""
    return html.Dl(
        [html.Div([html.Dt(label), html.Dd(text)]) for label, text in rows],
        className=name,
    )
