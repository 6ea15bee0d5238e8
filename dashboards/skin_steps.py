"""The figures of a skin map at a step of its case, and the step in words."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from dash import Patch

from dashboards import theme
from dashboards.components.skin_panel import time_words
from dashboards.components.skin_setup import TRIED
from dashboards.figures.skin_body import PEAK_TRACE, skin_body
from dashboards.figures.skin_flat import skin_flat
from dashboards.figures.skin_growth import skin_growth
from dashboards.skin_held import Drawn
from dosetrack.skin.by_view import Moment


def flat_figure(
    drawn: Drawn, step: int | None, *, zone: ZoneInfo | None = None, is_tried: bool = False
) -> Any:
    """The flat map after a step, counted from 1; None: the whole case."""
    moment = moment_of(drawn, step)
    told = [
        TRIED if is_tried else None,
        moment_words(drawn, step, zone) if moment is not None and zone is not None else None,
    ]
    return skin_flat(
        drawn.skin_map,
        ground=theme.LIGHT,
        dose_mgy=None if moment is None else moment.dose_mgy,
        grid=drawn.grid,
        views=None if is_tried or moment is not None else drawn.views,
        moment=", ".join(text for text in told if text) or None,
    )


def body_figure(drawn: Drawn, step: int | None) -> Any:
    """The body after a step."""
    moment = moment_of(drawn, step)
    return skin_body(drawn.skin_map, ground=theme.LIGHT, dose_mgy=None if moment is None else moment.dose_mgy)


def body_patch(drawn: Drawn, step: int | None) -> Patch:
    """What changes on the body from step to step: the colours and the peak; a third of the bytes."""
    traces = body_figure(drawn, step).data
    patch = Patch()
    patch["data"][0]["intensity"] = traces[0].intensity.round(4).tolist()
    patch["data"][PEAK_TRACE] = traces[PEAK_TRACE].to_plotly_json()
    return patch


def growth_figure(drawn: Drawn, step: int | None, zone: ZoneInfo) -> Any:
    """The growth of the peak with the step marked."""
    moment = moment_of(drawn, step)
    steps = len(drawn.skin_map.growth)
    at = None if moment is None else round(moment.events / moment.of * steps) - 1
    return skin_growth(drawn.skin_map, ground=theme.LIGHT, zone=zone, moment=at)


def moment_words(drawn: Drawn, step: int | None, zone: ZoneInfo) -> str:
    """'after 12 of 40 events, 10:41'."""
    moment = moment_of(drawn, step)
    if moment is None:
        count = drawn.ends[-1] if drawn.ends else 0
        return f"whole case, {count} {'event' if count == 1 else 'events'}"
    at = time_words(moment.at, zone) if moment.at else None
    return f"after {moment.events} of {moment.of} events" + (f", {at}" if at else "")


def moment_of(drawn: Drawn, step: int | None) -> Moment | None:
    """The moment of a step before the last; None at the last, which is the whole map."""
    return drawn.moments[step - 1] if step is not None and 0 < step < len(drawn.ends) else None
