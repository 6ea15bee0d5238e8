"""How the peak grew over the case: the peak of the whole map, and the dose of the place it ended at."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import plotly.graph_objects as go

from dashboards.figures.style import axis, base_layout
from dosetrack.skin.peak import levels_mgy
from dosetrack.skin.wording import level_words

if TYPE_CHECKING:
    from dashboards.theme import Ground
    from dosetrack.skin.model import SkinMap

ANYWHERE, FINAL, EVENTS, SHOWN = "highest dose anywhere", "dose where the peak ended", "events", "shown now"
_MGY_PER_GY = 1000.0
_TOP_SPACE = 1.12
_APART = 0.02
"""Share of the peak by which both lines must differ to be named apart; drawing alone."""
_Place = datetime | int


def skin_growth(
    skin_map: SkinMap,
    *,
    ground: Ground,
    zone: ZoneInfo,
    moment: int | None = None,
    font_size: int = 14,
    uirevision: str = "skin",
) -> go.Figure:
    """The peak over the clock; over the number of events where their times are not known.

    A second place that grows while the first stands still shows that a change of view spread the dose.

    moment : place among the steps of growth that the map shows now, drawn as an upright line
    """
    figure = go.Figure()
    places, title = _places(skin_map, zone)
    highest = [peak / _MGY_PER_GY for _, peak, _ in skin_map.growth]
    final = [dose / _MGY_PER_GY for _, _, dose in skin_map.growth]
    for name, values, line in (
        (ANYWHERE, highest, {"color": ground.radiation, "width": 2.5, "shape": "hv"}),
        (FINAL, final, {"color": ground.contrast, "width": 2.0, "dash": "dot", "shape": "hv"}),
    ):
        figure.add_trace(
            go.Scatter(
                name=name,
                x=places,
                y=values,
                mode="lines",
                line=line,
                hovertemplate=f"<i>%{{y:.2f}} Gy</i> {name}<extra></extra>",
            )
        )
    figure.add_trace(_events(places, ground))
    top = max([*highest, *final], default=1.0) or 1.0
    figure.add_trace(_now(places, moment, top * _TOP_SPACE, ground))
    figure.update_layout(
        **_layout(ground, title, top=top * _TOP_SPACE, font_size=font_size, uirevision=uirevision),
        shapes=_level_lines(top * _TOP_SPACE, ground),
        annotations=[*_level_names(top * _TOP_SPACE, ground), *_names(places, highest, final, ground)],
    )
    return figure


def _places(skin_map: SkinMap, zone: ZoneInfo) -> tuple[list[_Place], str]:
    """Where each step stands: on the clock, else by its number."""
    times = [text for text, _, _ in skin_map.growth if text is not None]
    if len(times) == len(skin_map.growth):
        return [_local(datetime.fromisoformat(text), zone) for text in times], "time of day"
    return list(range(1, len(skin_map.growth) + 1)), "step of the case (times not known)"


def _local(moment: datetime, zone: ZoneInfo) -> datetime:
    """The moment as the room's clock read it."""
    return (moment.astimezone(zone) if moment.tzinfo else moment).replace(tzinfo=None)


def _events(places: list[_Place], ground: Ground) -> Any:
    """One small upright mark for each step, on the time axis."""
    return go.Scatter(
        name=EVENTS,
        x=places,
        y=[0.0] * len(places),
        mode="markers",
        marker={"symbol": "line-ns", "size": 10, "line": {"width": 1.2, "color": ground.quiet}},
        hoverinfo="skip",
        cliponaxis=False,
    )


def _level_lines(top: float, ground: Ground) -> list[dict[str, Any]]:
    return [
        {
            "type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": level / _MGY_PER_GY,
            "y1": level / _MGY_PER_GY, "line": {"color": ground.edge, "width": 1, "dash": "dash"},
        }
        for level in levels_mgy()
        if level / _MGY_PER_GY <= top
    ]  # fmt: skip


def _level_names(top: float, ground: Ground) -> list[dict[str, Any]]:
    return [
        {
            "xref": "paper", "x": 0, "xanchor": "left", "y": level / _MGY_PER_GY, "yanchor": "bottom",
            "text": level_words(level), "showarrow": False, "font": {"size": 12, "color": ground.quiet},
        }
        for level in levels_mgy()
        if level / _MGY_PER_GY <= top
    ]  # fmt: skip


def _names(
    places: list[_Place], highest: list[float], final: list[float], ground: Ground
) -> list[dict[str, Any]]:
    """Each line by name where they lie apart: no legend to look up."""
    if not places:
        return []
    common = {"showarrow": False, "font": {"size": 12, "color": ground.ink}}
    apart = [n for n, (a, b) in enumerate(zip(highest, final, strict=True)) if a - b > _APART * max(highest)]
    if not apart:
        last = {"x": places[-1], "y": highest[-1], "xanchor": "right", "yanchor": "bottom"}
        return [{**common, **last, "text": f"{ANYWHERE} = {FINAL}"}]
    at = max(apart, key=lambda n: highest[n] - final[n])
    return [
        {
            **common,
            "x": places[at],
            "y": highest[at],
            "xanchor": "right",
            "yanchor": "bottom",
            "text": ANYWHERE,
        },
        {**common, "x": places[at], "y": final[at], "xanchor": "left", "yanchor": "top", "text": FINAL},
    ]


def _now(places: list[_Place], moment: int | None, top: float, ground: Ground) -> Any:
    """An upright at the step the map shows; a trace, since a shape alone would not be redrawn."""
    is_shown = moment is not None and 0 <= moment < len(places)
    at = [places[moment]] * 2 if is_shown and moment is not None else []
    return go.Scatter(
        name=SHOWN,
        x=at,
        y=[0.0, top] if at else [],
        mode="lines",
        line={"color": ground.ink, "width": 1.5},
        hoverinfo="skip",
    )


def _layout(ground: Ground, title: str, *, top: float, font_size: int, uirevision: str) -> dict[str, Any]:
    layout = base_layout(ground, uirevision=uirevision, font_size=font_size)
    small = {"size": font_size - 2}
    return {
        **layout,
        "paper_bgcolor": ground.ground,
        "hovermode": "x unified",
        "xaxis": axis(ground, title={"text": title, "font": small}, showgrid=False),
        "yaxis": axis(
            ground, title={"text": "<i>estimated</i> skin dose [Gy]", "font": small}, range=[0, top]
        ),
    }
