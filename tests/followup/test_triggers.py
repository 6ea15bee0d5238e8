"""Triggers of follow-up: SRDL of NCRP 168 'at or above', tiers of SCAI 2011 'above'.

Levels: Ka,r 5 and 10 Gy, skin dose 3 and 15 Gy, DAP 500 Gy·cm², fluoroscopy 60 min (Chambers 2011
as restated in PMC5808555; NCRP 168 from memory).
"""

from __future__ import annotations

import pytest

from dosetrack.followup import Tier, highest_tier, triggers_reached


def keys(**values: float | None) -> set[str]:
    return {t.key for t in triggers_reached(values)}


@pytest.mark.parametrize(
    ("skin_mgy", "expected", "tier"),
    [
        (2400.0, set(), None),
        (3000.0, {"srdl_psd"}, Tier.FOLLOW_UP),
        (10_000.0, {"srdl_psd", "physicist_psd_10"}, Tier.PHYSICIST),
        (15_000.0, {"srdl_psd", "physicist_psd_10"}, Tier.PHYSICIST),
        (15_010.0, {"srdl_psd", "physicist_psd_10", "scai_psd_15"}, Tier.REVIEW),
    ],
)
def test_skin_dose(skin_mgy: float, expected: set[str], tier: Tier | None) -> None:
    assert keys(peak_skin_dose_mgy=skin_mgy) == expected
    assert highest_tier(triggers_reached({"peak_skin_dose_mgy": skin_mgy})) is tier


def test_air_kerma_at_and_above_five_gray() -> None:
    assert keys(reference_air_kerma_mgy=5000.0) == {"srdl_kar"}
    assert keys(reference_air_kerma_mgy=5001.0) == {"srdl_kar", "scai_kar_5"}
    assert keys(reference_air_kerma_mgy=10_000.0) == {"srdl_kar", "scai_kar_5", "physicist_kar_10"}
    assert keys(reference_air_kerma_mgy=10_001.0) == {
        "srdl_kar",
        "scai_kar_5",
        "physicist_kar_10",
        "scai_kar_10",
    }


def test_time_only_where_nothing_better_is_known() -> None:
    assert keys(fluoroscopy_time_s=3600.0) == {"srdl_ft"}
    assert keys(fluoroscopy_time_s=3600.0, dose_area_product_gycm2=1.0) == set()
    assert keys(fluoroscopy_time_s=3600.0, reference_air_kerma_mgy=None) == {"srdl_ft"}


def test_a_small_field_lowers_the_dose_area_product_level() -> None:
    (found,) = triggers_reached({"dose_area_product_gycm2": 300.0}, dap_scale=0.6)
    assert (found.key, found.level) == ("srdl_pka", 300.0)
    assert triggers_reached({"dose_area_product_gycm2": 300.0}) == ()


def test_nothing_known_reaches_nothing() -> None:
    assert triggers_reached({}) == ()
    assert highest_tier(()) is None
