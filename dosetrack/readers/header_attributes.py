"""Numbers that stand in header attributes instead of content items (`header_attributes.csv`).

Each attribute has one unit by the standard, so none is sent. Text and binary numbers take the same
way as those of dose reports: unreadable, impossible and implausible ones are found alike.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from statistics import fmean

from dosetrack.findings import Finding
from dosetrack.readers.codes import Code, Concept, concepts
from dosetrack.readers.elements import Span, Walker
from dosetrack.readers.numbers import NumberReader
from dosetrack.readers.sr_items import ContentItem
from dosetrack.tables import rows

_BINARY = {"US": "H", "FL": "f", "FD": "d"}


@dataclass(frozen=True, slots=True)
class Attribute:
    """One attribute: its tag, how its value is written, its unit, and what it says."""

    tag: int
    vr: str
    unit: Code
    concept: Concept


@cache
def attributes() -> dict[str, tuple[Attribute, ...]]:
    """Field -> the attributes that tell it, the one preferred first."""
    bounds = {c.field: (c.low, c.high) for c in concepts().values() if c.field is not None}
    found: dict[str, list[Attribute]] = {}
    for row in rows("header_attributes"):
        low, high = bounds.get(row["field"], (None, None))
        concept = Concept(
            key=row["key"],
            name=row["name"],
            value_type="NUM",
            places=frozenset(),
            field=row["field"],
            kind=row["kind"],
            low=float(row["low"]) if row["low"] else low,
            high=float(row["high"]) if row["high"] else high,
        )
        unit = Code(value=row["unit"], scheme="UCUM", meaning=b"")
        found.setdefault(row["field"], []).append(Attribute(int(row["tag"], 16), row["vr"], unit, concept))
    return {field: tuple(of_field) for field, of_field in found.items()}


class AttributeReader:
    """Reads fields from the elements of one data set and gathers what was unusual.

    Attributes
    ----------
    event_uid : named in findings
    """

    def __init__(self, walker: Walker, *, event_uid: str | None = None) -> None:
        self.event_uid = event_uid
        self._walker = walker
        self._numbers = NumberReader()

    @property
    def findings(self) -> list[Finding]:
        """What was unusual about the numbers so far."""
        return self._numbers.findings

    def values(self, field: str, elements: Mapping[int, Span]) -> list[float]:
        """Every value of `field` in the house unit, from the first attribute that tells it; else none."""
        for attribute in attributes()[field]:
            span = elements.get(attribute.tag)
            raw = b"" if span is None else self._text(attribute, span)
            if not raw.strip(b" \0"):
                continue
            item = ContentItem(None, raw, attribute.unit, None, [])
            found = self._numbers.values(item, attribute.concept, event_uid=self.event_uid)
            if found:
                return found
        return []

    def value(self, field: str, elements: Mapping[int, Span]) -> float | None:
        """The value of `field`, the mean of several; None where it is not told."""
        found = self.values(field, elements)
        return None if not found else found[0] if len(found) == 1 else fmean(found)

    def _text(self, attribute: Attribute, span: Span) -> bytes:
        """The attribute's numbers as decimal text."""
        raw = self._walker.data[span.start : span.end]
        kind = _BINARY.get(attribute.vr)
        if kind is None:
            return raw
        count = len(raw) // struct.calcsize(kind)
        order = "<" if span.is_unknown else self._walker.encoding.order  # PS3.5 section 6.2.2
        numbers = struct.unpack_from(f"{order}{count}{kind}", raw)
        return "\\".join(map(repr, numbers)).encode("ascii")
