"""The numbers beside the two lanes: radiation above, contrast below."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboards.case_words import Accounts
from dashboards.components.numbers import number


def lane_heads(shown: Accounts) -> Component:
    """Both heads for near reading: the leading numbers large, the rest beside them."""
    radiation = [number(shown.kerma, size="large"), number(shown.skin, size="large")]
    radiation += [number(plane) for plane in shown.planes]
    radiation += [number(shown.dose_area_product), number(shown.time)]
    contrast = [number(shown.contrast, size="large"), number(shown.distance, size="large")]
    return html.Div(
        [_head("Radiation", radiation, "radiation"), _head("Contrast", contrast, "contrast")],
        className="lane-heads",
    )


def wall_heads(shown: Accounts) -> Component:
    """The four numbers of the wall, each with its label; nothing else at that size."""
    kerma, skin, contrast, distance = (number(one, size="wall") for one in shown.four)
    return html.Div(
        [_head("Radiation", [kerma, skin], "radiation"), _head("Contrast", [contrast, distance], "contrast")],
        className="lane-heads is-wall",
    )


def _head(title: str, children: list[Component], name: str) -> Component:
    return html.Section([html.H2(title), *children], className=f"lane-head is-{name}")
