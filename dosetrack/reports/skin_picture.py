"""The skin dose map as a picture for files and papers, drawn without a browser."""

from __future__ import annotations

import logging
from io import BytesIO
from math import ceil
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib import colormaps
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patheffects import Normal, Stroke

from dosetrack.reports.contours import contour_doses, contour_lines
from dosetrack.skin.flat import FlatGrid, flat_grid
from dosetrack.skin.peak import levels_mgy
from dosetrack.skin.wording import dose_words, level_words, range_words

if TYPE_CHECKING:
    from dosetrack.skin.model import FloatArray, SkinMap

logging.getLogger("matplotlib.font_manager").setLevel(logging.ERROR)  # it tells of every font it skips

CAUTION = "Estimate for follow-up decisions by licensed staff; local protocol applies."
SEEN = "Seen from outside, cut open at the front. Plain skin: outside every beam."
WIDTH_INCH = 8.0
_MM_PER_CM, _MGY_PER_GY = 10.0, 1000.0
_INK, _QUIET, _EDGE, _PLAIN = "#15191D", "#525B65", "#767F89", "#E3E6E9"
_PLAIN_SHARE = 0.002
_LINE_CHARACTERS = 118
_LINE_INCH = 0.155
_TURNS_DEG = (180.0, 215.0, 250.0, 285.0, 320.0)
_LEADER_POINTS = 34.0
_MARGIN_CM, _NAMED_CM = 5.0, 6.0
_FAMILY = "DejaVu Sans"


def skin_picture(skin_map: SkinMap, *, title: str | None = None, dpi: int = 150) -> bytes:
    """The flat map with its peak, range, lines of equal dose and assumptions, as the bytes of a PNG.

    Parameters
    ----------
    title : above the map; None: what it is
    dpi : dots per inch of a picture 8 inches wide

    Notes
    -----
    Colours rise in lightness, so that the picture keeps its order when printed in grey.
    """
    grid = flat_grid(skin_map.surface)
    values = grid.values(skin_map.dose_mgy)
    low, high = _ends(skin_map, grid)
    words = _small_print(skin_map)
    map_inch = min(6.8, max(2.6, (WIDTH_INCH - 2.2) * (high[1] - low[1]) / (high[0] - low[0])))
    foot, head = 0.75 + _LINE_INCH * len(words), 0.95
    figure = Figure(figsize=(WIDTH_INCH, map_inch + foot + head), dpi=dpi, facecolor="white")
    canvas = FigureCanvasAgg(figure)
    whole = map_inch + foot + head
    axes = figure.add_axes((0.09, foot / whole, 0.75, map_inch / whole))
    bar = figure.add_axes((0.88, foot / whole, 0.02, 0.8 * map_inch / whole))
    _draw_dose(figure, axes, bar, skin_map, grid, values)
    _draw_lines(axes, grid, values)
    _draw_peak(axes, skin_map, grid)
    _draw_frame(axes, skin_map, grid, low, high)
    _draw_words(figure, skin_map, title, words, whole)
    stream = BytesIO()
    canvas.print_png(stream, metadata={"Title": title or "Skin dose map, estimate"})
    return stream.getvalue()


def _ends(skin_map: SkinMap, grid: FlatGrid) -> tuple[FloatArray, FloatArray]:
    """Corners of the strips a beam met, else of all, with a margin [cm]."""
    met = skin_map.dose_mgy > _PLAIN_SHARE * max(float(skin_map.dose_mgy.max(initial=0.0)), 1e-9)
    parts = {skin_map.surface.parts[i] for i in np.unique(skin_map.surface.part[met])}
    strips = [s for s in grid.strips if s.part in parts] or list(grid.strips)
    corners = np.vstack([s.outline_mm for s in strips]) / _MM_PER_CM
    return corners.min(axis=0) - _MARGIN_CM, corners.max(axis=0) + _MARGIN_CM


def _draw_dose(
    figure: Any, axes: Any, bar: Any, skin_map: SkinMap, grid: FlatGrid, values: FloatArray
) -> None:
    top = max(skin_map.peak_mgy or 0.0, float(np.nanmax(values, initial=0.0))) / _MGY_PER_GY or 1.0
    colours = colormaps["cividis"].with_extremes(under=_PLAIN, bad=(1, 1, 1, 0))
    step_x, step_y = (_step(a) for a in (grid.across_mm, grid.along_mm))
    image = axes.imshow(
        np.ma.masked_invalid(values / _MGY_PER_GY),
        origin="lower",
        extent=(
            (grid.across_mm[0] - step_x / 2) / _MM_PER_CM,
            (grid.across_mm[-1] + step_x / 2) / _MM_PER_CM,
            (grid.along_mm[0] - step_y / 2) / _MM_PER_CM,
            (grid.along_mm[-1] + step_y / 2) / _MM_PER_CM,
        ),
        cmap=colours,
        vmin=_PLAIN_SHARE * top,
        vmax=top,
        interpolation="nearest",
    )
    scale = figure.colorbar(image, cax=bar)
    scale.set_label(f"estimated dose to {skin_map.medium} [Gy]", family=_FAMILY, size=8, color=_INK)
    scale.ax.tick_params(labelsize=8, labelfontfamily=_FAMILY, labelcolor=_INK, color=_EDGE)
    scale.outline.set_visible(False)


def _step(centres: FloatArray) -> float:
    return float(centres[1] - centres[0]) if len(centres) > 1 else 1.0


def _draw_lines(axes: Any, grid: FlatGrid, values: FloatArray) -> None:
    highest = float(np.nanmax(values, initial=0.0))
    for number, at in enumerate(contour_doses(levels_mgy(), highest)):
        lines = contour_lines(grid.across_mm / _MM_PER_CM, grid.along_mm / _MM_PER_CM, values, at_mgy=at)
        for line in lines:
            axes.plot(*line.T, color="white", linewidth=0.9, path_effects=_halo(2.2))
        if lines:
            _label_line(axes, lines[0], level_words(at), _TURNS_DEG[number % len(_TURNS_DEG)])


def _halo(width: float) -> list[Any]:
    """A dark stroke under a light one, seen on any colour."""
    return [Stroke(linewidth=width, foreground=_INK), Normal()]


def _label_line(axes: Any, line: FloatArray, text: str, turn_deg: float) -> None:
    right, up = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    place = line[int(((line - line.mean(axis=0)) @ np.array([-right, up])).argmax())]
    axes.annotate(
        text,
        xy=place,
        xytext=(_LEADER_POINTS * right, _LEADER_POINTS * up),
        textcoords="offset points",
        ha="center",
        va="center",
        family=_FAMILY,
        size=8,
        weight="bold",
        color=_INK,
        bbox={"boxstyle": "square,pad=0.25", "fc": "white", "ec": _EDGE, "lw": 0.6},
        arrowprops={"arrowstyle": "-", "color": "#8A93A0", "lw": 0.9},
    )


def _draw_peak(axes: Any, skin_map: SkinMap, grid: FlatGrid) -> None:
    if skin_map.peak_index is None or skin_map.peak_mgy is None:
        axes.text(
            0.5, 0.5, "no event could be placed on the skin", transform=axes.transAxes, ha="center",
            family=_FAMILY, size=10, color=_INK,
        )  # fmt: skip
        return
    x, y = grid.places_mm[skin_map.peak_index] / _MM_PER_CM
    axes.plot(
        x, y, marker="o", markersize=14, markerfacecolor="none", markeredgecolor="white",
        markeredgewidth=1.6, path_effects=_halo(3.4),
    )  # fmt: skip
    side = 1.0 if x < 0 else -1.0
    axes.annotate(
        _peak_words(skin_map),
        xy=(x, y),
        xytext=(side * 66, 58),
        textcoords="offset points",
        ha="center",
        va="center",
        family=_FAMILY,
        size=9,
        style="italic",
        color=_INK,
        bbox={"boxstyle": "square,pad=0.4", "fc": "white", "ec": _EDGE, "lw": 0.8},
        arrowprops={"arrowstyle": "-", "color": _INK, "lw": 1.0, "shrinkB": 9},
    )


def _peak_words(skin_map: SkinMap) -> str:
    told = f"estimate {dose_words(skin_map.peak_mgy)}"
    if skin_map.low_mgy is None or skin_map.high_mgy is None:
        return told
    return f"{told}\nrange {range_words(skin_map.low_mgy, skin_map.high_mgy)} (k = 2)"


def _draw_frame(axes: Any, skin_map: SkinMap, grid: FlatGrid, low: FloatArray, high: FloatArray) -> None:
    """Outlines and names of the parts, names of the sides, and both axes with their unit."""
    for strip in grid.strips:
        axes.plot(*(strip.outline_mm / _MM_PER_CM).T, color=_EDGE, linewidth=0.9)
        top, bottom = strip.top_mm / _MM_PER_CM, strip.bottom_mm / _MM_PER_CM
        if min(top, high[1]) - max(bottom, low[1]) > _NAMED_CM:
            axes.text(
                strip.middle_mm / _MM_PER_CM, min(top, high[1]), strip.part, ha="center", va="top",
                family=_FAMILY, size=8, color=_QUIET, clip_on=True,
                path_effects=[Stroke(linewidth=2.5, foreground="white"), Normal()],
            )  # fmt: skip
    axes.set_xlim(high[0], low[0])  # seen from outside: the patient's left on the reader's left
    axes.set_ylim(low[1], high[1])
    axes.set_aspect("equal", adjustable="box")
    axes.set_xlabel("around the body from the middle of the back [cm]", family=_FAMILY, size=8, color=_INK)
    axes.set_ylabel("along the body from the soles [cm]", family=_FAMILY, size=8, color=_INK)
    axes.tick_params(labelsize=8, labelfontfamily=_FAMILY, labelcolor=_QUIET, color=_EDGE)
    for spine in axes.spines.values():
        spine.set_visible(False)
    for x, y, text, turn in (
        (0.005, 0.5, "patient's left", 90),
        (0.995, 0.5, "patient's right", 270),
        (0.5, 0.995, "head", 0),
        (0.5, 0.005, "feet", 0),
    ):
        axes.text(
            x, y, text, transform=axes.transAxes, rotation=turn, family=_FAMILY, size=9, weight="bold",
            color=_INK, ha={0.005: "left", 0.995: "right"}.get(x, "center"),
            va={0.995: "top", 0.005: "bottom"}.get(y, "center"),
        )  # fmt: skip


def _draw_words(figure: Any, skin_map: SkinMap, title: str | None, words: list[str], inch: float) -> None:
    figure.text(
        0.09, 1 - 0.18 / inch, title or "Skin dose map, estimate", family=_FAMILY, size=12, weight="bold",
        color=_INK, va="top",
    )  # fmt: skip
    place = f"Peak: {skin_map.peak_site}." if skin_map.peak_site else None
    unverified = "Table axes not verified on this system." if _is_unverified(skin_map) else None
    told = " ".join(line for line in (place, unverified) if line)
    for line, down, weight in ((told, 0.45, "bold"), (SEEN, 0.62, "normal")):
        figure.text(
            0.09, 1 - down / inch, line, family=_FAMILY, size=8, color=_QUIET, va="top", weight=weight
        )
    for number, line in enumerate(reversed(words)):
        is_caution = number == 0
        figure.text(
            0.09, (0.12 + _LINE_INCH * number) / inch, line, family=_FAMILY, size=7.5,
            weight="bold" if is_caution else "normal", color=_INK if is_caution else _QUIET, va="bottom",
        )  # fmt: skip


def _is_unverified(skin_map: SkinMap) -> bool:
    return any(a.key == "table-axes" for a in skin_map.assumed)


def _small_print(skin_map: SkinMap) -> list[str]:
    """What the map rests on, in lines; the caution last."""
    share = skin_map.mapped_fraction
    mapped = "share of the air kerma on the map not known" if share is None else _mapped_words(share)
    assumed = "; ".join(dict.fromkeys(a.text.rstrip(".") for a in skin_map.assumed)) or "nothing"
    text = f"{mapped[:1].upper()}{mapped[1:]}. Assumed: {assumed}."
    return [*fill(text, _LINE_CHARACTERS).splitlines(), CAUTION]


def _mapped_words(share: float) -> str:
    percent = ceil(share * 100) if share >= 1 else int(share * 100)
    return f"{percent} % of the air kerma is on the map" + ("" if share >= 1 else ": the peak may be higher")
