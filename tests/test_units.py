"""Typed quantities become house units; ambiguous or unit-less ones are refused."""

from decimal import Decimal

import pint
import pytest

from dosetrack.errors import InputError, UnitError
from dosetrack.tables import rows
from dosetrack.units import (
    HOUSE_UNITS,
    canonical_spelling,
    parse_decimal,
    parse_quantity,
    parse_with_unit,
    unit_factor,
)


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("1 Gy·m²", "dose_area_product", 1e4),  # 1 Gy.m2 = 1e4 Gy.cm2 = 1e5 dGy.cm2: SI prefixes
        ("125 Gy.cm2", "dose_area_product", 125.0),
        ("125 dGy·cm²", "dose_area_product", 12.5),
        ("125 cGycm2", "dose_area_product", 1.25),
        ("125 mGy cm2", "dose_area_product", 0.125),
        ("50000 µGy*m²", "dose_area_product", 500.0),
        ("50000 µGy·m^2", "dose_area_product", 500.0),
        ("0,4 Gy", "air_kerma", 400.0),
        ("400mGy", "air_kerma", 400.0),
        ("400 mgy", "air_kerma", 400.0),
        ("41:30", "time", 2490.0),
        ("1:02:03", "time", 3723.0),
        ("75:00", "time", 4500.0),
        ("12.5 min", "time", 750.0),
        ("90 s", "time", 90.0),
        ("2 Min", "time", 120.0),
        ("12 ml", "volume", 12.0),
        ("12 cc", "volume", 12.0),
        ("320 mg I/mL", "iodine_concentration", 320.0),
        ("320 mgI/ml", "iodine_concentration", 320.0),
        ("68 kg", "mass", 68.0),
        ("150 lb", "mass", 68.0388555),  # 1 lb = 0.45359237 kg exactly, international yard and pound
        ("1.6 m", "length", 160.0),
        ("160cm", "length", 160.0),
        ("35 ft", "length", 1066.8),  # by pint
    ],
)
def test_typed_quantity_in_house_unit(text: str, kind: str, value: float) -> None:
    assert parse_quantity(text, kind, field="x") == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "value"),
    [("1,2", "1.2"), ("1.20", "1.20"), ("0,125", "0.125"), ("-3", "-3"), ("−3.5", "-3.5"), ("1e2", "1E+2")],
)
def test_decimal_comma_is_a_decimal_comma(text: str, value: str) -> None:
    assert parse_decimal(text) == Decimal(value)


@pytest.mark.parametrize(
    "text", ["1,200", "1,200.5", "1.200,5", "1,2,3", "1 200", "", "nan", "inf", "1.2.3", "٣"]
)
def test_ambiguous_or_odd_number_is_refused(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_decimal(text, field="volume")
    assert caught.value.field == "volume"
    assert "decimal number" in str(caught.value)


def test_number_without_unit_is_refused_unless_the_site_names_one() -> None:
    with pytest.raises(UnitError, match="with its unit"):
        parse_quantity("12", "volume", field="volume")
    assert parse_quantity("12", "volume", field="volume", default_unit="mL") == 12.0


@pytest.mark.parametrize(
    ("text", "kind"),
    [("12 kg", "volume"), ("12 Gy", "dose_area_product"), ("1.2 foo", "mass"),
     ("12 mL 3", "volume"), ("5 mg", "iodine_concentration"), ("1 200 mL", "volume"), ("3 9**9", "mass")],
)  # fmt: skip
def test_unit_of_another_kind_is_refused(text: str, kind: str) -> None:
    with pytest.raises(UnitError, match="accepted: one of the units"):
        parse_quantity(text, kind, field="x")


def test_megagray_is_never_read_as_milligray() -> None:
    assert parse_quantity("12 MGy", "air_kerma", field="x") == pytest.approx(12e9)  # for the bounds to refuse


def test_creatinine_keeps_its_digits_and_unit() -> None:
    assert parse_with_unit("106 µmol/l", "creatinine_mg_dl", field="creatinine") == (Decimal(106), "umol/L")
    number, unit = parse_with_unit("1,20 mg/dl", "creatinine_mg_dl", field="creatinine")
    assert (str(number), unit) == ("1.20", "mg/dL")


def test_conversion_of_powers_of_ten_rounds_once() -> None:
    assert parse_quantity("0.000123 Gy.m2", "dose_area_product", field="x") == 1.23


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    return pint.UnitRegistry()


def _as_pint(code: str) -> str:
    names = {"[in_i]": "inch", "[lb_av]": "pound", "%": "percent"}
    text = names.get(code, code)
    for square in ("m2", "cm2", "mm2", "dm2"):
        text = text.replace(f".{square}", f"*{square[:-1]}**2")
        if text == square:
            text = f"{square[:-1]}**2"
    return text.replace(".", "*")


CHECKED = [
    row
    for row in rows("ucum")
    if row["source"] == "ucum" and row["kind"] not in ("count", "rate") and row["code"] != "1"
]


@pytest.mark.parametrize("row", CHECKED, ids=lambda row: f"{row['kind']}:{row['code']}")
def test_factor_agrees_with_pint(row: dict[str, str], registry: pint.UnitRegistry) -> None:
    unit = unit_factor(row["code"], row["kind"])
    assert unit is not None
    house = _as_pint(HOUSE_UNITS[row["kind"]]).replace("ratio", "")
    expected = registry.parse_expression(_as_pint(row["code"])).to(house if house != "1" else "dimensionless")
    assert unit.factor == pytest.approx(float(expected.magnitude), rel=1e-12)
    if unit.exponent is not None:
        assert 10.0**unit.exponent == pytest.approx(unit.factor, rel=1e-12)


def test_creatinine_factor_agrees_with_the_molar_mass() -> None:
    # molar mass of creatinine C4H7N3O 113.12 g/mol: 1 mg/dL = 10 mg/L = 88.40 umol/L
    unit = unit_factor("umol/L", "creatinine_mg_dl")
    assert unit is not None
    assert 1 / unit.factor == pytest.approx(10 / 113.12 * 1000, abs=0.01)


def test_every_spelling_stands_for_a_unit_of_the_table() -> None:
    keys = {(row["kind"], row["code"]) for row in rows("ucum")}
    assert len(keys) == len(rows("ucum"))
    for row in rows("ucum"):
        assert row["kind"] in HOUSE_UNITS
        assert (row["kind"], row["canonical"]) in keys
        assert row["source"]
        assert row["locator"]


@pytest.mark.parametrize("code", ["Gy·m²", "Gy*m2", "Gy.m^2", "Gy m2", "Gym2", " Gy.m2 "])
def test_spellings_of_gray_square_metre(code: str) -> None:
    unit = unit_factor(code, "dose_area_product")
    assert unit is not None
    assert unit.factor == 1e4
    assert canonical_spelling("µGy·m²") == "uGy.m2"
