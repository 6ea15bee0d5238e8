"""Contrast prompts: the leading limit at 75 and 100 %, any other once as it is passed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dosetrack.kidney import (
    ContrastGiven,
    EarlierContrast,
    RenalInput,
    assess,
    contrast_levels,
    contrast_lines,
    contrast_totals,
    default_kidney_settings,
)
from dosetrack.records.entries import Injection, Knowledge


def _keys(patient: RenalInput, volume_ml: float) -> list[str]:
    given = ContrastGiven(contrast_totals([Injection(volume_ml, 320)]), EarlierContrast(Knowledge.NO))
    return [level.key for level in contrast_levels(assess(patient, given))]


@pytest.mark.parametrize(
    ("volume_ml", "keys"),
    # patient A of the limit examples: 75 % of 2 x CrCl 75.56 mL, 2 x 100.74, 3 x 151.11,
    # 1 g I per mL/min 173.69, 3.7 x 186.37
    [
        (75.5, []),
        (75.6, ["gurm_2:75"]),
        (100.7, ["gurm_2:75"]),
        (100.8, ["gurm_2:100", "gurm_2:75"]),
        (151.2, ["gurm_3:100", "gurm_2:100", "gurm_2:75"]),
        (190, ["laskey_3_7:100", "nyman_1:100", "gurm_3:100", "gurm_2:100", "gurm_2:75"]),
    ],
)
def test_levels_reached_by_volume(patient: RenalInput, volume_ml: float, keys: list[str]) -> None:
    assert _keys(patient, volume_ml) == [f"contrast_ml:{key}" for key in keys]


def test_a_level_is_reached_at_its_very_value(patient: RenalInput) -> None:
    limit = assess(patient, ContrastGiven()).leading_limit_ml
    assert limit is not None
    assert "contrast_ml:gurm_2:100" in _keys(patient, limit)


def test_what_is_said_aloud_names_the_limit(patient: RenalInput) -> None:
    given = ContrastGiven(contrast_totals([Injection(102, 320)]), EarlierContrast(Knowledge.NO))
    top = contrast_levels(assess(patient, given))[0]
    assert top.say == "contrast 102 millilitres, past 2 times creatinine clearance, 100"
    assert (top.tier, top.lane, top.basis) == ("leading-limit", "contrast", "entered")
    assert (top.value, top.level) == (102, pytest.approx(100.74, abs=0.01))


def test_an_unknown_limit_prompts_nothing_and_draws_nothing(patient: RenalInput) -> None:
    unknown = replace(patient, creatinine=None)
    given = ContrastGiven(contrast_totals([Injection(900, 320)]))
    assert contrast_levels(assess(unknown, given)) == ()
    assert contrast_lines(assess(unknown, given)) == ()


def test_an_iodine_limit_without_ml_still_prompts(patient: RenalInput) -> None:
    unknown = replace(patient, concentration_mgi_ml=None)
    given = ContrastGiven(contrast_totals([Injection(180, 320)]), EarlierContrast(Knowledge.NO))
    nyman = next(level for level in contrast_levels(assess(unknown, given)) if "nyman" in level.key)
    assert (nyman.quantity, nyman.value) == ("iodine_g", pytest.approx(57.6))


def test_lines_rise_and_begin_with_the_step_before_the_leading_limit(patient: RenalInput) -> None:
    lines = contrast_lines(assess(patient, ContrastGiven()))
    assert [line.tier for line in lines[:3]] == ["approaching", "leading-limit", "limit"]
    assert lines[0].value == pytest.approx(0.75 * lines[1].value)
    assert [line.value for line in lines] == sorted(line.value for line in lines)


def test_the_step_is_a_setting(patient: RenalInput) -> None:
    settings = replace(default_kidney_settings(), approaching_fraction=0.5)
    given = ContrastGiven(contrast_totals([Injection(51, 320)]))
    assert [level.key for level in contrast_levels(assess(patient, given, settings), settings)] == [
        "contrast_ml:gurm_2:50"
    ]
