"""Filters of a page: each a list whose choice goes into the address, so that a view can be sent on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, ctx, html, no_update
from dash.development.base_component import Component

from dashboards import ids
from dashboards.router import Query, query_of, search_of


def choice(
    component_id: str,
    label: str,
    options: Sequence[tuple[str, str]],
    value: str | None,
    *,
    everything: str | None = None,
) -> Component:
    """A list of (value, words); `everything` names the choice that filters nothing."""
    first = [{"value": "", "label": everything}] if everything else []
    return dmc.Select(
        id=component_id,
        label=label,
        data=[*first, *[{"value": v, "label": words} for v, words in options]],
        value=value or ("" if everything else None),
        allowDeselect=False,
        searchable=len(options) > 12,
        className="filter",
    )


def filters(*children: Component) -> Component:
    """The filters of a page in one row; not printed."""
    return html.Div(list(children), className="filters", role="search")


def search_after(query: Query, chosen: Mapping[str, str | None]) -> str:
    """The search part of the address when `chosen` replaces what `query` held."""
    return search_of({**query, **chosen})


def register_filters(app: Dash, fields: Mapping[str, str]) -> None:
    """The callback that writes the choices of a page into the address.

    fields : key in the address -> id of its list
    """
    by_id = {component_id: key for key, component_id in fields.items()}

    @app.callback(
        Output(ids.LOCATION, "search", allow_duplicate=True),
        *[Input(component_id, "value") for component_id in fields.values()],
        State(ids.LOCATION, "search"),
        prevent_initial_call=True,
    )
    def write(*given: str | None) -> Any:
        if ctx.triggered_id is None:  # the lists have just been drawn; nobody chose
            return no_update
        return changed_search((by_id[ctx.triggered_id],), (_chosen(given, ctx.triggered_id),), given[-1])

    def _chosen(given: tuple[str | None, ...], component_id: str) -> str | None:
        return given[list(by_id).index(component_id)]


def changed_search(keys: Sequence[str], values: Sequence[str | None], search: str | None) -> Any:
    """The new search part, or no update where the address already says so."""
    before = query_of(search)
    chosen = dict(zip(keys, values, strict=True))
    changed = {
        key: value for key, value in chosen.items() if value is not None and value != before.get(key, "")
    }
    return search_after(before, changed) if changed else no_update
