"""The picture of a skin map: opened again and looked at."""

from __future__ import annotations

import subprocess
import sys
from io import BytesIO

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from dosetrack.reports.skin_picture import skin_picture
from tests.dashboards.skin_fixtures import empty_map, invented_map

# the ends of cividis: Nuñez, Anderton, Renslow, PLoS ONE 13 (2018) e0199239; values of the published
# map as its authors give them to drawing libraries (from memory)
CIVIDIS_LOW, CIVIDIS_HIGH = (0, 34, 78), (254, 232, 56)


def pixels(data: bytes) -> NDArray[np.uint8]:
    with Image.open(BytesIO(data)) as picture:
        assert picture.format == "PNG"
        return np.asarray(picture.convert("RGB"))


def near(seen: NDArray[np.uint8], colour: tuple[int, int, int], within: int = 12) -> NDArray[np.bool_]:
    return (np.abs(seen.astype(int) - colour) <= within).all(axis=2)


@pytest.fixture(scope="module")
def picture() -> NDArray[np.uint8]:
    return pixels(skin_picture(invented_map(spacing_mm=15.0), dpi=100))


def test_width_follows_the_dots(picture: NDArray[np.uint8]) -> None:
    assert picture.shape[1] == 800
    assert 400 < picture.shape[0] < 1100
    assert pixels(skin_picture(invented_map(), dpi=50)).shape[1] == 400


def test_the_peak_has_the_upper_colour_and_lies_on_the_readers_right_of_the_middle(
    picture: NDArray[np.uint8],
) -> None:
    """The invented peak is 60 mm to the patient's right; seen from behind that is the reader's right."""
    of_map = picture[:, : int(picture.shape[1] * 0.86)]
    rows, columns = np.nonzero(near(of_map, CIVIDIS_HIGH, 25))
    assert len(rows) > 20
    skin = np.nonzero(near(of_map, (227, 230, 233), 3))[1]
    middle = (skin.min() + skin.max()) / 2
    assert np.median(columns) > middle + 5


def test_lines_are_light_with_a_dark_edge(picture: NDArray[np.uint8]) -> None:
    assert near(picture, (255, 255, 255), 2).any()
    assert near(picture, (21, 25, 29), 10).any()


def test_it_keeps_its_order_in_grey() -> None:
    """Lightness rises with dose all along the scale, so that paper in grey shows the same order."""
    seen = pixels(skin_picture(invented_map(), dpi=100)).astype(float)
    grey = seen @ (0.299, 0.587, 0.114)
    bar = grey[:, int(seen.shape[1] * 0.89)]
    top, low = (
        np.nonzero(near(seen.astype(np.uint8), c, 10)[:, int(seen.shape[1] * 0.89)])[0]
        for c in (CIVIDIS_HIGH, CIVIDIS_LOW)
    )
    assert (np.diff(bar[top.min() : low.max()]) <= 1.0).all()


def test_no_map_is_a_picture_that_says_so() -> None:
    assert pixels(skin_picture(empty_map(), dpi=60)).std() > 0


def test_the_unverified_table_is_on_it() -> None:
    plain, told = (pixels(skin_picture(invented_map(is_verified=v), dpi=80)) for v in (True, False))
    assert plain.shape != told.shape or (plain != told).any()


ALONE = """
import sys, warnings
warnings.simplefilter("error")
from dosetrack.reports.skin_picture import skin_picture
from tests.dashboards.skin_fixtures import invented_map
data = skin_picture(invented_map())
heavy = {"plotly", "dash", "matplotlib.pyplot", "dashboards"} & set(sys.modules)
print(data[:4] == b"\\x89PNG", sorted(heavy))
"""


def test_it_needs_no_browser_no_page_and_no_global_figure() -> None:
    done = subprocess.run([sys.executable, "-c", ALONE], capture_output=True, text=True, check=False)
    assert done.stdout.strip() == "True []", done.stderr
    assert done.stderr == ""
