"""Renal formulas against published worked examples (tests/kidney/data/README.md)."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from pathlib import Path

import pytest

from dosetrack.errors import OutOfBoundsError
from dosetrack.kidney import filtration

EXAMPLES = Path(__file__).parent / "data" / "renal_examples.csv"
Row = dict[str, str]

# The race factors are no part of the product; they are only needed for two published rows.
MDRD_RACE_FACTOR = 1.212  # National Kidney Foundation, MDRD equation page


def _number(row: Row, key: str) -> float:
    return float(row[key])


def _adult(equation: Callable[..., float]) -> Callable[[Row], float]:
    return lambda row: equation(
        creatinine_mg_dl=_number(row, "scr_mg_dl"), age_years=_number(row, "age"), sex=row["sex"]
    )


def _clearance(row: Row, weight_kg: float) -> float:
    return filtration.cockcroft_gault_ml_min(
        creatinine_mg_dl=_number(row, "scr_mg_dl"),
        age_years=_number(row, "age"),
        weight_kg=weight_kg,
        sex=row["sex"],
    )


def _ideal(row: Row) -> float:
    return filtration.devine_ideal_weight_kg(height_cm=_number(row, "height_cm"), sex=row["sex"])


def _adjusted(fraction: float | None) -> Callable[[Row], float]:
    return lambda row: _clearance(
        row,
        filtration.adjusted_weight_kg(
            actual_kg=_number(row, "weight_kg"), ideal_kg=_ideal(row), fraction=fraction
        ),
    )


def _surface(row: Row) -> float:
    return filtration.dubois_m2(weight_kg=_number(row, "weight_kg"), height_cm=_number(row, "height_cm"))


COMPUTE: dict[str, Callable[[Row], float]] = {
    "ckd_epi_2021": _adult(filtration.ckd_epi_2021_ml_min_173m2),
    "ckd_epi_2009_nonblack": _adult(filtration.ckd_epi_2009_ml_min_173m2),
    "mdrd175_nonblack": _adult(filtration.mdrd_175_ml_min_173m2),
    "mdrd175_black": lambda row: MDRD_RACE_FACTOR * _adult(filtration.mdrd_175_ml_min_173m2)(row),
    "cockcroft_gault_actual": lambda row: _clearance(row, _number(row, "weight_kg")),
    "cockcroft_gault_ideal": lambda row: _clearance(row, _ideal(row)),
    "cockcroft_gault_adjusted_0.4": _adjusted(None),
    "cockcroft_gault_adjusted_0.3": _adjusted(0.3),
    "cockcroft_gault_actual_indexed_to_1.73": lambda row: (
        _clearance(row, _number(row, "weight_kg")) * 1.73 / _surface(row)
    ),
    "schwartz_bedside_2009": lambda row: filtration.schwartz_bedside_ml_min_173m2(
        creatinine_mg_dl=_number(row, "scr_mg_dl"), height_cm=_number(row, "height_cm")
    ),
    "bsa_mosteller": lambda row: filtration.mosteller_m2(
        weight_kg=_number(row, "weight_kg"), height_cm=_number(row, "height_cm")
    ),
    "bsa_dubois": _surface,
    "ckd_epi_2021_deindexed_dubois": lambda row: filtration.deindexed_ml_min(
        egfr_ml_min_173m2=_adult(filtration.ckd_epi_2021_ml_min_173m2)(row), surface_m2=_surface(row)
    ),
}


def _examples() -> list[Row]:
    with EXAMPLES.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


@pytest.mark.parametrize(
    "row", [pytest.param(row, id=f"{n}-{row['formula']}") for n, row in enumerate(_examples(), 2)]
)
def test_formula_gives_the_published_value(row: Row) -> None:
    found = COMPUTE[row["formula"]](row)
    assert found == pytest.approx(_number(row, "expected"), abs=_number(row, "tolerance")), row["source"]


def test_all_68_examples_are_here() -> None:
    assert len(_examples()) == 68


@pytest.mark.parametrize("sex", ["F", "M"])
@pytest.mark.parametrize(
    "equation", [filtration.ckd_epi_2021_ml_min_173m2, filtration.ckd_epi_2009_ml_min_173m2]
)
def test_ckd_epi_is_continuous_at_its_knot(sex: filtration.Sex, equation: Callable[..., float]) -> None:
    knot = 0.7 if sex == "F" else 0.9  # kidney.org equation pages
    below, at, above = (
        equation(creatinine_mg_dl=value, age_years=60, sex=sex) for value in (knot - 1e-9, knot, knot + 1e-9)
    )
    assert below == pytest.approx(at, rel=1e-7)
    assert above == pytest.approx(at, rel=1e-7)
    assert below > at > above


@pytest.mark.parametrize(
    "equation",
    [
        filtration.ckd_epi_2021_ml_min_173m2,
        filtration.ckd_epi_2009_ml_min_173m2,
        filtration.mdrd_175_ml_min_173m2,
    ],
)
def test_adult_equations_refuse_children(equation: Callable[..., float]) -> None:
    assert equation(creatinine_mg_dl=1.0, age_years=18, sex="F") > 0
    with pytest.raises(OutOfBoundsError, match="18 years"):
        equation(creatinine_mg_dl=1.0, age_years=17.99, sex="F")


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan])
def test_creatinine_must_be_above_zero(value: float) -> None:
    with pytest.raises(OutOfBoundsError, match="above zero"):
        filtration.ckd_epi_2021_ml_min_173m2(creatinine_mg_dl=value, age_years=60, sex="M")


def test_cockcroft_gault_refuses_ages_that_turn_it_negative() -> None:
    with pytest.raises(OutOfBoundsError, match="below 140"):
        filtration.cockcroft_gault_ml_min(creatinine_mg_dl=1.0, age_years=140, weight_kg=70, sex="M")


def test_ideal_weight_is_refused_below_five_feet() -> None:
    # Devine: 50 kg and 45.5 kg at 60 inches
    assert filtration.devine_ideal_weight_kg(height_cm=152.4, sex="M") == pytest.approx(50)
    assert filtration.devine_ideal_weight_kg(height_cm=152.4, sex="F") == pytest.approx(45.5)
    five_feet = 5 * 12 * 2.54 - 3e-14  # as a unit conversion may give it
    assert filtration.devine_ideal_weight_kg(height_cm=five_feet, sex="M") == pytest.approx(50)
    with pytest.raises(OutOfBoundsError, match=r"152\.4 cm"):
        filtration.devine_ideal_weight_kg(height_cm=152.39, sex="M")


def test_creatinine_units_use_88_4() -> None:
    # BMC Geriatr 2021, equation table: mg/dL = umol/L / 88.4
    assert filtration.creatinine_mg_dl_from_umol_l(106.08) == pytest.approx(1.2)


def test_schwartz_ages_are_1_to_16_completed_years() -> None:
    assert [filtration.is_schwartz_age(age) for age in (0.99, 1, 16.9, 17)] == [False, True, True, False]
