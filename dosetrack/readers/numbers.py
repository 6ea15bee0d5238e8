"""Numbers of a dose report: decimal text and coded unit to a float in the house unit.

A number that is missing, without a known unit, or impossible becomes None with a finding; one
that is written oddly but has one meaning is read with a finding. Nothing is guessed.
"""

from __future__ import annotations

import math
import re

from dosetrack.findings import Finding, FindingCode, FindingKind, finding
from dosetrack.readers.codes import Code, Concept
from dosetrack.readers.sr_items import ContentItem
from dosetrack.units import UnitFactor

_PLAIN = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?")
_COMMA = re.compile(rb"[+-]?\d*,\d+")


class NumberReader:
    """Reads numbers and gathers what was unusual about them in `findings`."""

    def __init__(self) -> None:
        self.findings: list[Finding] = []
        self._suffixes: dict[tuple[Code, str], bytes | None] = {}

    def values(self, item: ContentItem, concept: Concept, *, event_uid: str | None) -> list[float]:
        """Every value of the numeric `item` in the house unit of `concept`; none where unusable."""
        kind = concept.kind
        if kind is None:
            return []
        raw = item.value
        if item.unit is not None and isinstance(raw, bytes) and item.qualifier is None:
            try:
                suffix = self._suffixes[item.unit, kind]
            except KeyError:
                suffix = self._suffix(item.unit, kind)
            if suffix is not None and b"_" not in raw:
                try:
                    number = float(raw.strip(b" \0") + suffix)
                except ValueError:
                    pass  # anything but plain digits: exponents, commas, several values, words
                else:
                    return [number] if self._is_possible(number, concept, event_uid) else []
        return self._odd_values(item, concept, kind, event_uid)

    def _suffix(self, unit: Code, kind: str) -> bytes | None:
        """What to append to plain digits so that they are in the house unit; None where that cannot be."""
        factor = unit.factor(kind)
        suffix = None
        if factor is not None and factor.exponent is not None:
            suffix = b"e%d" % factor.exponent
        self._suffixes[unit, kind] = suffix
        return suffix

    def _odd_values(
        self, item: ContentItem, concept: Concept, kind: str, event_uid: str | None
    ) -> list[float]:
        raw = item.value.strip(b" \0") if isinstance(item.value, bytes) else b""
        if item.qualifier is not None:
            why = item.qualifier.meaning.decode("latin-1") or item.qualifier.value
            self._tell(FindingCode.NUMBER_QUALIFIED_AS_ABSENT, event_uid, what=concept.name, why=why)
            return []
        if not raw:
            self._tell(FindingCode.NUMBER_EMPTY, event_uid, what=concept.name)
            return []
        if item.unit is None:
            self._tell(FindingCode.UNIT_MISSING, event_uid, what=concept.name, number=raw.decode("latin-1"))
            return []
        factor = item.unit.factor(kind)
        if factor is None:
            self._tell(
                FindingCode.UNIT_UNKNOWN,
                event_uid,
                what=concept.name,
                unit=item.unit.value,
                number=raw.decode("latin-1"),
            )
            return []
        found = [self._odd_value(part, factor, concept, event_uid) for part in raw.split(b"\\")]
        return [value for value in found if value is not None]

    def _odd_value(
        self, raw: bytes, factor: UnitFactor, concept: Concept, event_uid: str | None
    ) -> float | None:
        text = raw.strip(b" \0")
        if _COMMA.fullmatch(text):
            # PS3.5 section 6.2: a decimal string has a point and no grouping, so a comma is the decimal sign
            self._tell(FindingCode.DECIMAL_COMMA, event_uid, what=concept.name, number=text.decode("latin-1"))
            text = text.replace(b",", b".")
        if not _PLAIN.fullmatch(text):
            self._tell(
                FindingCode.NUMBER_UNREADABLE, event_uid, what=concept.name, number=text.decode("latin-1")
            )
            return None
        if factor.exponent is not None and b"e" not in text.lower():
            number = float(text + b"e%d" % factor.exponent)
        else:
            number = float(text) * factor.factor
        return number if self._is_possible(number, concept, event_uid) else None

    def _is_possible(self, number: float, concept: Concept, event_uid: str | None) -> bool:
        """Whether `number` can be; an implausible one can, with a finding."""
        if (concept.low is not None and number < concept.low) or not math.isfinite(number):
            self._tell(FindingCode.NUMBER_IMPOSSIBLE, event_uid, what=concept.name, number=f"{number:g}")
            return False
        if concept.high is not None and not -concept.high <= number <= concept.high:
            self._tell(FindingCode.NUMBER_IMPLAUSIBLE, event_uid, what=concept.name, number=f"{number:g}")
        return True

    def _tell(self, kind: FindingKind, event_uid: str | None, **facts: object) -> None:
        self.findings.append(finding(kind, event_uid=event_uid, **facts))


def decimals_of(item: ContentItem) -> float:
    """Half of the last digit written, in the unit sent: how far rounding may have moved the number."""
    raw = item.value.strip(b" \0").lower() if isinstance(item.value, bytes) else b""
    digits, _, exponent = raw.partition(b"e")
    places = len(digits.replace(b",", b".").partition(b".")[2])
    if raw == b"0":  # written by any format, so it tells no precision
        return 0.0
    try:
        return 0.5 * 10.0 ** ((int(exponent) if exponent else 0) - places)
    except (ValueError, OverflowError):
        return 0.0


def half_digit(item: ContentItem, kind: str) -> float:
    """Half of the last digit written, in the house unit of `kind`; 0 where the unit is not known."""
    factor = item.unit.factor(kind) if item.unit is not None else None
    return 0.0 if factor is None else decimals_of(item) * factor.factor
