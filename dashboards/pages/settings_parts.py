"""What the parts of the settings page share: the links between them, the procedures met, today."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html
from dash.development.base_component import Component

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

PARTS = (
    ("settings", "Levels and choices", "/settings"),
    ("references", "Reference levels", "/settings/references"),
    ("published", "Published limits", "/settings/published"),
)


def tabs(current: str) -> Component:
    """The three parts of the page as links."""
    links = [tab_link(words, address, is_current=name == current) for name, words, address in PARTS]
    return html.Nav(links, className="tabs", **{"aria-label": "Parts of the settings"})


def tab_link(words: str, address: str, *, is_current: bool) -> Component:
    """One link of a row of links; the current one is marked by a bar and for readers."""
    name = "tab is-current" if is_current else "tab"
    link = dcc.Link(words, href=address, className=name)
    return html.Span(link, **({"aria-current": "true"} if is_current else {}))


def procedures(workflow: Workflow) -> list[str]:
    """Every procedure label met in a case, in alphabetical order."""
    return sorted({case.procedure for case in workflow.cases() if case.procedure})
