"""Rounding and wording: used up, limits down, and never across a level."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards import view_models as vm


@pytest.mark.parametrize(
    ("value_mgy", "levels", "decimals", "shown"),
    [
        (None, [], 2, "not known"),
        (0.0, [], 2, "0 mGy"),
        (412.4, [], 2, "412 mGy"),
        (999.6, [], 2, "999 mGy"),
        (1000.0, [], 2, "1.00 Gy"),
        (3421.0, [3000.0], 2, "3.42 Gy"),
        (2996.0, [3000.0], 1, "2.9 Gy"),
        (2999.9, [3000.0], 2, "2.99 Gy"),
        (3000.0, [3000.0], 1, "3.0 Gy"),
        (3049.0, [3050.0], 1, "3.0 Gy"),
        (3051.0, [3050.0], 1, "3.1 Gy"),
    ],
)
def test_kerma(value_mgy: float | None, levels: list[float], decimals: int, shown: str) -> None:
    assert vm.kerma_words(value_mgy, levels=levels, decimals=decimals) == shown


@given(
    value=st.floats(0, 20_000, allow_nan=False),
    level=st.sampled_from([2000.0, 2500.0, 3000.0, 5000.0]),
    decimals=st.integers(0, 2),
)
def test_rounding_never_crosses_a_level(value: float, level: float, decimals: int) -> None:
    shown = float(vm.rounded(value, decimals, levels=[level], divisor=1000)) * 1000
    if decimals >= 1 or level % 1000 == 0:  # a level that the shown digits can tell
        assert (shown >= level - 1e-9) == (value >= level)


@given(value=st.floats(0, 900, allow_nan=False), limit=st.floats(20, 400, allow_nan=False))
def test_contrast_used_never_looks_like_a_limit_that_is_not_reached(value: float, limit: float) -> None:
    shown, edge = float(vm.used_ml(value, limits_ml=[limit])), float(vm.limit_ml(limit))
    if value < limit - 0.11:
        assert shown < limit
    assert edge <= limit + 1e-9
    if value >= limit:
        assert shown >= edge


@pytest.mark.parametrize(
    ("value", "limits", "shown"),
    [
        (115.0, [116.4], "115"),
        (115.2, [116.4], "115.2"),
        (115.2, [], "116"),
        (116.4, [116.4], "117"),
        (0.0, [116.4], "0"),
    ],
)
def test_used_volume_rounds_up(value: float, limits: list[float], shown: str) -> None:
    assert vm.used_ml(value, limits_ml=limits) == shown


@pytest.mark.parametrize(
    ("remaining", "words"),
    [
        (12.9, "12 mL below 2 × CrCl"),
        (0.4, "less than 1 mL below 2 × CrCl"),
        (0.0, "at 2 × CrCl"),
        (-1.2, "2 mL past 2 × CrCl"),
        (-35.0, "35 mL past 2 × CrCl"),
    ],
)
def test_distance_says_below_or_past(remaining: float, words: str) -> None:
    assert vm.distance(remaining, "2 × CrCl") == words


def test_limits_round_down_and_iodine_up() -> None:
    assert vm.limit_ml(116.9) == "116"
    assert vm.iodine_g(37.71) == "37.8"
    assert vm.iodine_g(0.1 + 0.2) == "0.3"  # the noise of doubles is no iodine
    assert vm.limit_ml(None) == vm.iodine_g(None) == "not known"


@pytest.mark.parametrize(("fraction", "shown"), [(0.746, "75"), (0.999, "99"), (1.0, "100"), (1.351, "136")])
def test_used_share_reaches_a_hundred_only_when_reached(fraction: float, shown: str) -> None:
    assert vm.percent_used(fraction) == f"{shown}\u2009%"


def test_range_rounds_outward_and_keeps_one_unit() -> None:
    assert vm.kerma_range(1940.0, 2810.0) == "1.9–2.9 Gy"
    assert vm.kerma_range(640.4, 3000.0) == "0.6–3.0 Gy"
    assert vm.kerma_range(120.6, 310.2) == "120–311 mGy"
    assert vm.kerma_range(640.0, 1960.0, levels=[2000.0]) == "0.6–1.9 Gy"


@pytest.mark.parametrize(
    ("minutes", "words"), [((13.4, 21.2), "in 13–22 min"), ((2.0, 5.0), "in 2–5 min"), (None, None)]
)
def test_forecast_is_a_range(minutes: tuple[float, float] | None, words: str | None) -> None:
    assert vm.forecast_words(minutes) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(8, "8 s"), (59.9, "59 s"), (120, "2 min"), (3900, "1 h 05 min"), (3 * 86400, "3 days")],
)
def test_age_in_words(seconds: float, words: str) -> None:
    assert vm.age(seconds) == words


def test_age_of_what_never_came() -> None:
    now = datetime(2026, 11, 25, tzinfo=UTC)
    assert vm.ago(None, now) == "none yet"
    assert vm.ago(now - timedelta(seconds=8), now) == "8 s ago"


def test_times_are_those_of_the_room() -> None:
    moment = datetime(2026, 7, 1, 8, 12, tzinfo=UTC)
    assert vm.clock_time(moment, ZoneInfo("Europe/Lisbon")) == "09:12"


def test_unknown_is_words_not_zero() -> None:
    assert vm.dose_area_product(None) == ("not known", "")
    assert vm.minutes(None) == ("not known", "")
    assert vm.unknown("Ka,r").is_unknown


@pytest.mark.parametrize(
    ("sent", "shown"),
    [
        ("Reed-Demo^Noor", "Noor Reed-Demo"),
        ("Müller^Anna^^Dr", "Dr Anna Müller"),
        ("Adams^John Robert Quincy^^Rev.^B.A. M.Div.", "Rev. John Robert Quincy Adams B.A. M.Div."),
        ("Yamada^Tarou=山田^太郎=やまだ^たろう", "Tarou Yamada"),
        ("^^=王^小东", "小东 王"),
        ("Dr Almeida", "Dr Almeida"),
        ("Teasel-Demo^", "Teasel-Demo"),
        (None, ""),
    ],
)
def test_names_read_as_people_say_them(sent: str | None, shown: str) -> None:
    # the third and fourth names are examples of DICOM PS3.5 6.2.1 and annex H; from memory
    assert vm.person_name(sent) == shown
