"""Every packaged number has a source, a place in it, a known unit, and a use."""

from __future__ import annotations

import re
from pathlib import Path

import pint
import pytest

from dosetrack.settings import definitions
from dosetrack.tables import CONSTANT_COLUMNS, citation, constants, rows, sources

PACKAGE = Path(__file__).resolve().parents[2] / "dosetrack"
TABLES = sorted(path.stem for path in (PACKAGE / "tables").glob("*.csv"))
WITH_SOURCES = [name for name in TABLES if "source" in rows(name)[0]]
CONSTANT_TABLES = [name for name in TABLES if tuple(rows(name)[0]) == CONSTANT_COLUMNS]
CHECKED = {"read", "second-hand", "memory", "computed", "own"}

# the columns that together name a row
KEYS = {
    "code_values": ("set", "word", "code", "scheme"),
    "template_codes": ("set", "word"),
    "template_items": ("name",),
    "template_rules": ("place", "concept"),
    "ucum": ("kind", "code"),
    "sample_operators": ("name",),
    "sample_rooms": ("name",),
    "backscatter": ("kvp", "al_mm", "cu_mm", "field_side_cm"),
    "hvl": ("kvp", "al_mm", "cu_mm"),
    "mu_en_ratio": ("energy_kev",),
}
# grids of one computation -> its source
GRIDS = dict.fromkeys(("backscatter", "hvl", "mu_en_ratio"), "skin-computation-2026")
# tables whose rows are all used by walking the table
WALKED = {
    "reference_levels", "concepts", "code_values", "template_codes", "template_items", "ucum",
    "injection_sites", "header_attributes", "implausible", "template_rules", "slips",
}  # fmt: skip
# tables whose values are words
OF_WORDS = {"injection_sites", "documents"}
# words counted as units, beside those pint knows
COUNTS = {"cases", "events"}


@pytest.mark.parametrize("table", WITH_SOURCES)
def test_every_row_names_its_source_and_the_place_in_it(table: str) -> None:
    known = sources()
    for line, row in enumerate(rows(table), start=2):
        assert row["source"] in known, f"{table}.csv line {line}"
        if "locator" in row:
            assert row["locator"].strip(), f"{table}.csv line {line}: no locator"
        assert row["checked"] in CHECKED, f"{table}.csv line {line}"


def test_only_settings_and_grids_have_no_source_column() -> None:
    """The settings' defaults name rows that have one, or are choices of this project."""
    assert set(TABLES) - set(WITH_SOURCES) == {"settings", *GRIDS}


@pytest.mark.parametrize("table", GRIDS)
def test_grids_hold_numbers_alone_and_a_known_source(table: str) -> None:
    assert GRIDS[table] in sources()
    for row in rows(table):
        assert all(float(cell) >= 0 for cell in row.values()), row


@pytest.mark.parametrize("table", GRIDS)
def test_every_column_of_a_grid_is_read(table: str) -> None:
    """By its name, or by a name put together from its parts: f"bm_{medium}", "transmission_"."""
    code = "\n".join(path.read_text(encoding="utf-8") for path in (PACKAGE / "skin").glob("*.py"))
    literals = set(re.findall(r'"([^"\n]+)"', code))
    patterns = [re.sub(r"\\\{[^{}]*\\\}", ".+", re.escape(text)) for text in literals if "{" in text]
    unread = [
        column
        for column in rows(table)[0]
        if column not in literals
        and not any(re.fullmatch(pattern, column) for pattern in patterns if pattern.strip(".+"))
        and not (column.startswith("transmission_") and "transmission_" in literals)
    ]
    assert unread == []


@pytest.mark.parametrize("table", TABLES)
def test_no_row_stands_twice(table: str) -> None:
    key = KEYS.get(table, ("key",))
    named = [tuple(row[column] for column in key) for row in rows(table)]
    assert sorted(named) == sorted(set(named))


@pytest.mark.parametrize("table", TABLES)
def test_rows_are_whole(table: str) -> None:
    """Neither too many cells (a comma without quotes) nor too few."""
    for line, row in enumerate(rows(table), start=2):
        assert None not in row, f"{table}.csv line {line}: more cells than columns"
        assert None not in row.values(), f"{table}.csv line {line}: fewer cells than columns"


def pint_spelling(ucum: str) -> str:
    """A UCUM unit as pint writes it: 'mL/min/{1.73_m2}' becomes 'mL/min'."""
    text = re.sub(r"/?\{[^}]*\}", "", ucum)
    text = re.sub(r"(?<![A-Za-z])a(?![A-Za-z])", "year", text)
    text = text.replace("u", "µ") if re.match(r"u[A-Z]|umol", text) else text
    return re.sub(r"([A-Za-zµ])(-?\d)", r"\1**\2", text).replace(".", "*").strip("/") or "1"


@pytest.mark.parametrize("table", [name for name in TABLES if "unit" in rows(name)[0] and name != "settings"])
def test_every_unit_is_one_that_an_outside_library_knows(table: str) -> None:
    registry = pint.UnitRegistry()
    unknown = set()
    for unit in {row["unit"] for row in rows(table)} - {"", "1", *COUNTS}:
        try:
            registry.parse_units(pint_spelling(unit))
        except (pint.UndefinedUnitError, ValueError):
            unknown.add(unit)
    assert unknown == set()


@pytest.mark.parametrize("table", CONSTANT_TABLES)
def test_constants_are_numbers_in_order(table: str) -> None:
    for key, constant in constants(table).items():
        assert constant.value or constant.low or constant.high, key
        if table in OF_WORDS:
            continue
        numbers = [float(text) for text in (constant.low, constant.value, constant.high) if text]
        if constant.unit and table != "contrast_limits":  # there low and high are concentrations
            assert numbers == sorted(numbers), key


def test_every_source_is_used_and_told_whole() -> None:
    used = {row["source"] for table in WITH_SOURCES for row in rows(table)}
    assert set(sources()) - used == set()
    for key, source in sources().items():
        assert source.title, key
        assert source.authors, key
        assert source.identifier, key
        assert 1950 <= source.year <= 2100, key


@pytest.mark.parametrize("table", sorted(set(CONSTANT_TABLES) - WALKED))
def test_every_constant_is_used(table: str) -> None:
    """By its key in the code, by a setting's default, or by a key put together from its parts."""
    code = "\n".join(path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py"))
    literals = set(re.findall(r"""["']([^"'\n]*)["']""", code))
    defaults = {row["default"] for row in rows("settings")}

    def is_used(key: str) -> bool:
        if key in literals or f"@{table}:{key}" in defaults:
            return True
        # f"{name}.factor", f"share_{region}", f"srdl_{quantity}"
        return any(
            re.fullmatch(re.sub(r"\\\{[^{}]*\\\}", r"[A-Za-z0-9_.-]+", re.escape(literal)), key)
            for literal in literals
            if "{" in literal and re.search("[a-z]", re.sub(r"\{[^{}]*\}", "", literal))
        )

    assert [key for key in constants(table) if not is_used(key)] == []


def test_a_constant_from_memory_says_so_wherever_it_is_cited() -> None:
    for table in CONSTANT_TABLES:
        for constant in constants(table).values():
            says = "from memory, confirm against the original" in citation(constant)
            assert says == (constant.checked == "memory"), constant.key


def test_a_default_from_memory_says_so_on_the_settings_page() -> None:
    for row in rows("settings"):
        if not row["default"].startswith("@"):
            continue
        table, _, key = row["default"][1:].partition(":")
        constant = constants(table)[key]
        assert definitions()[row["key"]].source == citation(constant)
        assert definitions()[row["key"]].default == constant.value


def test_the_folder_s_readme_tells_how_each_table_was_made() -> None:
    text = (PACKAGE / "tables" / "README.md").read_text(encoding="utf-8")
    assert [name for name in TABLES if f"`{name}.csv`" not in text] == []
