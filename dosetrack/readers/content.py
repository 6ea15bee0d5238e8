"""Everything a structured report says, item by item as it was sent (PS3.3 section C.17.3).

The records hold what dosetrack uses; here nothing is left out: unknown and private items stand in
their place, and of each item the elements that are none of its usual ones. What is shown is what
the one walk of the reader noted, so that what was read is never refused here.
"""

from __future__ import annotations

from collections.abc import Sequence

from dosetrack.readers.codes import concepts, scheme_of
from dosetrack.readers.elements import tag_text
from dosetrack.readers.header import Header
from dosetrack.readers.rdsr import Reading
from dosetrack.readers.refusal import Refusal
from dosetrack.readers.source import Source
from dosetrack.readers.sr_items import (
    CONCEPT_NAME,
    CONTENT,
    RELATIONSHIP,
    VALUE_TYPE,
    ContentItem,
    ItemElement,
)
from dosetrack.records.content import ContentNode, OtherElement

_CONTINUITY = 0x0040A050
_CODE, _NUMBERS, _QUALIFIER = 0x0040A168, 0x0040A300, 0x0040A301
_TEXTS = (0x0040A160, 0x0040A120, 0x0040A121, 0x0040A122, 0x0040A124)
_NAME = 0x0040A123
_REFERENCES, _REFERENCED_CLASS, _REFERENCED = 0x00081199, 0x00081150, 0x00081155
_CODES = (0x00080100, 0x00080119, 0x00080120)
_SCHEME, _MEANING = 0x00080102, 0x00080104
_FRAME = frozenset({RELATIONSHIP, VALUE_TYPE, _CONTINUITY, CONCEPT_NAME, CONTENT, _QUALIFIER})
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
    source.opened.refuse_if_cut()
    _, items, header = Reading(source, is_noting=True).content_and_header()
    root = [
        ItemElement(tag, span.start, span.end, span.is_open, source.walker, None, None)
        for tag, span in header.elements.items()
        if tag in (VALUE_TYPE, CONCEPT_NAME)
    ]
    return _Content(header).node(root, items)


class _Content:
    """Turns content items into nodes."""

    def __init__(self, header: Header) -> None:
        self._header = header
        self._codes: dict[tuple[bool, bool, bytes], _Code] = {}

    def node(self, elements: Sequence[ItemElement], children: Sequence[ContentItem]) -> ContentNode:
        """The item of `elements`, `children` below it; of an element told twice the last holds."""
        holding = {element.tag: element for element in elements}
        shown = holding.keys() & _FRAME
        meaning, code, scheme = self._code(holding.get(CONCEPT_NAME))
        value, value_code, value_scheme, unit, of_value = self._value(holding)
        shown |= of_value
        why, why_code, _ = self._code(holding.get(_QUALIFIER))
        others = [
            element for element in elements if element.tag not in shown or holding[element.tag] is not element
        ]
        return ContentNode(
            relationship=_word(holding.get(RELATIONSHIP)),
            value_type=_word(holding.get(VALUE_TYPE)),
            meaning=meaning,
            code=code,
            scheme=scheme,
            is_known=code is not None and (code, scheme_of(scheme or "")) in concepts(),
            value=value,
            value_code=value_code,
            value_scheme=value_scheme,
            unit=unit,
            qualifier=why or why_code,
            others=tuple(_other(element) for element in others),
            children=tuple(self.node(child.elements or (), child.children) for child in children),
        )

    def _value(
        self, holding: dict[int, ItemElement]
    ) -> tuple[str | None, str | None, str | None, str | None, set[int]]:
        """(value, its code, its scheme, unit, the tags that hold them) of one item."""
        if _CODE in holding:
            return *self._code(holding[_CODE]), None, {_CODE}
        if _NUMBERS in holding:
            numbers = holding[_NUMBERS]
            written = self._text(numbers.value) if isinstance(numbers.value, bytes) else None
            return written, None, None, numbers.unit.value if numbers.unit else None, {_NUMBERS}
        if _NAME in holding:
            names = self._header.decoder.names(holding[_NAME].raw)
            return "\\".join(names) or None, None, None, None, {_NAME}
        if _REFERENCES in holding:
            references = _references(holding[_REFERENCES])
            shown = set() if references is None else {_REFERENCES}
            return references or None, None, None, None, shown
        told = [tag for tag in _TEXTS if tag in holding]
        texts = [text for tag in told if (text := self._text(holding[tag].raw)) is not None]
        return "\\".join(texts) or None, None, None, None, set(told)

    def _code(self, element: ItemElement | None) -> _Code:
        """What a code sequence says; the same bytes, read alike, say the same."""
        if element is None:
            return None, None, None
        walker, span = element.walker, element.span
        spelt = walker is self._header.walker, span.is_unknown, element.raw
        if spelt not in self._codes:
            first = next(iter(walker.items(span)), {})
            told = [self._header.text(tag, first) for tag in _CODES]
            code = next((text for text in told if text), None)
            meaning, scheme = self._header.text(_MEANING, first), self._header.text(_SCHEME, first)
            self._codes[spelt] = meaning, code, scheme
        return self._codes[spelt]

    def _text(self, raw: bytes) -> str | None:
        return self._header.decoder.text(raw)


def _references(element: ItemElement) -> str | None:
    """Class and instance of what an item refers to; None where that, which reading skips, is damaged."""
    try:
        items = element.walker.items(element.span)
    except Refusal:
        return None
    data = element.walker.data
    told = []
    for item in items:
        spans = [item[tag] for tag in (_REFERENCED_CLASS, _REFERENCED) if tag in item]
        uids = [_plain(data[span.start : span.end]) for span in spans]
        told.append(" ".join(uid for uid in uids if uid))
    return "\\".join(told)


def _word(element: ItemElement | None) -> str | None:
    return None if element is None else _plain(element.raw) or None


def _plain(raw: bytes) -> str:
    return raw.strip(b" \0").decode("ascii", "replace")


def _other(element: ItemElement) -> OtherElement:
    size = element.end - element.start
    raw = element.raw[:_LONGEST_OTHER].rstrip(b" \0")
    text = raw.decode("ascii", "replace") if raw.isascii() else ""
    is_text = not element.is_open and size <= _LONGEST_OTHER and text.isprintable() and bool(text)
    return OtherElement(tag=tag_text(element.tag), value=text if is_text else f"{size} bytes")
