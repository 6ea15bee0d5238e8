"""The reader's code tables against pydicom's dictionaries, which are generated from PS3.16."""

from __future__ import annotations

import re

import pytest
from pydicom.sr._cid_dict import cid_concepts
from pydicom.sr._concepts_dict import concepts as dictionary
from pydicom.sr._snomed_dict import mapping

from dosetrack.readers.codes import code_values, concepts
from dosetrack.records.report import DoseTotal, Filter, IrradiationEvent
from dosetrack.tables import rows, sources
from dosetrack.units import HOUSE_UNITS

KNOWN = {
    (scheme, code): meaning
    for scheme in ("DCM", "SCT")
    for entry in dictionary[scheme].values()
    for code, (meaning, _) in entry.items()
}
# 'X or X compound' concepts of older editions, dropped from the dictionaries: PS3.16 CID 10006 as held in
# a machine-readable copy of the 2013 templates
OLDER_EDITIONS = {"105837005", "105842002", "105866008"}
ROWS = [*rows("concepts"), *rows("code_values")]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['scheme']}-{row['code']}-{row['name']}")
def test_code_exists(row: dict[str, str]) -> None:
    assert (row["scheme"], row["code"]) in KNOWN or row["code"] in OLDER_EDITIONS


@pytest.mark.parametrize(
    "row", [row for row in ROWS if row["scheme"] == "DCM"], ids=lambda row: f"{row['code']}-{row['name']}"
)
def test_name_is_the_standards(row: dict[str, str]) -> None:
    def letters(text: str) -> str:
        return "".join(sign for sign in text.casefold() if sign.isalnum())

    ours, theirs = letters(row["name"]), letters(KNOWN["DCM", row["code"]])
    assert ours == theirs.removesuffix("mammo")  # the dictionary tells 111637 from that of tomography


@pytest.mark.parametrize(
    "row", [row for row in ROWS if row["legacy_code"]], ids=lambda row: f"{row['legacy_code']}-{row['code']}"
)
def test_retired_code_is_of_the_same_concept(row: dict[str, str]) -> None:
    assert row["legacy_scheme"] == "SRT"
    assert mapping["SRT"].get(row["legacy_code"]) == row["code"] or row["code"] in OLDER_EDITIONS


def _cid_members(number: int) -> set[tuple[str, str]]:
    """(scheme, code) of a context group as pydicom ships it, made from PS3.16."""
    found = set()
    for scheme, names in cid_concepts[number].items():
        for name in names:
            found |= {(scheme, code) for code in dictionary[scheme][name]}
    return found


OF_A_GROUP = [
    (table, row)
    for table in ("code_values", "template_codes", "concepts")
    for row in rows(table)
    if re.search(r"CID \d+", row["locator"]) and "older editions" not in row["locator"]
]


@pytest.mark.parametrize(
    ("table", "row"), OF_A_GROUP, ids=[f"{table}-{row['locator']}-{row['code']}" for table, row in OF_A_GROUP]
)
def test_code_is_a_member_of_the_context_group_it_is_said_to_be_of(table: str, row: dict[str, str]) -> None:
    groups = [int(number) for number in re.findall(r"CID (\d+)", row["locator"])]
    assert any(
        (row["scheme"], row["code"]) in _cid_members(number) for number in groups if number in cid_concepts
    )


def test_every_member_of_the_groups_read_is_known() -> None:
    """A word of the house for each code the standard allows there.

    Not of CID 21: of the ways to lie on a table only head first and feet first make a patient position.
    """
    whole = {
        10000: "scope", 10002: "event_type", 10003: "plane", 10006: "filter_material", 10007: "filter_type",
        10020: "source_of_dose_information", 10025: "reference_point", 7445: "device_role",
    }  # fmt: skip
    known = {(row["set"], row["scheme"], row["code"]) for row in rows("code_values")}
    missing = [
        (value_set, scheme, code)
        for number, value_set in whole.items()
        for scheme, code in _cid_members(number)
        if (value_set, scheme, code) not in known
    ]
    assert missing == []


def test_fields_are_the_records_and_kinds_have_a_unit() -> None:
    of_place = {
        "event": {*IrradiationEvent.__dataclass_fields__, "average_tube_current_ma"},
        "total": {*DoseTotal.__dataclass_fields__, "source_to_reference_point_mm"},
        "filter": set(Filter.__dataclass_fields__),
        "calibration": {"calibration_factor"},
    }
    suffixes = {"Gy.cm2": "gycm2", "mGy": "mgy", "s": "s", "ms": "ms", "mm": "mm", "cm2": "cm2", "deg": "deg",
                "mA": "ma", "uA.s": "uas", "1/s": "hz"}  # fmt: skip
    for row in rows("concepts"):
        assert bool(row["field"]) == bool(row["place"]) == bool(row["kind"])
        for place in row["place"].split():
            assert row["field"] in of_place[place]
        if row["kind"]:
            suffix = suffixes.get(HOUSE_UNITS[row["kind"]])
            assert suffix is None or row["field"].endswith(f"_{suffix}")


def test_every_row_names_its_source_and_keys_are_unique() -> None:
    for row in ROWS:
        assert row["source"] in sources()
        assert row["locator"]
        assert row["checked"] in ("read", "second-hand", "memory", "computed", "own")
    keys = [row["key"] for row in rows("concepts")]
    assert len(set(keys)) == len(keys)
    assert len({(row["set"], row["code"]) for row in rows("code_values")}) == len(rows("code_values"))


def test_every_bound_is_of_a_quantity_read_and_in_its_unit() -> None:
    kinds = {row["key"]: row["kind"] for row in rows("concepts")}
    for row in rows("implausible"):
        assert row["unit"] == HOUSE_UNITS[kinds[row["key"]]], row["key"]
        assert row["checked"] == "own"
    of_events = {row["key"] for row in rows("concepts") if row["place"] in ("event", "total")}
    assert of_events <= {row["key"] for row in rows("implausible")}
    assert (concepts()["113733", "DCM"].low, concepts()["113733", "DCM"].high) == (0.0, 200.0)  # kV


def test_codes_resolve_by_code_and_scheme() -> None:
    assert concepts()["113738", "DCM"].key == "dose_rp"
    assert code_values()["P5-06000", "SRT"]["event_type"] == "fluoroscopy"
    assert ("113738", "99LOCAL") not in concepts()
