"""The figures of the skin map, tested as data."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import plotly.graph_objects as go
import pytest

from dashboards.figures.skin_body import BODY, PEAK, SIDES, TABLE, camera, skin_body
from dashboards.figures.skin_colours import scale
from dashboards.figures.skin_flat import DOSE, HOVER, MOST_SPOKEN, OUTLINES, skin_flat
from dashboards.figures.skin_flat import PEAK as RING
from dashboards.figures.skin_growth import ANYWHERE, EVENTS, FINAL, SHOWN, skin_growth
from dashboards.theme import DARK, LIGHT, luminance
from dosetrack.skin.by_view import doses_by_view
from dosetrack.skin.model import SkinMap

from .skin_fixtures import HOT_ACROSS_MM, HOT_ALONG_MM, PEAK_MGY, empty_map, invented_map

ZONE = ZoneInfo("UTC")
LARGEST_BYTES = 1_000_000
SLOWEST_S = 0.3


@pytest.fixture(scope="module")
def found() -> SkinMap:
    return invented_map()


def trace(figure: go.Figure, name: str) -> Any:
    return next(t for t in figure.data if t.name == name)


def words(figure: go.Figure) -> str:
    return "\n".join(a.text for a in figure.layout.annotations)


# flat ------------------------------------------------------------------------------------


def test_axes_and_scale_name_quantity_medium_and_unit(found: SkinMap) -> None:
    figure = skin_flat(found, ground=LIGHT)
    assert figure.layout.xaxis.title.text.endswith("[cm]")
    assert figure.layout.yaxis.title.text.endswith("[cm]")
    bar = trace(figure, DOSE).colorbar.title.text
    assert "estimated" in bar
    assert "water" in bar
    assert bar.endswith("[Gy]")


def test_sides_are_named_on_every_map_and_the_patients_left_is_the_readers_left(found: SkinMap) -> None:
    for one in (found, empty_map()):
        text = words(skin_flat(one, ground=LIGHT))
        assert all(side in text for side in ("<b>left</b>", "<b>right</b>", "<b>head</b>", "<b>feet</b>"))
    first, last = skin_flat(found, ground=LIGHT).layout.xaxis.range
    assert first > last  # positive, the patient's left, on the left
    left = next(a for a in skin_flat(found, ground=LIGHT).layout.annotations if "<b>left</b>" in a.text)
    assert left.x > 0


def test_aspect_is_equal(found: SkinMap) -> None:
    assert skin_flat(found, ground=LIGHT).layout.yaxis.scaleanchor == "x"


def test_colour_and_place_agree_with_the_doses(found: SkinMap) -> None:
    heat = trace(skin_flat(found, ground=LIGHT), DOSE)
    row, column = np.unravel_index(int(np.nanargmax(heat.z)), heat.z.shape)
    assert np.nanmax(heat.z) == pytest.approx(PEAK_MGY / 1000, rel=0.02)
    assert heat.x[column] == pytest.approx(HOT_ACROSS_MM / 10, abs=2.0)
    assert heat.y[row] == pytest.approx(HOT_ALONG_MM / 10, abs=2.0)
    assert np.isnan(heat.z).any()  # off the skin there is nothing, not zero


def test_lines_of_equal_dose_are_labelled(found: SkinMap) -> None:
    text = words(skin_flat(found, ground=LIGHT))
    assert all(f"<b>{level}</b>" in text for level in ("2 Gy", "3 Gy", "5 Gy"))
    assert "10 Gy" not in text
    low = words(skin_flat(invented_map(peak_mgy=900.0), ground=LIGHT))
    assert "<b>500 mGy</b>" in low
    assert "2 Gy" not in low


def test_a_line_encloses_the_skin_above_its_dose(found: SkinMap) -> None:
    """The shoelace area of the 3 Gy line against the closed form of the hill: exp(-(u²/55² + v²/45²)).

    D > 3 Gy of 5.4 Gy where u²/55² + v²/45² < ln(5.4 / 3): an ellipse of area pi 55 45 ln(1.8) mm².
    """
    fine = invented_map(spacing_mm=8.0)
    line = trace(skin_flat(fine, ground=LIGHT), "line 3000")
    x, y = (np.asarray(v, dtype=float) for v in (line.x, line.y))
    keep = np.isfinite(x)
    area = abs(np.dot(x[keep], np.roll(y[keep], 1)) - np.dot(y[keep], np.roll(x[keep], 1))) / 2
    assert area == pytest.approx(np.pi * 5.5 * 4.5 * np.log(5.4 / 3), rel=0.04)


def test_the_peak_is_ringed_with_value_and_range_in_italics(found: SkinMap) -> None:
    figure = skin_flat(found, ground=LIGHT)
    ring = trace(figure, RING)
    assert ring.marker.symbol == "circle-open"
    assert (ring.x[0], ring.y[0]) == pytest.approx((HOT_ACROSS_MM / 10, HOT_ALONG_MM / 10), abs=2.0)
    assert "<i>5.4 Gy</i></b> <i>estimate</i><br><i>range 3.6–8.1 Gy</i>" in words(figure)


def test_an_unverified_table_is_told_on_the_figure(found: SkinMap) -> None:
    sentence = "table axes not verified on this system"
    assert sentence in words(skin_flat(invented_map(is_verified=False), ground=LIGHT))
    assert sentence not in words(skin_flat(found, ground=LIGHT))


def test_parts_are_outlined_and_named(found: SkinMap) -> None:
    figure = skin_flat(found, ground=LIGHT)
    assert trace(figure, OUTLINES).mode == "lines"
    assert all(name in words(figure) for name in ("trunk", "back", "left side", "right side", "front"))
    assert "left leg" not in words(figure)  # out of sight until one moves there
    low = np.where(found.surface.part == 2, 900.0, 0.0) + found.dose_mgy
    on_leg = replace(found, dose_mgy=low)
    assert "left leg" in words(skin_flat(on_leg, ground=LIGHT))


def test_a_place_tells_dose_range_and_views(found: SkinMap) -> None:
    views = doses_by_view(found)
    texts = trace(skin_flat(found, ground=LIGHT, views=views), HOVER).text
    assert any("5.4 Gy" in t and "at the peak's relative range" in t for t in texts)
    assert any("%" in t and ("RAO" in t or "LAO" in t) for t in texts)


def test_another_moment_keeps_the_scale(found: SkinMap) -> None:
    figure = skin_flat(found, ground=LIGHT, dose_mgy=found.dose_mgy * 0.3, moment="after 3 of 12 events")
    assert trace(figure, DOSE).zmax == pytest.approx(PEAK_MGY / 1000)
    assert "after 3 of 12 events" in words(figure)
    assert "<i>1.6 Gy</i>" in words(figure)


def test_nothing_placed_is_a_map_without_a_peak() -> None:
    figure = skin_flat(empty_map(), ground=LIGHT)
    assert len(trace(figure, RING).x) == 0
    assert "<i>estimate" not in words(figure)


def test_room_has_greys_and_lines(found: SkinMap) -> None:
    figure = skin_flat(found, ground=DARK, ramp="grey")
    for _, colour in trace(figure, DOSE).colorscale:
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        assert max(red, green, blue) - min(red, green, blue) < 20
    assert "<b>2 Gy</b>" in words(figure)


def test_scales_rise_in_lightness_and_have_no_green() -> None:
    stops = scale("cividis", LIGHT)[2:]
    lightness = [luminance(colour) for _, colour in stops]
    assert lightness == sorted(lightness)
    for _, colour in stops:
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        assert green <= max(red, blue) + 25


def test_twenty_thousand_patches_are_quick_and_light() -> None:
    large = invented_map(spacing_mm=7.6)
    assert len(large.dose_mgy) >= 20_000
    everywhere = np.maximum(large.dose_mgy, 0.05 * PEAK_MGY)  # every patch answers
    views = doses_by_view(large)
    skin_flat(large, ground=LIGHT)  # the first call loads the library
    start = time.process_time()
    figure = skin_flat(large, ground=LIGHT, views=views, dose_mgy=everywhere)
    assert time.process_time() - start < SLOWEST_S
    assert len(trace(figure, HOVER).x) <= MOST_SPOKEN
    assert len(figure.to_json()) < LARGEST_BYTES
    assert len(skin_body(large, ground=LIGHT).to_json()) < LARGEST_BYTES


# body ------------------------------------------------------------------------------------


def test_body_has_the_colours_of_the_flat_map(found: SkinMap) -> None:
    body, heat = trace(skin_body(found, ground=LIGHT), BODY), trace(skin_flat(found, ground=LIGHT), DOSE)
    assert body.colorscale == heat.colorscale
    assert (body.cmin, body.cmax) == (heat.zmin, heat.zmax)
    assert len(body.intensity) == len(body.x) == len(found.dose_mgy)
    assert max(body.intensity) == pytest.approx(PEAK_MGY / 1000, rel=1e-5)


def test_triangles_name_points_that_exist(found: SkinMap) -> None:
    body = trace(skin_body(found, ground=LIGHT), BODY)
    assert max(max(body.i), max(body.j), max(body.k)) < len(body.x)


def test_the_eye_is_on_the_side_of_the_peak_and_the_head_is_up(found: SkinMap) -> None:
    seen = camera(found)
    assert found.peak_index is not None
    normal = found.surface.normals[found.peak_index]
    assert seen["eye"]["x"] * normal[0] + seen["eye"]["y"] * normal[1] > 0
    assert seen["up"] == {"x": 0.0, "y": 0.0, "z": 1.0}


def test_sides_table_and_peak_are_in_the_scene(found: SkinMap) -> None:
    figure = skin_body(found, ground=LIGHT)
    sides = trace(figure, SIDES)
    placed = dict(zip(sides.text, zip(sides.x, sides.y, sides.z, strict=True), strict=True))
    assert placed["<b>left</b>"][0] > placed["<b>right</b>"][0]
    assert placed["<b>head</b>"][2] > placed["<b>feet</b>"][2]
    table = trace(figure, TABLE)
    # top at 120 mm under the isocentre, which lies 118 mm in front of the pad: 2 mm behind the back
    assert set(table.y) == {2}
    assert max(table.x) - min(table.x) == 450
    assert "5.4 Gy" in trace(figure, PEAK).text[1]


def test_proportions_are_true(found: SkinMap) -> None:
    """A millimetre is as long along each axis."""
    scene = skin_body(found, ground=LIGHT).layout.scene
    scales = [
        ratio / (axis.range[1] - axis.range[0])
        for ratio, axis in (
            (scene.aspectratio.x, scene.xaxis),
            (scene.aspectratio.y, scene.yaxis),
            (scene.aspectratio.z, scene.zaxis),
        )
    ]
    assert scales == pytest.approx([scales[0]] * 3)


# growth ----------------------------------------------------------------------------------


def test_growth_has_two_lines_events_and_levels(found: SkinMap) -> None:
    figure = skin_growth(found, ground=LIGHT, zone=ZONE)
    assert list(trace(figure, ANYWHERE).y)[-1] == pytest.approx(found.growth[-1][1] / 1000)
    assert list(trace(figure, FINAL).y) == sorted(trace(figure, FINAL).y)
    assert len(trace(figure, EVENTS).x) == len(found.growth)
    assert {s.y0 for s in figure.layout.shapes} == {2.0, 3.0, 5.0}
    assert figure.layout.yaxis.title.text.endswith("[Gy]")
    assert trace(figure, ANYWHERE).line.dash != trace(figure, FINAL).line.dash


def test_growth_reads_the_rooms_clock(found: SkinMap) -> None:
    first = trace(skin_growth(found, ground=LIGHT, zone=ZoneInfo("Asia/Tokyo")), ANYWHERE).x[0]
    assert (first.hour, first.minute) == (18, 12)


def test_the_step_shown_is_marked(found: SkinMap) -> None:
    assert len(trace(skin_growth(found, ground=LIGHT, zone=ZONE), SHOWN).x) == 0
    assert trace(skin_growth(found, ground=LIGHT, zone=ZONE, moment=4), SHOWN).x[0].minute == 16


def test_figures_are_whole_json(found: SkinMap) -> None:
    for figure in (skin_flat(found, ground=LIGHT), skin_body(found, ground=LIGHT)):
        assert json.loads(figure.to_json())["data"]
