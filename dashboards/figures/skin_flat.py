"""The skin laid flat: dose in colour with labelled lines of equal dose, the peak in a ring.

Seen from outside: the back in the middle, the patient's left on the reader's left, head up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import plotly.graph_objects as go

from dashboards import skin_words
from dashboards.figures.skin_colours import colour_bar, scale, top_mgy
from dashboards.figures.skin_drawing import LEAST_SHARE, MM_PER_CM, Drawing, met_by_a_beam, shown_ends
from dashboards.figures.skin_flat_labels import side_labels, strip_names, words_above
from dashboards.figures.style import axis, base_layout
from dosetrack.reports.contours import contour_doses, contour_lines
from dosetrack.skin.flat import FlatGrid, flat_grid
from dosetrack.skin.peak import levels_mgy
from dosetrack.skin.wording import dose_words, level_words, view_words

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashboards.theme import Ground
    from dosetrack.skin.by_view import View, ViewDoses
    from dosetrack.skin.model import FloatArray, SkinMap

Ramp = Literal["cividis", "grey"]
DOSE, HOVER, PEAK, OUTLINES = "dose", "hover", "peak", "outlines"
_MGY_PER_GY = 1000.0
MOST_SPOKEN = 2000
"""Patches that answer when pointed at; more would make the page heavy."""
TOP_VIEWS = 3
_ASIDE_CM, _FAR_CM = 3.0, 18.0
"""Between the dose and the words of the peak, and how far aside they may go; drawing alone."""
_MARGIN = 0.06
"""Of what is shown, kept free round it for the names of the sides; drawing alone."""
_LABEL_TURNS = (180.0, 215.0, 250.0, 285.0, 320.0)
"""Where the label of each next line stands, as seen from the line's middle [deg]; drawing alone."""
_LEADER_PX = 46


def skin_flat(
    skin_map: SkinMap,
    *,
    ground: Ground,
    dose_mgy: FloatArray | None = None,
    ramp: Ramp = "cividis",
    grid: FlatGrid | None = None,
    views: ViewDoses | None = None,
    moment: str | None = None,
    font_size: int = 14,
    uirevision: str = "skin",
) -> go.Figure:
    """The unrolled map of `skin_map`.

    Parameters
    ----------
    dose_mgy : another dose of the same patches, such as that of an earlier moment, shape (n,) [mGy];
        the colour scale stays that of the whole map
    ramp : 'grey' in the room, where colour belongs to prompts
    grid : that of the surface, when it is held already
    views : what each view gave to each patch, told when a place is pointed at
    moment : which part of the case is shown, written on the figure
    """
    grid = grid or flat_grid(skin_map.surface)
    drawing = Drawing(
        skin_map=skin_map,
        dose_mgy=skin_map.dose_mgy if dose_mgy is None else dose_mgy,
        grid=grid,
        ground=ground,
        top_mgy=top_mgy(skin_map),
        shown_cm=shown_ends(skin_map, grid),
    )
    values = drawing.grid.values(drawing.dose_mgy)
    figure = go.Figure()
    figure.add_trace(_heat(drawing, values, ramp, font_size))
    figure.add_trace(_outlines(drawing))
    lines = _lines(drawing, values)
    for trace in lines.traces:
        figure.add_trace(trace)
    figure.add_trace(_spoken(drawing, views))
    ring = _peak(drawing)
    for trace in ring.traces:
        figure.add_trace(trace)
    notes = [
        *side_labels(drawing),
        *strip_names(drawing),
        *lines.notes,
        *ring.notes,
        *words_above(drawing, moment),
    ]
    figure.update_layout(**_layout(drawing, notes, font_size=font_size, uirevision=uirevision))
    return figure


@dataclass(frozen=True, slots=True)
class _Drawn:
    traces: list[Any]
    notes: list[dict[str, Any]]


def _heat(drawing: Drawing, values: FloatArray, ramp: Ramp, font_size: int) -> Any:
    grid = drawing.grid
    return go.Heatmap(
        name=DOSE,
        z=(values / _MGY_PER_GY).astype(np.float32),
        x=_cm(grid.across_mm),
        y=_cm(grid.along_mm),
        zmin=0.0,
        zmax=drawing.top_mgy / _MGY_PER_GY,
        colorscale=scale(ramp, drawing.ground),
        colorbar=colour_bar(drawing.skin_map, drawing.ground, font_size=font_size),
        hoverinfo="skip",
        zsmooth=False,
    )


def _outlines(drawing: Drawing) -> Any:
    gap = np.array([[np.nan, np.nan]])
    line = np.vstack([part for strip in drawing.grid.strips for part in (strip.outline_mm, gap)])
    return go.Scatter(
        name=OUTLINES,
        x=_cm(line[:, 0]),
        y=_cm(line[:, 1]),
        mode="lines",
        line={"color": drawing.ground.edge, "width": 1.2},
        hoverinfo="skip",
    )


# lines of equal dose ---------------------------------------------------------------------


def _lines(drawing: Drawing, values: FloatArray) -> _Drawn:
    """Two strokes a line, a dark one under a light one, so that it stands out on any colour."""
    shown = float(np.nanmax(values)) if np.isfinite(values).any() else 0.0
    drawn = _Drawn([], [])
    grid = drawing.grid
    for number, at in enumerate(contour_doses(levels_mgy(), shown)):
        lines = contour_lines(grid.across_mm, grid.along_mm, values, at_mgy=at)
        if not lines:
            continue
        gap = np.array([[np.nan, np.nan]])
        path = np.vstack([part for line in lines for part in (line, gap)])
        for name, colour, width in ((f"under {at:g}", "#101418", 3.4), (f"line {at:g}", "#FFFFFF", 1.4)):
            drawn.traces.append(
                go.Scatter(
                    name=name,
                    x=_cm(path[:, 0]),
                    y=_cm(path[:, 1]),
                    mode="lines",
                    line={"color": colour, "width": width},
                    hoverinfo="skip",
                )
            )
        drawn.notes.append(_line_label(lines[0], at, _LABEL_TURNS[number % len(_LABEL_TURNS)]))
    return drawn


def _line_label(line: FloatArray, at_mgy: float, turn_deg: float) -> dict[str, Any]:
    """The dose of a line, beside it, in the direction `turn_deg` of its middle."""
    middle = line.mean(axis=0)
    right, up = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    x, y = line[int(((line - middle) @ np.array([-right, up])).argmax())]  # the map runs leftward
    return {
        "x": x / MM_PER_CM,
        "y": y / MM_PER_CM,
        "text": f"<b>{level_words(at_mgy)}</b>",
        "showarrow": True,
        "arrowhead": 0,
        "arrowwidth": 1.2,
        "arrowcolor": "#8A93A0",
        "ax": _LEADER_PX * right,
        "ay": -_LEADER_PX * up,
        "font": {"color": "#15191D", "size": 12},
        "bgcolor": "rgba(255,255,255,0.94)",
        "bordercolor": "#6B747E",
        "borderpad": 2,
    }


# the peak, and what a place says ---------------------------------------------------------


def _peak(drawing: Drawing) -> _Drawn:
    dose = drawing.dose_mgy
    if not len(dose) or dose.max() <= 0:
        return _Drawn([go.Scatter(name=PEAK, x=[], y=[])], [])
    whole = drawing.skin_map
    is_whole = dose is whole.dose_mgy and whole.peak_index is not None
    index = whole.peak_index if is_whole and whole.peak_index is not None else int(dose.argmax())
    value = float(whole.peak_mgy) if is_whole and whole.peak_mgy is not None else float(dose[index])
    x, y = drawing.grid.places_mm[index] / MM_PER_CM
    rings = [
        go.Scatter(
            name=name,
            x=[x],
            y=[y],
            mode="markers",
            marker={"symbol": "circle-open", "size": 24, "color": colour, "line": {"width": width}},
            hoverinfo="skip",
        )
        for name, colour, width in (("under peak", "#101418", 5.0), (PEAK, "#FFFFFF", 2.4))
    ]
    told = skin_words.range_of(whole, value)
    words = f"<b><i>{dose_words(value)}</i></b> <i>estimate</i>"
    aside_x, aside_y, is_right = _aside(drawing, float(x), float(y))
    note = {
        "x": x,
        "y": y,
        "text": f"{words}<br><i>range {told}</i>" if told else words,
        "showarrow": True,
        "arrowhead": 0,
        "arrowwidth": 1.5,
        "arrowcolor": drawing.ground.ink,
        "standoff": 12,
        "axref": "x",
        "ayref": "y",
        "ax": aside_x,
        "ay": aside_y,
        "xanchor": "left" if is_right else "right",
        "align": "left",
        "bgcolor": drawing.ground.ground,
        "bordercolor": drawing.ground.edge,
        "borderpad": 5,
        "font": {"color": drawing.ground.ink},
    }
    return _Drawn(rings, [note])


def _aside(drawing: Drawing, x: float, y: float) -> tuple[float, float, bool]:
    """Where the words of the peak stand: beside the dose, not on it; whether on the reader's right [cm]."""
    (left, _), (right, high) = drawing.shown_cm
    near = drawing.grid.places_mm[met_by_a_beam(drawing.skin_map)] / MM_PER_CM
    near = near[np.abs(near[:, 0] - x) < _FAR_CM]
    up = min(max(float(near[:, 1].max(initial=y)), y) + _ASIDE_CM, high - _ASIDE_CM)
    if x <= (left + right) / 2 + _ASIDE_CM:  # the map runs leftward: small x is the reader's right
        return max(float(near[:, 0].min(initial=x)) - _ASIDE_CM, left + _ASIDE_CM), up, True
    return min(float(near[:, 0].max(initial=x)) + _ASIDE_CM, right - _ASIDE_CM), up, False


def _spoken(drawing: Drawing, views: ViewDoses | None) -> Any:
    """Invisible marks that tell dose, range and views of a place when it is pointed at."""
    chosen = spoken_patches(drawing.dose_mgy, drawing.skin_map)
    places = drawing.grid.places_mm[chosen]
    texts = [place_words(drawing.skin_map, drawing.dose_mgy, int(i), views) for i in chosen]
    return go.Scatter(
        name=HOVER,
        x=_cm(places[:, 0]),
        y=_cm(places[:, 1]),
        mode="markers",
        marker={"size": 9, "opacity": 0},
        text=texts,
        hovertemplate="%{text}<extra></extra>",
    )


def spoken_patches(dose_mgy: FloatArray, skin_map: SkinMap) -> NDArray[np.int64]:
    """The patches that answer when pointed at: those in a beam, evenly thinned where they are many."""
    peak = skin_map.peak_mgy or 0.0
    found = np.flatnonzero(dose_mgy > max(LEAST_SHARE * peak, 0.0)) if peak else np.array([], dtype=np.int64)
    if len(found) <= MOST_SPOKEN:
        return found
    return found[np.linspace(0, len(found) - 1, MOST_SPOKEN).round().astype(np.int64)]


def place_words(skin_map: SkinMap, dose_mgy: FloatArray, index: int, views: ViewDoses | None) -> str:
    """Dose, range and the views that gave it, of one patch."""
    value = float(dose_mgy[index])
    words = [f"<b><i>{dose_words(value)}</i></b>"]
    told = skin_words.range_of(skin_map, value)
    if told:
        words.append(f"<i>{told}</i> at the peak's relative range")
    if views is not None:
        words += [
            f"view {_view(v)}: {skin_words.percent(given, value)}"
            for v, given in views.largest(index, TOP_VIEWS)
        ]
    return "<br>".join(words)


def _view(view: View) -> str:
    return view_words((view.primary_deg, view.secondary_deg), (view.primary_end_deg, view.secondary_end_deg))


def _layout(
    drawing: Drawing, notes: list[dict[str, Any]], *, font_size: int, uirevision: str
) -> dict[str, Any]:
    ground = drawing.ground
    (left, low), (right, high) = drawing.shown_cm
    room_x, room_y = _MARGIN * (right - left), _MARGIN * (high - low)
    layout = base_layout(ground, uirevision=uirevision, font_size=font_size)
    return {
        **layout,
        "paper_bgcolor": ground.ground,  # a saved picture stands on its own ground
        "margin": {"l": 8, "r": 8, "t": 52, "b": 8},
        "annotations": notes,
        "dragmode": "pan",
        "xaxis": axis(
            ground,
            title={"text": "around the body from the middle of the back [cm]", "font": {"size": 12}},
            range=[right + room_x, left - room_x],
            showgrid=False,
            constrain="domain",
        ),
        "yaxis": axis(
            ground,
            title={"text": "along the body from the soles [cm]", "font": {"size": 12}},
            range=[low - room_y, high + room_y],
            showgrid=False,
            scaleanchor="x",
            constrain="domain",
        ),
    }


def _cm(values_mm: FloatArray) -> NDArray[np.float32]:
    return (values_mm / MM_PER_CM).astype(np.float32)
