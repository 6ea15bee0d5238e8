"""What is said aloud for each kind of prompt: quantity and plane, and for estimates which end."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from dosetrack.alerts import Prompt, raise_prompts
from dosetrack.kidney import (
    ContrastGiven,
    EarlierContrast,
    RenalInput,
    assess,
    contrast_levels,
    contrast_totals,
)
from dosetrack.radiation import (
    Figure,
    LevelValues,
    default_level_settings,
    reached_by,
)
from dosetrack.records.entries import Creatinine, Injection, InjectionSite, Knowledge
from dosetrack.records.levels import LevelReached

NOW = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
LEVELS = default_level_settings()


def card(*levels: LevelReached) -> Prompt:
    (found,) = raise_prompts(levels, (), now=NOW, make_id=lambda: "one")
    return found


@pytest.mark.parametrize(
    ("values", "headline", "say"),
    [
        (
            LevelValues(reference_air_kerma_mgy={"a": Figure(3100.0, "typed")}),
            "Ka,r 3 Gy, plane A",
            "reference kerma three gray, plane A",
        ),
        (
            LevelValues(reference_air_kerma_mgy={"b": Figure(5000.0, "typed")}),
            "Ka,r 5 Gy, plane B, substantial level",
            "reference kerma five gray, plane B",
        ),
        (
            LevelValues(dose_area_product_gycm2=Figure(310.0, "typed")),
            "DAP 300 Gy·cm²",
            "dose area product three hundred gray square centimetres",
        ),
        (
            # design: scaled by the field, only downward: 60 cm² of the nominal 100 cm²
            LevelValues(dose_area_product_gycm2=Figure(181.0, "typed"), field_cm2=60.0),
            "DAP 180 Gy·cm²",
            "dose area product one hundred and eighty gray square centimetres",
        ),
        (
            LevelValues(fluoroscopy_time_s=Figure(1860.0, "typed")),
            "time 30 min",
            "fluoroscopy time thirty minutes",
        ),
        (
            LevelValues(skin_upper_mgy=2400.0),
            "skin, est. upper end 2 Gy",
            "estimated skin dose, upper end, two gray",
        ),
    ],
    ids=["kerma", "kerma-substantial", "dap", "dap-scaled", "time", "skin"],
)
def test_a_phrase_names_quantity_and_plane(values: LevelValues, headline: str, say: str) -> None:
    found = card(*reached_by(values, LEVELS))
    assert (found.headline, found.say) == (headline, say)


def test_a_skin_level_says_whether_it_rests_on_the_map() -> None:
    (rough,) = reached_by(LevelValues(skin_upper_mgy=2400.0), LEVELS)
    (mapped,) = reached_by(LevelValues(skin_upper_mgy=2400.0, skin_basis="map"), LEVELS)
    assert (rough.basis, mapped.basis) == ("estimated", "map")
    assert mapped.source.endswith("read against the upper end of the estimate")
    assert rough.key == mapped.key  # one fact, however it was come by


def test_time_prompts_only_where_kerma_and_dap_are_missing() -> None:
    time = Figure(3700.0, "typed")
    kerma = LevelValues(fluoroscopy_time_s=time, reference_air_kerma_mgy={"a": Figure(10.0, "typed")})
    dap = LevelValues(fluoroscopy_time_s=time, dose_area_product_gycm2=Figure(1.0, "typed"))
    assert reached_by(kerma, LEVELS) == ()
    assert reached_by(dap, LEVELS) == ()


def contrast(*volumes_ml: float) -> tuple[LevelReached, ...]:
    """Of a man of 72 years, 80 kg, 1.5 mg/dL: Cockcroft-Gault 68 · 80 / (72 · 1.5) = 50.37 mL/min."""
    given = [Injection(v, 320.0, site=InjectionSite.SECOND_PASS) for v in volumes_ml]
    renal = RenalInput(
        on=NOW.date(),
        sex="M",
        age_years=72,
        creatinine=Creatinine("1.5", "mg/dL", "2026-03-01"),
        weight_kg=80.0,
        height_cm=175.0,
        site=InjectionSite.SECOND_PASS,
        concentration_mgi_ml=320.0,
        dialysis=Knowledge.NO,
    )
    now = ContrastGiven(now=contrast_totals(given), earlier=EarlierContrast(Knowledge.NO))
    return contrast_levels(assess(renal, now))


def test_a_jump_past_the_leading_limit_is_one_card_with_both_steps() -> None:
    # 2 x CrCl = 100.74 mL: 101 mL is past it and past its 75 %
    found = card(*contrast(60.0, 41.0))
    assert found.priority == "substantial"
    assert found.headline == "2 × CrCl"
    assert found.say.startswith("contrast 101 millilitres, past 2 times")
    assert [key.rsplit(":", 1)[-1] for key in found.levels[:2]] == ["100", "75"]


def test_the_step_before_the_limit_is_told_once_and_named() -> None:
    found = card(*contrast(76.0))
    assert found.priority == "notification"
    assert found.say.startswith("contrast 76 millilitres, 75 percent of 2 times")
    assert raise_prompts(contrast(76.0, 1.0), (found,), now=NOW, make_id=lambda: "two") == ()
