"""Skin doses in words: two figures, never on the other side of a level."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.skin.peak import levels_mgy
from dosetrack.skin.wording import dose_words, level_words, range_words, view_words


def mgy(words: str) -> float:
    number, unit = words.split(" ")
    return float(number) * (1000.0 if unit == "Gy" else 1.0)


@given(st.floats(0.001, 60_000.0))
def test_a_dose_is_near_and_on_its_side_of_every_level(value: float) -> None:
    shown = mgy(dose_words(value))
    assert shown == pytest.approx(value, rel=0.1)
    assert all((value >= level) == (shown >= level) for level in (1000.0, *levels_mgy()))


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (2449.0, "2.4 Gy"), (1999.9, "1.9 Gy"), (2000.0, "2.0 Gy"), (2950.0, "2.9 Gy"), (4960.0, "4.9 Gy"),
        (9960.0, "9.9 Gy"), (10000.0, "10 Gy"), (14600.0, "14 Gy"), (15000.0, "15 Gy"), (23400.0, "23 Gy"),
        (412.3, "410 mGy"), (None, "not known"),
    ],
)  # fmt: skip
def test_a_dose_is_shown_in_two_figures_and_never_across_a_level(value: float | None, shown: str) -> None:
    assert dose_words(value) == shown


@given(st.floats(0.001, 50_000.0), st.floats(1.0, 4.0))
def test_a_range_is_never_told_narrower_except_at_a_level(low: float, ratio: float) -> None:
    high = low * ratio
    text, unit = range_words(low, high).rsplit(" ", 1)
    ends = [float(part) * (1000.0 if unit == "Gy" else 1.0) for part in text.split("–")]
    assert ends[0] <= low * (1 + 1e-9)
    crossed = [level for level in (1000.0, *levels_mgy()) if high < level]
    assert ends[1] >= high * (1 - 1e-9) or (crossed and ends[1] < min(crossed))


@pytest.mark.parametrize(
    ("start", "end", "words"),
    [
        ((0.0, 0.0), (None, None), "0°"),
        ((-30.4, 0.2), (None, None), "RAO 30°"),
        ((45.0, 25.0), (None, None), "LAO 45° CRA 25°"),
        ((-100.0, 0.0), (100.0, 0.0), "RAO 100° to LAO 100°"),
        ((10.0, -5.0), (10.2, -5.0), "LAO 10° CAU 5°"),
    ],
)
def test_views(start: tuple[float, float], end: tuple[float | None, float | None], words: str) -> None:
    assert view_words(start, end) == words


def test_levels() -> None:
    assert [level_words(x) for x in (500.0, 1000.0, 2500.0)] == ["500 mGy", "1 Gy", "2.5 Gy"]
