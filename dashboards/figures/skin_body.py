"""The body in space with its dose in colour: where the peak is, as one would look for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import plotly.graph_objects as go

from dashboards.figures.skin_colours import scale, top_mgy
from dashboards.theme import FONT_FAMILY
from dosetrack.skin.placed_table import table_corners
from dosetrack.skin.wording import dose_words

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashboards.theme import Ground
    from dosetrack.skin.model import FloatArray, SkinMap

PEAK_TRACE = 2
BODY, TABLE, PEAK, SIDES = "body", "table", "peak", "sides"
_MGY_PER_GY = 1000.0
_EYE = 1.4
"""Distance of the eye in units of the scene; drawing alone."""
_LEAST_RISE = 0.35
_RING_MM, _WORDS_MM = 15.0, 90.0
"""How far ring and words of the peak stand off the skin, so that the body hides neither; drawing alone."""
_AWAY_MM, _EDGE_MM = 110.0, 30.0
"""How far the names of the sides stand off body and table, and the edge round all; drawing alone."""
_SMALL = np.iinfo(np.uint16).max


def skin_body(
    skin_map: SkinMap,
    *,
    ground: Ground,
    dose_mgy: FloatArray | None = None,
    ramp: str = "cividis",
    uirevision: str = "skin",
) -> go.Figure:
    """The body of `skin_map`, looked at from the side of the peak; dose as on the flat map.

    dose_mgy : another dose of the same patches, such as that of an earlier moment, shape (n,) [mGy]
    """
    dose = skin_map.dose_mgy if dose_mgy is None else dose_mgy
    figure = go.Figure()
    figure.add_trace(_body(skin_map, dose, ramp, ground))
    figure.add_trace(_table(skin_map, ground))
    figure.add_trace(_peak(skin_map, dose, ground))
    figure.add_trace(_sides(skin_map, ground))
    figure.update_layout(**_layout(skin_map, ground, uirevision))
    return figure


def _body(skin_map: SkinMap, dose: FloatArray, ramp: str, ground: Ground) -> Any:
    surface = skin_map.surface
    kind = np.uint16 if len(surface.points_mm) <= _SMALL else np.int32
    x, y, z = _mm(surface.points_mm)
    i, j, k = surface.triangles.T.astype(kind)
    return go.Mesh3d(
        name=BODY,
        x=x,
        y=y,
        z=z,
        i=i,
        j=j,
        k=k,
        intensity=(dose / _MGY_PER_GY).astype(np.float32),
        cmin=0.0,
        cmax=top_mgy(skin_map) / _MGY_PER_GY,
        colorscale=scale(ramp, ground),
        showscale=False,
        flatshading=False,
        lighting={"ambient": 0.85, "diffuse": 0.35, "specular": 0.0, "roughness": 1.0},
        hovertemplate="<i>%{intensity:.2f} Gy</i> estimate<extra></extra>",
    )


def _table(skin_map: SkinMap, ground: Ground) -> Any:
    """The table top under the body as a faint sheet, as far as the body reaches."""
    corners = table_corners(skin_map)
    if corners is None:
        return go.Mesh3d(name=TABLE, x=[], y=[], z=[], i=[], j=[], k=[])
    x, y, z = _mm(corners)
    return go.Mesh3d(
        name=TABLE,
        x=x,
        y=y,
        z=z,
        i=[0, 0],
        j=[1, 2],
        k=[2, 3],
        color=ground.edge,
        opacity=0.18,
        hoverinfo="skip",
    )


def _peak(skin_map: SkinMap, dose: FloatArray, ground: Ground) -> Any:
    if not len(dose) or dose.max() <= 0:
        return go.Scatter3d(name=PEAK, x=[], y=[], z=[])
    is_whole = dose is skin_map.dose_mgy and skin_map.peak_index is not None
    index = skin_map.peak_index if is_whole and skin_map.peak_index is not None else int(dose.argmax())
    value = skin_map.peak_mgy if is_whole and skin_map.peak_mgy is not None else float(dose[index])
    skin, outward = skin_map.surface.points_mm[index], skin_map.surface.normals[index]
    x, y, z = _mm(np.vstack((skin + _RING_MM * outward, skin + _WORDS_MM * outward)))
    return go.Scatter3d(
        name=PEAK,
        x=x,
        y=y,
        z=z,
        mode="lines+markers+text",
        line={"color": ground.ink, "width": 2},
        marker={"symbol": "circle-open", "size": [14, 0.1], "color": ground.ink, "line": {"width": 3}},
        text=["", f"<b><i>{dose_words(value)}</i></b>"],
        textposition="top center",
        textfont={"color": ground.ink, "size": 15, "family": FONT_FAMILY},
        hoverinfo="skip",
    )


def _sides(skin_map: SkinMap, ground: Ground) -> Any:
    """'head', 'feet', 'left' and 'right' beside the body."""
    places = _side_places(skin_map)
    x, y, z = _mm(np.array(list(places.values())))
    return go.Scatter3d(
        name=SIDES,
        x=x,
        y=y,
        z=z,
        mode="text",
        text=[f"<b>{name}</b>" for name in places],
        textfont={"color": ground.quiet, "size": 13, "family": FONT_FAMILY},
        hoverinfo="skip",
    )


def _side_places(skin_map: SkinMap) -> dict[str, tuple[float, float, float]]:
    """Where the name of each side stands: beside body and table [mm]."""
    points = _with_table(skin_map)
    low, high = points.min(axis=0), points.max(axis=0)
    x, y, z = ((low + high) / 2).tolist()
    return {
        "head": (x, y, high[2] + _AWAY_MM),
        "feet": (x, y, low[2] - _AWAY_MM),
        "left": (high[0] + _AWAY_MM, y, z),
        "right": (low[0] - _AWAY_MM, y, z),
    }


def _with_table(skin_map: SkinMap) -> FloatArray:
    corners = table_corners(skin_map)
    points = skin_map.surface.points_mm
    return points if corners is None else np.vstack((points, corners))


def camera(skin_map: SkinMap) -> dict[str, dict[str, float]]:
    """The eye in front of the peak, head up; at the back where there is no peak."""
    index = skin_map.peak_index
    normal = skin_map.surface.normals[index] if index is not None else np.array([0.0, 1.0, 0.0])
    flat = np.array([normal[0], normal[1], 0.0])
    length = float(np.linalg.norm(flat))
    toward = flat / length if length > _LEAST_RISE else np.array([0.0, 1.0, 0.0])
    eye = _EYE * np.array([toward[0], toward[1], 0.25])
    return {
        "eye": {"x": float(eye[0]), "y": float(eye[1]), "z": float(eye[2])},
        "up": {"x": 0.0, "y": 0.0, "z": 1.0},
        "center": {"x": 0.0, "y": 0.0, "z": 0.0},
    }


def _layout(skin_map: SkinMap, ground: Ground, uirevision: str) -> dict[str, Any]:
    return {
        "template": None,
        "paper_bgcolor": ground.ground,
        "font": {"family": FONT_FAMILY, "size": 13, "color": ground.ink},
        "margin": {"l": 0, "r": 0, "t": 0, "b": 0},
        "showlegend": False,
        "uirevision": uirevision,
        "hoverlabel": {"bgcolor": ground.raised, "font": {"family": FONT_FAMILY, "color": ground.ink}},
        "scene": {
            **_scene_axes(skin_map),
            "camera": camera(skin_map),
            "uirevision": uirevision,
        },
    }


def _scene_axes(skin_map: SkinMap) -> dict[str, Any]:
    """Axes without marks and in true proportions, the longest side 1."""
    reach = np.vstack((_with_table(skin_map), np.array(list(_side_places(skin_map).values()))))
    if skin_map.peak_index is not None:
        index = skin_map.peak_index
        words = skin_map.surface.points_mm[index] + _WORDS_MM * skin_map.surface.normals[index]
        reach = np.vstack((reach, words))
    low, high = reach.min(axis=0) - _EDGE_MM, reach.max(axis=0) + _EDGE_MM
    ratio = (high - low) / (high - low).max()
    nothing = {"visible": False, "showbackground": False, "showspikes": False}
    axes = {
        f"{name}axis": {**nothing, "range": [float(low[n]), float(high[n])]} for n, name in enumerate("xyz")
    }
    return {**axes, "aspectmode": "manual", "aspectratio": dict(zip("xyz", ratio.tolist(), strict=True))}


def _mm(points: FloatArray) -> NDArray[np.int16]:
    """Whole millimetres, one row for each axis: a third of the bytes."""
    return np.ascontiguousarray(points.round().astype(np.int16).T)
