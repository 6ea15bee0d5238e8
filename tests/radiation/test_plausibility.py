"""Whether numbers fit each other, against published same-row values."""

from __future__ import annotations

import pytest

from dosetrack.radiation import field_index_cm2, implausible, radiation_account
from dosetrack.radiation.plausibility import unit_slip_hint
from dosetrack.records.report import DoseTotal


def codes(**numbers: float) -> list[str]:
    account = radiation_account([], [DoseTotal(plane="single", basis="stated", **numbers)], [])
    return [f.code for f in implausible(account)]


@pytest.mark.parametrize(
    ("dap", "kerma", "area"),
    [
        # PCI of CTO, medians of the European registry (J Invasive Cardiol 2021;33:E146, abstract)
        (102.0, 2000.0, 51.0),
        # cerebral angiography, 75th percentiles (Ihn 2021 Neurointervention 16(3), abstract)
        (101.6, 711.3, 143.0),
    ],
)
def test_mean_field_of_published_rows(dap: float, kerma: float, area: float) -> None:
    found = field_index_cm2(dose_area_product_gycm2=dap, reference_air_kerma_mgy=kerma)
    assert found == pytest.approx(area, rel=0.005)
    assert codes(dose_area_product_gycm2=dap, reference_air_kerma_mgy=kerma) == []


@pytest.mark.parametrize(
    ("dap", "expected"),
    [
        (30.0, []),
        (29.9, ["field-index-unusual"]),
        (350.0, []),
        (351.0, ["field-index-unusual"]),
        (601.0, ["field-index-impossible"]),
        (9.9, ["field-index-impossible"]),
    ],
)
def test_bounds_of_the_mean_field(dap: float, expected: list[str]) -> None:
    assert codes(dose_area_product_gycm2=dap, reference_air_kerma_mgy=1000.0) == expected


@pytest.mark.parametrize(
    ("area", "unit"),
    [(1200.0, "in dGy·cm²"), (12_000.0, "in cGy·cm²"), (120_000.0, "in mGy·cm²"), (1.2, "for cGy·cm²")],
)
def test_the_slip_of_unit_that_would_explain_it(area: float, unit: str) -> None:
    assert unit in (unit_slip_hint(area) or "")


def test_a_field_that_no_unit_explains() -> None:
    assert unit_slip_hint(1e9) is None


@pytest.mark.parametrize(
    ("kerma", "minutes", "expected"),
    [
        (400.0, 1.0, []),
        (1201.0, 3.0, ["kerma-rate-unusual"]),
        (1200.0, 3.0, []),
        (2.0, 3.0, ["kerma-rate-unusual"]),
        (0.0, 2.0, ["kerma-zero-with-beam"]),
        (0.0, 0.0, []),
        (50.0, 0.0, []),
        (30_000.0, 301.0, ["fluoroscopy-time-long"]),
    ],
)
def test_air_kerma_per_minute(kerma: float, minutes: float, expected: list[str]) -> None:
    assert codes(reference_air_kerma_mgy=kerma, fluoroscopy_time_s=minutes * 60) == expected


def test_missing_numbers_are_not_judged() -> None:
    assert codes(dose_area_product_gycm2=10.0) == []
    assert field_index_cm2(dose_area_product_gycm2=1.0, reference_air_kerma_mgy=0.0) is None
