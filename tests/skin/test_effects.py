"""Bands of skin effects against Balter et al. 2010 (Radiology 254:326), read in a reproduction."""

from __future__ import annotations

import pytest

from dosetrack.skin.effects import skin_band, skin_bands


@pytest.mark.parametrize(
    ("dose_mgy", "low", "high"),
    [
        (0.0, 0.0, 2000.0),
        (1999.0, 0.0, 2000.0),
        (2000.0, 2000.0, 5000.0),
        (2400.0, 2000.0, 5000.0),
        (5000.0, 5000.0, 10_000.0),
        (10_000.0, 10_000.0, 15_000.0),
        (14_999.0, 10_000.0, 15_000.0),
        (15_000.0, 15_000.0, None),
        (40_000.0, 15_000.0, None),
    ],
)
def test_an_edge_falls_in_the_worse_band(dose_mgy: float, low: float, high: float | None) -> None:
    band = skin_band(dose_mgy)
    assert (band.low_mgy, band.high_mgy) == (low, high)


def test_bands_follow_each_other_and_hold_every_phase() -> None:
    bands = skin_bands()
    assert [b.high_mgy for b in bands[:-1]] == [b.low_mgy for b in bands[1:]]
    assert {len(b.effects) for b in bands} == {4}


def test_phases_overlap_as_in_the_table() -> None:
    band = skin_band(6000.0)
    assert [e.phase for e in band.effects_in_week(1)] == ["prompt"]
    assert [e.phase for e in band.effects_in_week(7)] == ["early", "midterm"]
    assert [e.phase for e in band.effects_in_week(45)] == ["midterm", "long term"]
    assert [e.phase for e in band.effects_in_week(200)] == ["long term"]


def test_ten_to_fifteen_gray_early() -> None:
    (early,) = skin_band(12_000.0).effects_in_week(4)
    assert "desquamation" in early.effect


def test_a_negative_dose_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 0"):
        skin_band(-1.0)
