"""Records become plain JSON."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from enum import Enum

import pytest

from dosetrack.cli.json_out import json_text, plain


class Kind(Enum):
    ONE = "one"


@dataclass(frozen=True, slots=True)
class Inner:
    name: str | None


@dataclass(frozen=True, slots=True)
class Outer:
    kind: Kind
    inner: tuple[Inner, ...]
    value: Decimal
    at: datetime
    on: date
    by: dict[Kind, float]


def test_records_become_plain() -> None:
    record = Outer(Kind.ONE, (Inner(None),), Decimal("1.20"), datetime(2026, 1, 2, 3, 4, tzinfo=UTC),
                   date(2026, 1, 2), {Kind.ONE: 0.1})  # fmt: skip
    assert json.loads(json_text(record)) == {
        "kind": "one",
        "inner": [{"name": None}],
        "value": 1.2,
        "at": "2026-01-02T03:04:00+00:00",
        "on": "2026-01-02",
        "by": {"one": 0.1},
    }


def test_text_is_ascii_and_no_number_is_an_error() -> None:
    assert json_text({"name": "Zoë"}).isascii()
    with pytest.raises(ValueError, match="Out of range"):
        json_text({"x": float("nan")})
    with pytest.raises(TypeError, match="no JSON form for object"):
        plain(object())
