"""Plain tables: the numbers behind every figure, and short lists that need no sorting."""

from __future__ import annotations

from collections.abc import Sequence

from dash import html
from dash.development.base_component import Component


def table(
    head: Sequence[str],
    rows: Sequence[Sequence[object]],
    *,
    caption: str,
    numeric: frozenset[int] = frozenset(),
    is_caption_shown: bool = False,
) -> Component:
    """A table with a caption for readers; columns in `numeric` are set right with even digits.

    A cell that is a `Td` already stands as it is: it may span columns.
    """
    cells = [
        html.Tr(
            [
                cell
                if isinstance(cell, html.Td)
                else html.Td(cell, className="is-numeric" if i in numeric else None)
                for i, cell in enumerate(row)
            ]
        )
        for row in rows
    ]
    return html.Div(
        html.Table(
            [
                html.Caption(caption, className=None if is_caption_shown else "for-readers"),
                html.Thead(
                    html.Tr(
                        [
                            html.Th(text, scope="col", className="is-numeric" if i in numeric else None)
                            for i, text in enumerate(head)
                        ]
                    )
                ),
                html.Tbody(cells),
            ],
            className="table",
        ),
        className="table-frame",
    )


def figure_numbers(
    head: Sequence[str],
    rows: Sequence[Sequence[object]],
    *,
    caption: str,
    numeric: frozenset[int] = frozenset(),
) -> Component:
    """The numbers of a figure as a table that opens on demand."""
    return html.Details(
        [html.Summary("The numbers of this figure"), table(head, rows, caption=caption, numeric=numeric)],
        className="figure-numbers",
    )


def section(title: str, *children: object, name: str = "") -> Component:
    """A titled part of a page."""
    return html.Section([html.H2(title), *children], className=f"section {name}".strip())
