"""The content tree of a structured report, each element walked once (PS3.3 section C.17.3).

A content item becomes a light tuple. Codes are resolved once per distinct spelling: the bytes of
a code sequence are the key, since equal bytes say equal things. This module knows nothing of dose.

Who asks more of an item than numbers need (the check against the template, the view of everything
that was sent) has the walk note each element it passes. There is no second walk: another would
differ from this one in what it tolerates, and refuse what was read.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from dosetrack.readers.codes import Code, scheme_of
from dosetrack.readers.elements import Span, Walker
from dosetrack.readers.encoding import UNDEFINED
from dosetrack.readers.refusal import Refusal

DEEPEST_CONTENT = 64
"""Content nested deeper than this is refused; the dose report's template needs 6 levels."""

CONCEPT_NAME = 0x0040A043
CONTENT = 0x0040A730
VALUE_TYPE = 0x0040A040
RELATIONSHIP = 0x0040A010
_MEASURED_VALUES = 0x0040A300
_NUMERIC_VALUE = 0x0040A30A
_FLOATING_POINT_VALUE = 0x0040A161
_UNITS = 0x004008EA
_QUALIFIER = 0x0040A301
_CODE_VALUE = 0x0040A168
_PLAIN_VALUES = (0x0040A160, 0x0040A120, 0x0040A121, 0x0040A122, 0x0040A123, 0x0040A124)
"""Text, datetime, date, time, person name, UID."""
_CODE_TEXTS = (0x00080100, 0x00080119, 0x00080120)
_CODE_SCHEME = 0x00080102
_CODE_MEANING = 0x00080104


class ItemElement(NamedTuple):
    """One element of a content item, as the walk met it.

    start, end, is_open : where its value stands, and whether its length was undefined
    walker : what the item is read by
    value, unit : as the item's own, when this element had been read
    """

    tag: int
    start: int
    end: int
    is_open: bool
    walker: Walker
    value: bytes | Code | None
    unit: Code | None

    @property
    def raw(self) -> bytes:
        """The bytes of the value."""
        return self.walker.data[self.start : self.end]

    @property
    def span(self) -> Span:
        """Where the value stands, for `walker`."""
        return Span(self.start, self.end, self.is_open, self.walker.is_unknown(self.start))


class ContentItem(NamedTuple):
    """One content item.

    name : the concept, None where none is given
    value : raw bytes of text, names, times, UIDs and numbers, the code of a coded value, else None
    unit : of a number, None where absent
    qualifier : why a number is absent, where the writer says so
    children : the items below, of any relationship
    elements : every element of the item in order, where the reader notes them, else None
    """

    name: Code | None
    value: bytes | Code | None
    unit: Code | None
    qualifier: Code | None
    children: list[ContentItem]
    elements: list[ItemElement] | None = None


_NO_CHILDREN: list[ContentItem] = []


class ContentReader:
    """Reads content items and codes through `walker`; keeps the codes met.

    is_noting : the elements of each item are noted
    """

    def __init__(self, walker: Walker, *, is_noting: bool = False) -> None:
        self.walker = walker
        self.is_noting = is_noting
        self.codes: dict[bytes, Code | None] = {}
        self._open_codes: dict[bytes, Code | None] = {}  # of undefined length, delimiter included
        key = walker.encoding.key
        self._ends = struct.pack(walker.encoding.order + "II", walker.sequence_end, 0)
        self._plain = frozenset(key(tag) for tag in _PLAIN_VALUES)
        (self._sequence_vr,) = walker.encoding.vr_keys([b"SQ"])
        self._skipped = frozenset((key(RELATIONSHIP), key(VALUE_TYPE)))
        self._concept_name = key(CONCEPT_NAME)
        self._content = key(CONTENT)
        self._measured = key(_MEASURED_VALUES)
        self._qualifier = key(_QUALIFIER)
        self._code_value = key(_CODE_VALUE)
        self._numeric = key(_NUMERIC_VALUE)
        self._floating = key(_FLOATING_POINT_VALUE)
        self._units = key(_UNITS)
        self._sequences = frozenset(
            map(key, (CONCEPT_NAME, CONTENT, _MEASURED_VALUES, _CODE_VALUE, _UNITS, _QUALIFIER))
        )
        self._implicit: ContentReader | None = None

    def root(self, start: int, limit: int) -> tuple[list[ContentItem], int]:
        """(content items, where they end) of the content sequence whose header stands at `start`."""
        _, value, length = self.walker.header(start, limit)
        reader = self.inside(value) if self.walker.is_unknown(value) else self
        return reader.content(value, length, limit, depth=0)

    def inside(self, start: int) -> ContentReader:
        """What reads the items at `start` in an element of value representation UN."""
        walker = self.walker.inside(start)
        if walker is self.walker:
            return self
        if self._implicit is None:
            self._implicit = ContentReader(walker, is_noting=self.is_noting)
        return self._implicit

    def _reader_of(self, key: int, vr: int, start: int) -> ContentReader:
        """What reads the value from `start` of an element of kind `vr`."""
        return self.inside(start) if vr == self.walker.unknown_vr and key in self._sequences else self

    def content(
        self, start: int, length: int, limit: int, *, depth: int, is_one: bool = False
    ) -> tuple[list[ContentItem], int]:
        """(content items, where they end) of the sequence whose items begin at `start`.

        `is_one`: only the first of them. The one hot loop of the reader: element headers are read inline.
        """
        if depth > DEEPEST_CONTENT:
            raise Refusal(f"content nested deeper than {DEEPEST_CONTENT} levels")
        walker, reader = self.walker, self
        data, is_explicit = walker.data, walker.encoding.is_explicit
        unpack_pair, unpack_explicit = walker.unpack_pair, walker.unpack_explicit
        short_vrs, item_start, item_stop = walker.short_vrs, walker.item, walker.item_end
        skipped, plain, concept_name = self._skipped, self._plain, self._concept_name
        measured, content, code_value = self._measured, self._content, self._code_value
        unpack_length, sequence_vr, is_noting = walker.unpack_length, self._sequence_vr, self.is_noting
        is_open = length == UNDEFINED
        end = limit if is_open else start + length
        items: list[ContentItem] = []
        position = start
        while position < end:
            key, length = unpack_pair(data, position)
            position += 8
            if key != item_start:
                if key == walker.sequence_end and is_open:
                    return items, position
                raise walker.damaged(position - 8, key)
            is_item_open = length == UNDEFINED
            item_end = end if is_item_open else position + length
            if item_end > end:
                raise walker.too_long(position - 8, key, length, end - position)
            name: Code | None = None
            value: bytes | Code | None = None
            unit: Code | None = None
            qualifier: Code | None = None
            children, value_key = _NO_CHILDREN, 0
            noted: list[ItemElement] | None = [] if is_noting else None
            while position < item_end:
                if is_explicit:
                    key, vr, length = unpack_explicit(data, position)
                    if vr in short_vrs:
                        value_start = position + 8
                    elif vr == sequence_vr:
                        length = unpack_length(data, position + 8)[0]
                        value_start = position + 12
                    elif key == item_stop:
                        position, is_item_open = position + 8, False
                        break
                    else:
                        key, value_start, length = walker.header(position, item_end)
                        reader = self._reader_of(key, vr, value_start)
                else:
                    key, length = unpack_pair(data, position)
                    value_start = position + 8
                    if key == item_stop:
                        position, is_item_open = value_start, False
                        break
                value_end = value_start + length
                if value_end > item_end:
                    self._refuse_past_end(position, key, length, item_end - value_start)
                    value_end = 0
                if key in skipped:
                    position = value_end
                elif key == concept_name:
                    if name is not None:
                        raise walker.twice(position, key)
                    name = reader.codes.get(data[value_start:value_end]) if value_end else None
                    if name is None:
                        name, value_end = reader.code(value_start, length, item_end)
                    position = value_end
                elif key == value_key:
                    raise walker.twice(position, key)
                elif key == measured:
                    value_key = key
                    value, unit, position = reader._measured_value(value_start, length, item_end)
                elif key in plain:
                    value_key, value, position = key, data[value_start:value_end], value_end
                elif key == code_value:
                    value_key = key
                    value, position = reader.code(value_start, length, item_end)
                elif key == content:
                    if children is not _NO_CHILDREN:
                        raise walker.twice(position, key)
                    children, position = reader.content(value_start, length, item_end, depth=depth + 1)
                elif key == self._qualifier:
                    qualifier, position = reader.code(value_start, length, item_end)
                else:
                    position = value_end or walker.end_of(value_start, length, item_end)
                if noted is not None:
                    noted.append(self._noted(key, value_start, position, length, value, unit))
                reader = self
            if is_item_open:
                raise walker.cut_off(position)
            items.append(ContentItem(name, value, unit, qualifier, children, noted))
            if is_one:
                return items, position
        if is_open:
            raise walker.cut_off(position)
        return items, position

    def _noted(
        self, key: int, start: int, end: int, length: int, value: bytes | Code | None, unit: Code | None
    ) -> ItemElement:
        walker = self.walker
        return ItemElement(walker.encoding.tag(key), start, end, length == UNDEFINED, walker, value, unit)

    def _refuse_past_end(self, position: int, key: int, length: int, room: int) -> None:
        """Refusal of an element that does not end in its item, unless a sequence of undefined length."""
        if length != UNDEFINED:
            raise self.walker.too_long(position, key, length, room)
        if key in self._skipped or key in self._plain:
            raise self.walker.damaged(position, key)

    def _measured_value(self, start: int, length: int, limit: int) -> tuple[bytes | None, Code | None, int]:
        """(number as written, unit, where it ends) of a measured value sequence; empty gives None."""
        if length == 0:
            return None, None, start
        walker = self.walker
        data = walker.data
        header = walker.header
        is_open = length == UNDEFINED
        end = limit if is_open else start + length
        number: bytes | None = None
        floating: float | None = None
        unit: Code | None = None
        position = start
        while position < end:
            key, item_length = walker.unpack_pair(data, position)
            position += 8
            if key == walker.sequence_end and is_open:
                is_open = False
                break
            if key != walker.item:
                raise walker.damaged(position - 8, key)
            is_item_open = item_length == UNDEFINED
            item_end = end if is_item_open else position + item_length
            if item_end > end:
                raise walker.too_long(position - 8, key, item_length, end - position)
            while position < item_end:
                key, value_start, length = header(position, item_end)
                if key == self._numeric and length != UNDEFINED:
                    if number is not None:
                        raise walker.twice(position, key)
                    position = value_start + length
                    number = data[value_start:position]
                elif key == self._units:
                    if unit is not None:
                        raise walker.twice(position, key)
                    reader = self.inside(value_start) if walker.is_unknown(value_start) else self
                    unit, position = reader.code(value_start, length, item_end)
                elif key == walker.item_end:
                    position = value_start
                    is_item_open = False
                    break
                else:
                    if key == self._floating and length == 8:
                        order = "<" if walker.is_unknown(value_start) else walker.encoding.order
                        (floating,) = struct.unpack_from(order + "d", data, value_start)
                    position = walker.end_of(value_start, length, item_end)
            if is_item_open:
                raise walker.cut_off(position)
        if is_open:
            raise walker.cut_off(position)
        if floating is not None and not (number or b"").strip(b" \0"):
            number = repr(floating).encode("ascii")
        return number, unit, position

    def code(self, start: int, length: int, limit: int) -> tuple[Code | None, int]:
        """(the code, where it ends) of the code sequence whose item begins at `start`."""
        data = self.walker.data
        if length == UNDEFINED:
            # equal bytes up to the first delimiter end equally: only whole open sequences are kept here
            codes = self._open_codes
            end = data.find(self._ends, start, limit) + 8
            if end > 7:
                chunk = data[start:end]
                if chunk in codes:
                    return codes[chunk], end
            end = self.walker.past_open(start, limit)
        else:
            codes = self.codes
            end = start + length
            chunk = data[start:end]
            if chunk in codes:
                return codes[chunk], end
        code = self._parsed_code(Span(start, end, length == UNDEFINED))
        codes[data[start:end]] = code
        return code, end

    def _parsed_code(self, span: Span) -> Code | None:
        items = self.walker.items(span)
        if not items:
            return None
        entry = items[0]
        data = self.walker.data
        text = next((data[entry[tag].start : entry[tag].end] for tag in _CODE_TEXTS if tag in entry), b"")
        scheme = entry.get(_CODE_SCHEME)
        meaning = entry.get(_CODE_MEANING)
        value = text.strip(b" \0").decode("utf-8", "replace")
        if not value:
            return None
        return Code(
            value=value,
            scheme=scheme_of(
                data[scheme.start : scheme.end].strip(b" \0").decode("ascii", "replace") if scheme else ""
            ),
            meaning=data[meaning.start : meaning.end].strip(b" \0") if meaning else b"",
        )
