"""What may come for the skin with the beam as it is, and which views would lie beside the hot patch."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html
from dash.development.base_component import Component

from dashboards import view_models as vm
from dashboards.components.tables import table
from dosetrack.skin.wording import dose_words, level_words, view_words

if TYPE_CHECKING:
    from dosetrack.skin.ahead import Ahead, GantryMove, TimeToLevel

MOVES_HEAD = ("view", "moved by", "skin dose rate, now 1", "body")
NO_MOVE = "None of the {count} views tried lies beside it."
COST = (
    "Views as they lie on the body assumed here; none is recommended. A steep view passes more of the body "
    "and raises the rate, and the total still rises."
)
ON, OFF = (
    "The beam as it is now lies on the hot patch.",
    "The beam as it is now does not lie on the hot patch.",
)


def ahead_panel(ahead: Ahead | None) -> Component:
    """Minutes to the next level, and the views that leave the hot patch with what they cost."""
    if ahead is None:
        return html.Div()
    parts: list[Component] = [html.H3("With the beam as it is now"), *_times(ahead)]
    parts.append(html.P(ON if ahead.meets_hot_skin else OFF))
    if ahead.meets_hot_skin and not ahead.moves:
        parts.append(html.P(NO_MOVE.format(count=ahead.views_tried)))
    if ahead.moves:
        frame = "as on the console" if ahead.angle_frame == "patient" else "machine angles"
        parts.append(html.H3(f"Views beside the hot patch, {frame}"))
        rows = [_row(move) for move in ahead.moves]
        parts += [table(MOVES_HEAD, rows, caption="Views beside the hot patch", numeric=frozenset({1, 2, 3}))]
    parts.append(html.P(COST, className="quiet"))
    return html.Div(parts, className="skin-ahead")


def _times(ahead: Ahead) -> list[Component]:
    if ahead.skin_rate_mgy_per_min is None:
        return [html.P("The fluoroscopy rate is not known, so no time can be told.")]
    rate = f"{dose_words(ahead.skin_rate_mgy_per_min)} a minute"
    told = [
        f"fluoroscopy now, highest skin dose rate {rate}",
        _until("the peak", ahead.next_level),
        _until("the upper end of its range", ahead.next_level_of_upper_end),
    ]
    return [html.Ul([html.Li(html.I(text)) for text in told if text], className="skin-assumed")]


def _until(what: str, time: TimeToLevel | None) -> str | None:
    """'about 12 min of fluoroscopy until the peak reaches 3 Gy', minutes rounded down."""
    if time is None:
        return f"{what} is past the last level"
    if time.minutes is None:
        return f"{what}, {level_words(time.level_mgy)}: {time.reason or vm.NOT_KNOWN}"
    minutes = vm.down(time.minutes) if time.minutes >= 1 else "less than 1"
    return f"about {minutes} min of fluoroscopy until {what} reaches {level_words(time.level_mgy)}"


def _row(move: GantryMove) -> tuple[str, str, str, str]:
    ratio = vm.NOT_KNOWN if move.rate_ratio is None else f"about × {move.rate_ratio:.1f}"
    thick = vm.NOT_KNOWN if move.thickness_mm is None else f"{move.thickness_mm / 10:.0f} cm"
    view = view_words((move.primary_deg, move.secondary_deg)).replace(" ", "\u00a0")
    return view, f"{move.moved_deg:.0f}°", ratio, thick
