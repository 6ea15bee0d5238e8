"""The writer's tables against pydicom's code dictionary, made from DICOM PS3.16 by other people."""

from __future__ import annotations

import pytest
from pydicom.sr.codedict import codes

from dosetrack.exchange.content import template_items
from dosetrack.exchange.encoding import decimal_string
from dosetrack.tables import rows, sources
from dosetrack.units import unit_factor


def _codes_of(group: object) -> dict[str, str]:
    """Code value -> meaning of a scheme or context group of the dictionary."""
    found = {}
    for name in group.dir():  # type: ignore[attr-defined]
        try:
            code = getattr(group, name)
        except RuntimeError:  # a name that two codes share
            continue
        found[code.value] = code.meaning
    return found


def test_concepts_written_have_the_meanings_of_the_dictionary() -> None:
    dictionary = _codes_of(codes.DCM)
    written = [item.concept for item in template_items().values() if item.concept.scheme == "DCM"]
    assert len(written) > 60
    for concept in written:
        assert dictionary[concept.value].lower() == concept.meaning.lower()


@pytest.mark.parametrize("row", rows("template_codes"), ids=lambda row: f"{row['set']}-{row['word']}")
def test_coded_values_stand_in_their_context_group(row: dict[str, str]) -> None:
    group = getattr(codes, row["locator"].lower().replace(" ", ""))
    assert _codes_of(group)[row["code"]].lower() == row["name"].lower()


def test_every_row_has_a_source_and_every_unit_is_known() -> None:
    for table in ("template_items", "template_codes"):
        for row in rows(table):
            assert row["source"] in sources()
            assert row["locator"]
    for item in template_items().values():
        assert (item.value_type == "NUM") == bool(item.unit)
        if item.unit:
            assert unit_factor(item.unit, item.kind) is not None


def test_keys_are_unique() -> None:
    assert len(template_items()) == len(rows("template_items"))
    words = [(row["set"], row["word"]) for row in rows("template_codes")]
    assert len(words) == len(set(words))
    assert set(words).isdisjoint((row["set"], row["word"]) for row in rows("code_values"))


@pytest.mark.parametrize(
    "value", [0.0, 1.0, -1e-7, 123456789.123456789, 1 / 3, -2 / 3e-5, 1e-9 / 3, 5e15 / 7]
)
def test_decimal_string_fits_and_keeps_nine_digits(value: float) -> None:
    text = decimal_string(value)
    assert len(text) <= 16
    assert float(text) == pytest.approx(value, rel=1e-9)
