"""Content items of a structured report, as encoded data sets (PS3.3 section C.17.3, document content).

What the items are called, and in which unit they are written, stands in `tables/template_items.csv`,
with their codes in `tables/concepts.csv`; the codes they may hold in `tables/code_values.csv` and, where
only the writer needs them, in `tables/template_codes.csv`. The constant part of each item is encoded once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from dosetrack.errors import InputError
from dosetrack.exchange.encoding import Encoder, decimal_string
from dosetrack.tables import rows
from dosetrack.units import unit_factor

_CODE_VALUE, _CODING_SCHEME, _LONG_CODE_VALUE, _CODE_MEANING = 0x00080100, 0x00080102, 0x00080119, 0x00080104
_MAPPING_RESOURCE, _TEMPLATE_IDENTIFIER = 0x00080105, 0x0040DB00
_RELATIONSHIP, _VALUE_TYPE, _CONCEPT_NAME, _CONTINUITY = 0x0040A010, 0x0040A040, 0x0040A043, 0x0040A050
_DATETIME, _PERSON_NAME, _UID, _TEXT, _CONCEPT_CODE = (
    0x0040A120,
    0x0040A123,
    0x0040A124,
    0x0040A160,
    0x0040A168,
)
_MEASURED_VALUE, _UNITS, _NUMERIC_VALUE = 0x0040A300, 0x004008EA, 0x0040A30A
_TEMPLATE, _CONTENT = 0x0040A504, 0x0040A730
_SHORT_CODE_LENGTH = 16  # PS3.3 section 8.1: longer ones go to Long Code Value


@dataclass(frozen=True, slots=True)
class Code:
    """A coded concept: value, designator of its scheme, meaning."""

    value: str
    scheme: str
    meaning: str


@dataclass(frozen=True, slots=True)
class TemplateItem:
    """One kind of content item. `unit` is the UCUM code it is written in, `kind` as in units.HOUSE_UNITS."""

    relationship: str
    value_type: str
    concept: Code
    legacy_concept: Code
    unit: str
    kind: str


@cache
def template_items() -> dict[str, TemplateItem]:
    """The content items that can be written, by name."""
    concepts = {row["key"]: row for row in rows("concepts")}
    return {
        row["name"]: TemplateItem(
            relationship=row["relationship"],
            value_type=row["value_type"],
            concept=_code(concepts[row["concept"]]),
            legacy_concept=_legacy_code(concepts[row["concept"]]),
            unit=row["unit"],
            kind=row["kind"],
        )
        for row in rows("template_items")
    }


@cache
def template_codes(*, is_legacy: bool = False) -> dict[tuple[str, str], Code]:
    """The coded values that can be written, by (set, word).

    is_legacy : the code of older reports, where there was another one
    """
    found: dict[tuple[str, str], Code] = {}
    for row in rows("code_values") + rows("template_codes"):
        where = (row["set"], row["word"])
        if is_legacy and (where not in found or row["legacy_code"]):
            found[where] = _legacy_code(row)  # a later row of the word holds the older concept
        else:
            found.setdefault(where, _code(row))
    return found


def _code(row: dict[str, str]) -> Code:
    return Code(row["code"], row["scheme"], row["name"])


def _legacy_code(row: dict[str, str]) -> Code:
    if row["legacy_code"]:
        return Code(row["legacy_code"], row["legacy_scheme"], row["name"])
    return _code(row)


def words_of(code_set: str) -> tuple[str, ...]:
    """The words of one set of `template_codes`, in the table's order."""
    return tuple(word for (each, word) in template_codes() if each == code_set)


class ContentWriter:
    """Encodes content items of one report. Items are named as in `template_items`.

    Parameters
    ----------
    encoder : of the transfer syntax in use
    codec : Python's name of the report's character set
    has_legacy_codes : write SRT codes in place of SNOMED CT ones where they exist
    unit_overrides : kind of quantity -> UCUM code to write it in, where it differs from the template's
    """

    def __init__(
        self,
        encoder: Encoder,
        *,
        codec: str,
        has_legacy_codes: bool = False,
        unit_overrides: dict[str, str] | None = None,
    ) -> None:
        self._encoder = encoder
        self._codec = codec
        self._has_legacy_codes = has_legacy_codes
        self._units = unit_overrides or {}
        self._codes = template_codes(is_legacy=has_legacy_codes)
        self._heads: dict[tuple[str, str | None, Code | None], bytes] = {}
        self._numbers: dict[str, tuple[bytes, bytes, float]] = {}
        self._coded: dict[tuple[str, str, str], bytes] = {}
        self._written: dict[tuple[str, float], bytes] = {}

    def number(self, name: str, value: float) -> bytes:
        """A NUM item holding `value`, given in the house unit of its kind."""
        known = self._written.get((name, value))
        if known is not None:
            return known  # distances, rates and filters repeat from event to event
        if not math.isfinite(value):
            raise InputError(field=name, given=value, accepted="a finite number")
        prepared = self._numbers.get(name)
        if prepared is None:
            prepared = self._numbers[name] = self._prepare_number(name)
        head, units, divisor = prepared
        numeric = self._encoder.element(_NUMERIC_VALUE, "DS", decimal_string(value / divisor))
        item = head + self._encoder.sequence(_MEASURED_VALUE, (units + numeric,))
        self._written[name, value] = item
        return item

    def code(self, name: str, code_set: str, word: str, *children: bytes) -> bytes:
        """A CODE item holding the value `word` of `code_set`; `children` stand below it."""
        if not children:
            known = self._coded.get((name, code_set, word))
            if known is not None:
                return known
        value = self._codes.get((code_set, word))
        if value is None:
            raise InputError(field=name, given=word, accepted=", ".join(words_of(code_set)))
        item = self._head(name) + self._encoder.sequence(_CONCEPT_CODE, (self.coded(value),))
        if children:
            return item + self._encoder.sequence(_CONTENT, children)
        self._coded[name, code_set, word] = item
        return item

    def text(self, name: str, value: str) -> bytes:
        """A TEXT item."""
        return self._head(name) + self._encoder.element(_TEXT, "UT", value.encode(self._codec))

    def text_as(self, name: str, value: str) -> bytes:
        """A TEXT item where the template allows free words in place of a code."""
        head = self._head(name, value_type="TEXT")
        return head + self._encoder.element(_TEXT, "UT", value.encode(self._codec))

    def uid(self, name: str, value: str) -> bytes:
        """A UIDREF item."""
        return self._head(name) + self._encoder.element(_UID, "UI", value.encode("ascii"))

    def uid_called(self, code_set: str, word: str, value: str) -> bytes:
        """A UIDREF item below a scope, its concept name taken from `code_set`."""
        head = self._head(
            "scope_of_accumulation",
            value_type="UIDREF",
            relationship="HAS PROPERTIES",
            concept=self._codes[code_set, word],
        )
        return head + self._encoder.element(_UID, "UI", value.encode("ascii"))

    def datetime(self, name: str, value: str) -> bytes:
        """A DATETIME item; `value` is a DICOM DT."""
        return self._head(name) + self._encoder.element(_DATETIME, "DT", value.encode("ascii"))

    def person(self, name: str, value: str, *children: bytes) -> bytes:
        """A PNAME item with `children` below it."""
        item = self._head(name) + self._encoder.element(_PERSON_NAME, "PN", value.encode(self._codec))
        return item + self._encoder.sequence(_CONTENT, children) if children else item

    def container(self, name: str, children: Sequence[bytes]) -> bytes:
        """A CONTAINER item."""
        return (
            self._head(name)
            + self._encoder.element(_CONTINUITY, "CS", b"SEPARATE")
            + self._encoder.sequence(_CONTENT, children)
        )

    def root(self, name: str, children: Sequence[bytes], *, template: str) -> dict[int, bytes]:
        """The elements, by tag, that make a data set the root CONTAINER of `template` (DCMR)."""
        identity = self._encoder.element(_MAPPING_RESOURCE, "CS", b"DCMR") + self._encoder.element(
            _TEMPLATE_IDENTIFIER, "CS", template.encode("ascii")
        )
        concept = template_items()[name].concept
        return {
            _VALUE_TYPE: self._encoder.element(_VALUE_TYPE, "CS", b"CONTAINER"),
            _CONCEPT_NAME: self._encoder.sequence(_CONCEPT_NAME, (self.coded(concept),)),
            _CONTINUITY: self._encoder.element(_CONTINUITY, "CS", b"SEPARATE"),
            _TEMPLATE: self._encoder.sequence(_TEMPLATE, (identity,)),
            _CONTENT: self._encoder.sequence(_CONTENT, children),
        }

    def coded(self, code: Code) -> bytes:
        """The data set of one code sequence item."""
        is_short = len(code.value) <= _SHORT_CODE_LENGTH
        value = code.value.encode(self._codec)
        scheme = self._encoder.element(_CODING_SCHEME, "SH", code.scheme.encode("ascii"))
        meaning = self._encoder.element(_CODE_MEANING, "LO", code.meaning.encode(self._codec))
        if is_short:
            return self._encoder.element(_CODE_VALUE, "SH", value) + scheme + meaning
        return scheme + meaning + self._encoder.element(_LONG_CODE_VALUE, "UC", value)

    def _prepare_number(self, name: str) -> tuple[bytes, bytes, float]:
        item = template_items()[name]
        unit = self._units.get(item.kind, item.unit)
        conversion = unit_factor(unit, item.kind)
        if conversion is None:
            raise InputError(field=f"unit of {name}", given=unit, accepted=f"a unit of {item.kind}")
        meaning = "no units" if unit == "1" else unit
        units = self._encoder.sequence(_UNITS, (self.coded(Code(unit, "UCUM", meaning)),))
        return self._head(name), units, conversion.factor

    def _head(
        self,
        name: str,
        *,
        value_type: str | None = None,
        relationship: str | None = None,
        concept: Code | None = None,
    ) -> bytes:
        key = (name, value_type, concept)
        known = self._heads.get(key)
        if known is not None:
            return known
        item = template_items()[name]
        named = concept or (item.legacy_concept if self._has_legacy_codes else item.concept)
        relation = relationship or item.relationship
        head = b""
        if relation:
            head = self._encoder.element(_RELATIONSHIP, "CS", relation.encode("ascii"))
        head += self._encoder.element(_VALUE_TYPE, "CS", (value_type or item.value_type).encode("ascii"))
        head += self._encoder.sequence(_CONCEPT_NAME, (self.coded(named),))
        self._heads[key] = head
        return head
