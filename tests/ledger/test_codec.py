"""Canonical text of payloads: the same content is the same text, and comes back the same."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields, is_dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from enum import Enum
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dosetrack.errors import InputError, LedgerError
from dosetrack.ledger.codec import from_json, kind_of, payload_from_json, to_json, tuple_from_json
from dosetrack.records.entries import PAYLOAD_KINDS, Agent, CaseOpened, Creatinine, Injection, Note
from dosetrack.records.report import Filter, Patient


def values_of(hint: Any) -> st.SearchStrategy[Any]:
    """Any value a field of this type may have."""
    arguments = get_args(hint)
    if get_origin(hint) in (Union, UnionType):
        return st.one_of(*map(values_of, arguments))
    if get_origin(hint) is Literal:
        return st.sampled_from(arguments)
    if get_origin(hint) is tuple:
        return st.lists(values_of(arguments[0]), max_size=3).map(tuple)
    if isinstance(hint, type) and issubclass(hint, Enum):
        return st.sampled_from(hint)
    if is_dataclass(hint):
        hints = get_type_hints(hint)
        return st.builds(hint, **{field.name: values_of(hints[field.name]) for field in fields(hint)})
    return {
        str: st.text(),
        bool: st.booleans(),
        int: st.integers(),
        float: st.floats(allow_nan=False, allow_infinity=False),
        NoneType: st.none(),
    }[hint]


@pytest.mark.parametrize("kind", PAYLOAD_KINDS)
@given(data=st.data())
@settings(max_examples=25, deadline=None)
def test_every_payload_comes_back_as_it_was(kind: str, data: st.DataObject) -> None:
    payload = data.draw(values_of(PAYLOAD_KINDS[kind]))
    text = to_json(payload)
    assert kind_of(payload) == kind
    assert payload_from_json(kind, text) == payload
    assert to_json(payload_from_json(kind, text)) == text


def test_text_is_canonical() -> None:
    text = to_json(Injection(volume_ml=6.5, agent=Agent.CARBON_DIOXIDE))
    assert text == json.dumps(json.loads(text), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert '"agent":"carbon dioxide"' in text
    assert '"concentration_mgi_ml":null' in text, "a default is written out, so that it cannot change later"


def test_laboratory_digits_stay_as_typed() -> None:
    assert from_json(Creatinine, to_json(Creatinine("1.20", "mg/dL"))).value == "1.20"


@dataclass(frozen=True, slots=True)
class Exact:
    value: Decimal
    at: datetime
    on: date | None = None


@pytest.mark.parametrize("digits", ["1.20", "0.1", "-3", "1E+2"])
def test_decimals_and_times_are_exact(digits: str) -> None:
    at = datetime(2026, 10, 25, 2, 30, 0, 120000, tzinfo=timezone(timedelta(hours=1)))
    exact = Exact(Decimal(digits), at, date(2026, 10, 25))
    back = from_json(Exact, to_json(exact))
    assert str(back.value) == digits
    assert back == exact
    assert back.at.utcoffset() == at.utcoffset()


def test_key_of_a_newer_version_is_passed_over() -> None:
    text = json.dumps({"text": "seen", "colour": "added later"})
    assert payload_from_json("note", text) == Note("seen")


def test_field_an_older_version_did_not_write_takes_its_default() -> None:
    opened = payload_from_json("case-opened", '{"room":"1","patient":{"id":"P1"}}')
    assert opened == CaseOpened(room="1", patient=Patient(id="P1"))


@pytest.mark.parametrize(
    ("kind", "text", "words"),
    [
        ("note", "{}", "lacks text"),
        ("note", "[]", "fields of Note"),
        ("note", '{"text":7}', "expected str"),
        ("note", '{"text":', "not JSON"),
        ("injection", '{"volume_ml":"6"}', "a number"),
        ("injection", '{"volume_ml":true}', "a number"),
        ("injection", '{"volume_ml":6,"agent":"water"}', "one of"),
        ("operators-changed", '{"operators":"A"}', "a list"),
        ("telepathy", "{}", "does not know"),
    ],
)
def test_text_that_does_not_fit_is_refused(kind: str, text: str, words: str) -> None:
    with pytest.raises(LedgerError, match=words):
        payload_from_json(kind, text)


@pytest.mark.parametrize("bad", [Note("\ud800"), Injection(volume_ml=float("nan"))], ids=["surrogate", "nan"])
def test_what_cannot_be_stored_is_refused(bad: Note | Injection) -> None:
    with pytest.raises(InputError):
        to_json(bad)


def test_only_payloads_have_a_kind() -> None:
    with pytest.raises(LedgerError, match="no payload"):
        kind_of(Patient())  # type: ignore[arg-type]


def test_lists_of_records() -> None:
    filters = (Filter("copper", 0.1, 0.2), Filter())
    assert tuple_from_json(Filter, to_json(filters)) == filters
    assert tuple_from_json(Filter, "[]") == ()


def test_things_that_are_no_record_are_refused() -> None:
    with pytest.raises(LedgerError, match="cannot be stored"):
        to_json(object())
    with pytest.raises(TypeError, match="read"):
        from_json(complex, "1")
    assert to_json({"b": datetime(2026, 1, 1, tzinfo=UTC)}) == '{"b":"2026-01-01T00:00:00+00:00"}'
