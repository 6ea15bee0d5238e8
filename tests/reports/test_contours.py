"""Lines of equal dose: where they run, and at which doses."""

from __future__ import annotations

from math import hypot, pi

import numpy as np
import pytest

from dosetrack.reports.contours import contour_doses, contour_lines

LEVELS = (2000.0, 3000.0, 5000.0, 10000.0, 15000.0)


@pytest.mark.parametrize(
    ("peak", "drawn"),
    [
        (5400.0, (2000.0, 3000.0, 5000.0)),
        (17000.0, LEVELS),
        (2400.0, (500.0, 1000.0, 2000.0)),
        (1300.0, (200.0, 500.0, 1000.0)),
        (40.0, (5.0, 10.0, 20.0)),
        (0.0, ()),
        (None, ()),
    ],
)
def test_levels_reached_and_round_numbers_where_those_are_few(
    peak: float | None, drawn: tuple[float, ...]
) -> None:
    assert contour_doses(LEVELS, peak) == drawn


def test_a_dose_at_a_level_has_no_line_of_it() -> None:
    assert 2000.0 not in contour_doses(LEVELS, 2000.0)


def test_line_of_a_cone_is_a_circle_of_known_length() -> None:
    # dose = 100 - r: the line at 60 is the circle of radius 40, length 2 pi 40
    across, along = np.arange(-90.0, 91.0), np.arange(-80.0, 81.0)
    x, z = np.meshgrid(across, along)
    (line,) = contour_lines(across, along, np.maximum(100 - np.hypot(x, z), 0.0), at_mgy=60.0)
    assert all(hypot(*point) == pytest.approx(40.0, abs=0.05) for point in line)
    assert np.hypot(*np.diff(line, axis=0).T).sum() == pytest.approx(2 * pi * 40, rel=2e-3)


def test_lines_end_at_the_edge_of_the_skin_and_the_longest_stands_first() -> None:
    across, along = np.arange(0.0, 40.0), np.arange(0.0, 30.0)
    x, z = np.meshgrid(across, along)
    dose = np.where(x < 20, x, 40 - x)
    dose[z > 20] = np.nan
    dose[(x > 25) & (z > 10)] = np.nan
    lines = contour_lines(across, along, dose, at_mgy=10.5)
    lengths = [float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in lines]
    assert lengths == sorted(lengths, reverse=True)
    assert all(line[:, 1].max() <= 20 for line in lines)
