"""The words on the flat map: its sides, its parts, and what must be known of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from dashboards import skin_words
from dashboards.figures.skin_drawing import MM_PER_CM, Drawing

if TYPE_CHECKING:
    from dosetrack.skin.flat import Strip

_NAMED_CM = 4.0
"""A part of which less is shown has no name; drawing alone."""


def side_labels(drawing: Drawing) -> list[dict[str, Any]]:
    """Left, right, head and feet, on every map, beside what is shown."""
    (left, low), (right, high) = drawing.shown_cm
    common = {"showarrow": False, "font": {"color": drawing.ground.ink, "size": 13}}
    middle = {"y": (low + high) / 2}
    centre = {"x": (left + right) / 2}
    return [
        {
            **common,
            **middle,
            "x": right,
            "xanchor": "right",
            "xshift": -4,
            "textangle": -90,
            "text": "patient's <b>left</b>",
        },
        {
            **common,
            **middle,
            "x": left,
            "xanchor": "left",
            "xshift": 4,
            "textangle": 90,
            "text": "patient's <b>right</b>",
        },
        {**common, **centre, "y": high, "yanchor": "bottom", "text": "<b>head</b> ↑"},
        {**common, **centre, "y": low, "yanchor": "top", "text": "<b>feet</b> ↓"},
    ]


def strip_names(drawing: Drawing) -> list[dict[str, Any]]:
    """The name of each part; on the widest also what lies where as one goes round it."""
    (_, low), (_, high) = drawing.shown_cm
    seen = [
        strip
        for strip in drawing.grid.strips
        if min(strip.top_mm / MM_PER_CM, high) - max(strip.bottom_mm / MM_PER_CM, low) > _NAMED_CM
    ]
    notes = [_name(drawing, strip, strip.middle_mm, strip.part, "top") for strip in seen]
    widest = max(drawing.grid.strips, key=lambda s: float(np.ptp(s.outline_mm[:, 0])))
    half = float(np.ptp(widest.outline_mm[:, 0])) / 2
    if drawing.skin_map.surface.kind == "body":
        for share, text in (
            (0.0, "back"),
            (0.5, "left side"),
            (-0.5, "right side"),
            (0.9, "front"),
            (-0.9, "front"),
        ):
            notes.append(_name(drawing, widest, widest.middle_mm + share * half, text, "bottom"))
    return notes


def _name(drawing: Drawing, strip: Strip, across_mm: float, text: str, edge: str) -> dict[str, Any]:
    (_, low), (_, high) = drawing.shown_cm
    along = min(strip.top_mm / MM_PER_CM, high) if edge == "top" else max(strip.bottom_mm / MM_PER_CM, low)
    return {
        "x": across_mm / MM_PER_CM,
        "y": along,
        "yanchor": "top" if edge == "top" else "bottom",
        "text": text,
        "showarrow": False,
        "font": {"size": 12, "color": drawing.ground.quiet},
    }


def words_above(drawing: Drawing, moment: str | None) -> list[dict[str, Any]]:
    """What is shown and what must be known of it, above the map."""
    quiet = {"size": 12, "color": drawing.ground.quiet}
    common = {"xref": "paper", "yref": "paper", "showarrow": False, "x": 0, "xanchor": "left", "y": 1}
    above = {**common, "yanchor": "bottom", "align": "left"}
    seen = f"{skin_words.SEEN}; {skin_words.OUTSIDE_EVERY_BEAM}"
    notes = [{**above, "yshift": 6, "text": seen, "font": quiet}]
    lines = [
        moment,
        None if skin_words.is_axes_verified(drawing.skin_map) else f"◇ {skin_words.NOT_VERIFIED}",
    ]
    told = "   ".join(line for line in lines if line)
    if told:
        notes.append({**above, "yshift": 26, "text": f"<b>{told}</b>"})
    return notes
