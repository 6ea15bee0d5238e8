"""Colours, checked by the contrast formula of WCAG 2.2, and the sizes of the wall."""

from __future__ import annotations

import pytest

from dashboards import theme

# WCAG 2.2: 1.4.3 asks 4.5:1 for text, 1.4.11 asks 3:1 for control borders and graphics
TEXT, GRAPHICS = 4.5, 3.0


def test_contrast_formula_gives_the_ends_of_its_scale() -> None:
    # WCAG 2.2, definition of contrast ratio: 1 to 21
    assert theme.contrast_ratio("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert theme.contrast_ratio("#123456", "#123456") == pytest.approx(1.0)


def test_contrast_formula_gives_a_published_middle_value() -> None:
    # #767676 on white is the lightest grey that passes 4.5:1 (common practice, no source opened)
    assert theme.contrast_ratio("#767676", "#FFFFFF") >= TEXT
    assert theme.contrast_ratio("#777777", "#FFFFFF") < TEXT


@pytest.mark.parametrize("ground", [theme.DARK, theme.LIGHT], ids=lambda g: g.name)
@pytest.mark.parametrize("under", ["ground", "raised"])
@pytest.mark.parametrize("ink", ["ink", "quiet", "radiation", "contrast", "notify", "decide", "alarm"])
def test_text_colours_pass_on_both_grounds(ground: theme.Ground, under: str, ink: str) -> None:
    assert theme.contrast_ratio(getattr(ground, ink), getattr(ground, under)) >= TEXT


@pytest.mark.parametrize("ground", [theme.DARK, theme.LIGHT], ids=lambda g: g.name)
@pytest.mark.parametrize("line", ["edge", "band"])
def test_borders_and_graph_lines_pass_on_both_grounds(ground: theme.Ground, line: str) -> None:
    assert theme.contrast_ratio(getattr(ground, line), ground.ground) >= GRAPHICS
    assert theme.contrast_ratio(getattr(ground, line), ground.raised) >= GRAPHICS


@pytest.mark.parametrize("ground", [theme.DARK, theme.LIGHT], ids=lambda g: g.name)
def test_data_ink_is_not_a_prompt_colour(ground: theme.Ground) -> None:
    assert {ground.radiation, ground.contrast}.isdisjoint({ground.notify, ground.decide, ground.alarm})


def test_wall_digits_span_thirty_arc_minutes() -> None:
    # 30 arc minutes at 3 m: 3000 mm x tan(0.5 degrees) = 26.18 mm, by hand
    assert theme.digit_height_mm(3.0) == pytest.approx(26.18, abs=0.01)
    sizes = theme.wall_sizes(screen_width_mm=1210, distance_m=3.0)
    digit_mm = sizes.number_vw / 100 * 1210 * theme.DIGIT_HEIGHT_EM
    assert digit_mm == pytest.approx(26.18, abs=0.01)
    assert sizes.label_vw / sizes.number_vw == pytest.approx(18 / 26)


def test_a_farther_wall_needs_larger_digits() -> None:
    near = theme.wall_sizes(screen_width_mm=1210, distance_m=2.0)
    far = theme.wall_sizes(screen_width_mm=1210, distance_m=4.0)
    assert far.number_vw == pytest.approx(2 * near.number_vw)
