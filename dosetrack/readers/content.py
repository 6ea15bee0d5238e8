"""Everything a structured report says, item by item as it was sent (PS3.3 section C.17.3).

The records hold what dosetrack uses; here nothing is left out: unknown and private items stand in
their place, and of each item the elements that are none of its usual ones. Read by the same walker
as the records, so that what is refused there is refused here.
"""

from __future__ import annotations

import struct

from dosetrack.readers.codes import concepts, scheme_of
from dosetrack.readers.elements import Span, Walker, tag_text
from dosetrack.readers.header import Header
from dosetrack.readers.item_kinds import content_span
from dosetrack.readers.rdsr import Reading
from dosetrack.readers.refusal import Refusal
from dosetrack.readers.source import Source
from dosetrack.readers.sr_items import CONCEPT_NAME, CONTENT, DEEPEST_CONTENT
from dosetrack.records.content import ContentNode, OtherElement

_RELATIONSHIP, _VALUE_TYPE, _CONTINUITY = 0x0040A010, 0x0040A040, 0x0040A050
_CODE, _NUMBERS, _QUALIFIER = 0x0040A168, 0x0040A300, 0x0040A301
_NUMBER, _FLOATING, _UNITS = 0x0040A30A, 0x0040A161, 0x004008EA
_TEXTS = (0x0040A160, 0x0040A120, 0x0040A121, 0x0040A122, 0x0040A124)
_NAME = 0x0040A123
_REFERENCES, _REFERENCED_CLASS, _REFERENCED = 0x00081199, 0x00081150, 0x00081155
_CODES = (0x00080100, 0x00080119, 0x00080120)
_SCHEME, _MEANING = 0x00080102, 0x00080104
_FRAME = frozenset({_RELATIONSHIP, _VALUE_TYPE, _CONTINUITY, CONCEPT_NAME, CONTENT, _QUALIFIER})
_VALUES = ((_CODE,), (_NUMBERS,), (_NAME,), (_REFERENCES,), _TEXTS)
"""Elements that hold a value, those of one kind together; an item has one."""
_LONGEST_OTHER = 200
"""Text of an element beside the usual ones is shown up to this length [bytes]."""


_Code = tuple[str | None, str | None, str | None]
"""Meaning, code and scheme; each None where it is not told."""


def content_of(source: Source) -> ContentNode:
    """The root of the content in `source`, a dose report of TID 10001, 10040 or 10030.

    Raises
    ------
    Refusal
        As reading it does.
    """
    Reading(source).content_and_header()
    elements, _ = source.elements(stop_at=CONTENT)
    root = {tag: found for tag, found in elements.items() if tag in (_VALUE_TYPE, CONCEPT_NAME)}
    return _Content(Header(source.walker, elements)).node({**root, CONTENT: content_span(source)}, depth=-1)


class _Content:
    """Turns the elements of content items into nodes."""

    def __init__(self, header: Header) -> None:
        self._header = header
        self._walker: Walker = header.walker
        self._codes: dict[tuple[bool, bytes], _Code] = {}

    def node(self, elements: dict[int, Span], *, depth: int) -> ContentNode:
        """The item of which `elements` are the elements, `depth` levels below the root."""
        if depth > DEEPEST_CONTENT:
            raise Refusal(f"content nested deeper than {DEEPEST_CONTENT} levels")
        meaning, code, scheme = self._code(elements.get(CONCEPT_NAME))
        value, value_code, value_scheme, unit = self._value(elements)
        why, why_code, _ = self._code(elements.get(_QUALIFIER))
        below = elements.get(CONTENT)
        usual = _FRAME.union(next((tags for tags in _VALUES if elements.keys() & set(tags)), ()))
        return ContentNode(
            relationship=self._word(_RELATIONSHIP, elements),
            value_type=self._word(_VALUE_TYPE, elements),
            meaning=meaning,
            code=code,
            scheme=scheme,
            is_known=code is not None and (code, scheme_of(scheme or "")) in concepts(),
            value=value,
            value_code=value_code,
            value_scheme=value_scheme,
            unit=unit,
            qualifier=why or why_code,
            others=tuple(self._other(tag, span) for tag, span in elements.items() if tag not in usual),
            children=()
            if below is None
            else tuple(self.node(item, depth=depth + 1) for item in self._walker.items(below)),
        )

    def _value(self, elements: dict[int, Span]) -> tuple[str | None, str | None, str | None, str | None]:
        """(value, its code, its scheme, unit) of one item."""
        if _CODE in elements:
            return *self._code(elements[_CODE]), None
        if _NUMBERS in elements:
            numbers = self._walker.items(elements[_NUMBERS])
            unit = next((self._code(n[_UNITS])[1] for n in numbers if _UNITS in n), None)
            written = [text for n in numbers if (text := self._number(n)) is not None]
            return "\\".join(written) or None, None, None, unit
        if _NAME in elements:
            return "\\".join(self._header.names(_NAME, elements)) or None, None, None, None
        if _REFERENCES in elements:
            uids = [self._reference(item) for item in self._walker.items(elements[_REFERENCES])]
            return "\\".join(uids) or None, None, None, None
        texts = [text for tag in _TEXTS if (text := self._header.text(tag, elements)) is not None]
        return "\\".join(texts) or None, None, None, None

    def _number(self, elements: dict[int, Span]) -> str | None:
        """A number as written; a binary one where no other is."""
        text = self._header.text(_NUMBER, elements)
        span = elements.get(_FLOATING)
        if text is None and span is not None and span.end - span.start == 8:
            order = "<" if span.is_unknown else self._walker.encoding.order
            text = repr(struct.unpack(order + "d", self._walker.data[span.start : span.end])[0])
        return text

    def _reference(self, elements: dict[int, Span]) -> str:
        """Class and instance of what an item refers to."""
        uids = (self._word(_REFERENCED_CLASS, elements), self._word(_REFERENCED, elements))
        return " ".join(uid for uid in uids if uid)

    def _code(self, span: Span | None) -> _Code:
        """What a code sequence says; the same bytes say the same."""
        if span is None:
            return None, None, None
        spelt = span.is_unknown, self._walker.data[span.start : span.end]
        if spelt not in self._codes:
            items = self._walker.items(span) or [{}]
            code = next((text for tag in _CODES if (text := self._header.text(tag, items[0]))), None)
            meaning, scheme = self._header.text(_MEANING, items[0]), self._header.text(_SCHEME, items[0])
            self._codes[spelt] = meaning, code, scheme
        return self._codes[spelt]

    def _word(self, tag: int, elements: dict[int, Span]) -> str | None:
        return self._header.raw(tag, elements).strip(b" \0").decode("ascii", "replace") or None

    def _other(self, tag: int, span: Span) -> OtherElement:
        size = span.end - span.start
        raw = self._walker.data[span.start : min(span.end, span.start + _LONGEST_OTHER)].rstrip(b" \0")
        text = raw.decode("ascii", "replace") if raw.isascii() else ""
        is_text = not span.is_open and size <= _LONGEST_OTHER and text.isprintable() and bool(text)
        return OtherElement(tag=tag_text(tag), value=text if is_text else f"{size} bytes")
