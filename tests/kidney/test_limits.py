"""Contrast limits against the recomputed examples (tests/kidney/data/README.md)."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from dosetrack.kidney import ContrastGiven, KidneyAssessment, RenalInput, assess, default_kidney_settings
from dosetrack.kidney.filtration import adjusted_weight_kg, devine_ideal_weight_kg
from dosetrack.records.entries import Creatinine, InjectionSite

EXAMPLES = Path(__file__).parent / "data" / "contrast_limit_examples.csv"
DAY = date(2026, 3, 2)
KEYS = {
    "esur10_gI_1_1": "esur10_iodine",
    "esur10_vol_3_0": "esur10_volume",
    "esc2014_4mlkg": "esc2014_per_weight",
}
Row = dict[str, str]


def _examples() -> list[Row]:
    with EXAMPLES.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def _patient(row: Row) -> RenalInput:
    return RenalInput(
        on=DAY,
        sex=row["sex"],
        age_years=float(row["age"]),
        creatinine=Creatinine(row["scr_mg_dl"], "mg/dL", DAY.isoformat()),
        weight_kg=float(row["weight_kg"]),
        height_cm=float(row["height_cm"]),
        site=InjectionSite.FIRST_PASS,
        concentration_mgi_ml=350,
    )


def _assessed(row: Row) -> KidneyAssessment:
    """Assessed so that the renal input the row names is the one that counts."""
    patient, used = _patient(row), row["renal_input_used"]
    if "320" in used or "300" in used:
        patient = replace(patient, concentration_mgi_ml=float(used.rpartition(", ")[2].split()[0]))
    if used == "CG actual weight":  # without height there is no other weight to use
        patient = replace(patient, height_cm=None)
    elif used.startswith("CG"):
        sex = "F" if row["sex"] == "F" else "M"
        weight = devine_ideal_weight_kg(height_cm=float(row["height_cm"]), sex=sex)
        if "adjusted" in used:
            weight = adjusted_weight_kg(actual_kg=float(row["weight_kg"]), ideal_kg=weight)
        patient = replace(patient, weight_kg=weight, height_cm=None)
    return assess(patient, ContrastGiven(), replace(default_kidney_settings(), show_esc_rows=True))


@pytest.mark.parametrize(
    "row",
    [
        pytest.param(row, id=f"{row['patient']}-{row['limit_id']}-{row['renal_input_used']}")
        for row in _examples()
    ],
)
def test_limit_equals_the_recomputed_example(row: Row) -> None:
    key = KEYS.get(row["limit_id"], row["limit_id"])
    found = next(limit for limit in _assessed(row).limits if limit.key == key)
    if key == "ulc_1" and row["patient"] not in ("B",):
        # this product adds the row only below an eGFR of 30: check the arithmetic by the estimate
        assert not found.applies
        assert found.limit_ml is None
        egfr = next(one for one in _assessed(row).egfr if one.formula == "CKD-EPI 2021")
        assert egfr.value == pytest.approx(float(row["expected_limit"]), abs=float(row["tolerance"]))
        return
    assert found.limit_ml == pytest.approx(float(row["expected_limit"]), abs=float(row["tolerance"]))


def test_all_56_examples_are_here() -> None:
    assert len(_examples()) == 56


def test_every_row_names_its_source_and_mark() -> None:
    rows = _assessed(_examples()[0]).limits
    assert all(row.source and row.checked in ("read", "second-hand") for row in rows)
