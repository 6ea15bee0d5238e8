"""Follow-up as other pages show it: each item in one line, with the way to its card."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import follow_up_view as fv

if TYPE_CHECKING:
    from dosetrack.followup.on_day import ItemOnDay

NONE_ASKED = "No follow-up was asked for."
NOT_YET = "Follow-up is decided when the case has ended."


def follow_up_list(items: Sequence[ItemOnDay], *, nothing: str = NONE_ASKED) -> Component:
    """Items with their state, day and next step; what it means that there is none."""
    if not items:
        return html.P(nothing, className="quiet")
    return html.Ul([_item(one) for one in items], className="follow-links")


def _item(one: ItemOnDay) -> Component:
    line = fv.line_of(one)
    warning = [html.Span(f" ◆ {line.warning}.", className="follow-warned")] if line.warning else []
    return html.Li(
        [
            dcc.Link(f"{line.what}, case of {fv.where(one.item)}", href=fv.card_href(one.item.case_id)),
            f": {line.state}; {line.shape} {line.standing}; owner: {line.owner}.",
            *warning,
        ]
    )
