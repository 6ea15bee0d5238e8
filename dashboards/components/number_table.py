"""A table whose numbers can be saved: shown rounded on the page, exact in the CSV behind the link."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

import plotly.graph_objects as go
from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components.tables import table
from dashboards.figures.style import GRAPH_CONFIG_WITH_SAVE

Cell = str | int | float | None


@dataclass(frozen=True, slots=True)
class NumberTable:
    """The numbers of one figure or list, twice: as shown and as saved.

    head, rows : what the page shows; cells are text or components
    keys, values : what the CSV holds: keys end in their unit, None becomes an empty field
    name : of the file, without '.csv'
    numeric : columns set right
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]
    keys: tuple[str, ...]
    values: tuple[tuple[Cell, ...], ...]
    name: str
    numeric: frozenset[int] = frozenset()


def csv_text(keys: Sequence[str], values: Sequence[Sequence[Cell]]) -> str:
    """Comma-separated text with a head line; None is an empty field, never 0.

    A text that a spreadsheet would read as a formula is held as text by a leading apostrophe.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(keys)
    writer.writerows([[_held(value) for value in row] for row in values])
    return out.getvalue()


def _held(value: Cell) -> Cell:
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return f"'{value}"
    return value


def save_link(numbers: NumberTable) -> Component:
    """A link that saves the numbers as a file; it needs no further request."""
    text = csv_text(numbers.keys, numbers.values)
    return html.A(
        "Save as CSV",
        href="data:text/csv;charset=utf-8," + quote("\ufeff" + text),
        download=f"{numbers.name}.csv",
        className="save-link",
    )


def number_table(numbers: NumberTable) -> Component:
    """The table itself with its link."""
    return html.Div(
        [
            table(numbers.head, numbers.rows, caption=numbers.caption, numeric=numbers.numeric),
            save_link(numbers),
        ],
        className="number-table",
    )


def figure_with_numbers(
    figure: go.Figure, numbers: NumberTable, *, component_id: str, says: str, is_open: bool = False
) -> Component:
    """A figure, how to read it, and its numbers: on demand, or shown where `is_open`."""
    return html.Figure(
        [
            dcc.Graph(id=component_id, figure=figure, config=GRAPH_CONFIG_WITH_SAVE, responsive=True,
                      style={"height": f"{figure.layout.height}px"}),
            html.Figcaption(says, className="quiet small"),
            number_table(numbers) if is_open else _on_demand(numbers),
        ],
        className="figure",
    )  # fmt: skip


def _on_demand(numbers: NumberTable) -> Component:
    summary = html.Summary("The numbers of this figure")
    return html.Details([summary, number_table(numbers)], className="figure-numbers")
