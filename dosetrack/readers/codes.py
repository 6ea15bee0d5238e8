"""Coded entries: which concept, value or unit a code stands for, by code and scheme alone.

Meanings are never used to decide. Retired codes of the tables are accepted beside the present
ones. One report holds few distinct codes, so each is resolved once and then compared by identity.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from dosetrack.tables import rows
from dosetrack.units import UnitFactor, unit_factor

_RETIRED_SNOMED = frozenset({"SRT", "SNM3", "99SDM"})
"""Designators of SNOMED codes in the old style, PS3.16 section 8."""
_NO_BOUND = {"low": "", "high": ""}


@dataclass(frozen=True, slots=True)
class Concept:
    """What a content item says, from `concepts.csv` and, for its bounds, `implausible.csv`.

    places : where it fills a record's field: 'event', 'filter', 'total', 'calibration'
    field : name of that field, None where the records hold none
    kind : kind of quantity, None where not numeric or not held
    low, high : impossible below, implausible beyond (of either sign), in the house unit of `kind`
    """

    key: str
    name: str
    value_type: str
    places: frozenset[str]
    field: str | None
    kind: str | None
    low: float | None
    high: float | None


class Code:
    """One coded entry of a report, resolved against the tables.

    key : of the concept it names in `concepts.csv`, None when it is none of them
    """

    __slots__ = ("_factors", "concept", "key", "meaning", "scheme", "value", "words")

    def __init__(self, *, value: str, scheme: str, meaning: bytes) -> None:
        self.value = value
        self.scheme = scheme
        self.meaning = meaning
        self.concept = concepts().get((value, scheme))
        self.key = self.concept.key if self.concept is not None else None
        self.words = code_values().get((value, scheme), {})
        self._factors: dict[str, UnitFactor | None] = {}

    def word(self, value_set: str) -> str | None:
        """The house word of this code in `value_set` of `code_values.csv`, None when it is not in it."""
        return self.words.get(value_set)

    def factor(self, kind: str) -> UnitFactor | None:
        """The conversion to the house unit of `kind`, None when this is no known unit of that kind."""
        if kind not in self._factors:
            is_ucum = self.scheme in ("UCUM", "")
            self._factors[kind] = unit_factor(self.value, kind) if is_ucum else None
        return self._factors[kind]


def scheme_of(designator: str) -> str:
    """The coding scheme designator trimmed, in capitals, retired SNOMED designators as one."""
    scheme = designator.strip().upper()
    return "SRT" if scheme in _RETIRED_SNOMED else scheme


@cache
def concepts() -> dict[tuple[str, str], Concept]:
    """(code, scheme) -> concept, retired codes and codes without a scheme included."""
    found: dict[tuple[str, str], Concept] = {}
    bounds = {row["key"]: row for row in rows("implausible")}
    for row in rows("concepts"):
        bound = bounds.get(row["key"], _NO_BOUND)
        concept = Concept(
            key=row["key"],
            name=row["name"],
            value_type=row["value_type"],
            places=frozenset(row["place"].split()),
            field=row["field"] or None,
            kind=row["kind"] or None,
            low=float(bound["low"]) if bound["low"] else None,
            high=float(bound["high"]) if bound["high"] else None,
        )
        for code, scheme in _spellings(row):
            found.setdefault((code, scheme), concept)
    return found


@cache
def code_values() -> dict[tuple[str, str], dict[str, str]]:
    """(code, scheme) -> {value set: house word}, retired codes and codes without a scheme included."""
    found: dict[tuple[str, str], dict[str, str]] = {}
    for row in rows("code_values"):
        for spelling in _spellings(row):
            found.setdefault(spelling, {}).setdefault(row["set"], row["word"])
    return found


@cache
def words_by_name(value_set: str) -> dict[str, str]:
    """{name in small letters: house word} of `value_set`, for text that quotes the standard's name."""
    return {row["name"].casefold(): row["word"] for row in rows("code_values") if row["set"] == value_set}


def _spellings(row: dict[str, str]) -> list[tuple[str, str]]:
    codes = [(row["code"], row["scheme"])]
    if row["legacy_code"]:
        codes.append((row["legacy_code"], row["legacy_scheme"]))
    return codes + [(code, "") for code, _ in codes]
