"""The raw elements of a DICOM data set: tags, lengths and where values stand (PS3.5 section 7).

Nothing is decoded here. Every length is held against the end of what contains it; one that
reaches past it refuses the file whole. Elements of undefined length are left by a loop, not by
recursion, so that depth costs nothing.

A system that does not know an element passes it on with value representation UN. Whoever knows it
reads it as implicit VR little endian, whatever the file's own syntax (PS3.5 section 6.2.2).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from struct import Struct

from dosetrack.readers.encoding import LONG_VRS, SHORT_VRS, UNDEFINED, Encoding
from dosetrack.readers.refusal import Refusal

ITEM = 0xFFFEE000
ITEM_END = 0xFFFEE00D
SEQUENCE_END = 0xFFFEE0DD
_UNKNOWN = b"UN"
FIRST_BULK, AFTER_BULK = 0x54000000, 0x7FE10000
"""Between these stand, in groups of even number, waveforms, spectra, overlays and pixel data, PS3.6."""


@dataclass(frozen=True, slots=True)
class Span:
    """Where an element's value stands: from `start` to `end`.

    is_open : its length was undefined
    is_unknown : it is, or stands inside, an element of value representation UN
    """

    start: int
    end: int
    is_open: bool
    is_unknown: bool = False


def tag_text(tag: int) -> str:
    """'(0040,A730)'."""
    return f"({tag >> 16:04X},{tag & 0xFFFF:04X})"


class Walker:
    """Reads element headers from `data` as `encoding` writes them.

    `item`, `item_end` and `sequence_end` are the delimiters as the words tags are compared with.
    """

    __slots__ = (
        "_implicit", "data", "encoding", "item", "item_end", "long_vrs", "sequence_end", "short_vrs",
        "unknown_vr", "unpack_explicit", "unpack_length", "unpack_pair",
    )  # fmt: skip

    def __init__(self, data: bytes, encoding: Encoding) -> None:
        self.data = data
        self.encoding = encoding
        self.item = encoding.key(ITEM)
        self.item_end = encoding.key(ITEM_END)
        self.sequence_end = encoding.key(SEQUENCE_END)
        self.short_vrs = encoding.vr_keys(SHORT_VRS)
        self.long_vrs = encoding.vr_keys(LONG_VRS)
        (self.unknown_vr,) = encoding.vr_keys([_UNKNOWN])
        self._implicit: Walker | None = None
        self.unpack_explicit = Struct(encoding.order + "IHH").unpack_from
        self.unpack_pair = Struct(encoding.order + "II").unpack_from
        self.unpack_length = Struct(encoding.order + "I").unpack_from

    def header(self, position: int, limit: int) -> tuple[int, int, int]:
        """(tag word, where the value starts, length or UNDEFINED) of the element at `position`.

        Raises
        ------
        Refusal
            The header or the value reaches past `limit`, or the value representation is none.
        """
        try:
            if self.encoding.is_explicit:
                key, vr, length = self.unpack_explicit(self.data, position)
                start = position + 8
                if vr not in self.short_vrs:
                    if vr in self.long_vrs:
                        length = self.unpack_length(self.data, start)[0]
                        start += 4
                    elif key in (self.item, self.item_end, self.sequence_end):
                        length = self.unpack_length(self.data, position + 4)[0]
                    else:
                        raise self.damaged(position, key)
            else:
                key, length = self.unpack_pair(self.data, position)
                start = position + 8
        except struct.error:
            raise self.cut_off(position) from None
        if length != UNDEFINED and start + length > limit:
            raise self.too_long(position, key, length, limit - start)
        return key, start, length

    def end_of(self, start: int, length: int, limit: int) -> int:
        """Where the element with its value at `start` ends, delimiters included."""
        if length != UNDEFINED:
            return start + length
        return (self.inside(start) if self.is_unknown(start) else self).past_open(start, limit)

    def is_unknown(self, start: int) -> bool:
        """Whether the element whose value stands at `start`, of a kind with a 32-bit length, is UN."""
        return self.encoding.is_explicit and self.data[start - 8 : start - 6] == _UNKNOWN

    def is_unknown_at(self, position: int) -> bool:
        """Whether the element whose header stands at `position` is UN."""
        return self.encoding.is_explicit and self.data[position + 4 : position + 6] == _UNKNOWN

    def inside(self, start: int) -> Walker:
        """What reads the items at `start` in an element of value representation UN.

        They are implicit VR little endian, PS3.5 section 6.2.2. Some systems only change the name
        of the representation; items whose first element bears one are read as the file's own.
        """
        if self._implicit is None:
            self._implicit = Walker(self.data, Encoding(False, True))
        own = self.unpack_length(self.data, start)[0] if len(self.data) - start >= 16 else 0
        vr = self.data[start + 12 : start + 14]
        return self if own == self.item and (vr in SHORT_VRS or vr in LONG_VRS) else self._implicit

    def past_open(self, start: int, limit: int) -> int:
        """Behind the delimiter of the undefined-length sequence whose items begin at `start`."""
        position = start
        within = [True]  # of what is open, outermost first: True a sequence, False an item
        while within:
            if position >= limit:
                raise self.cut_off(position)
            if within[-1]:
                try:
                    key, length = self.unpack_pair(self.data, position)
                except struct.error:
                    raise self.cut_off(position) from None
                position += 8
                if key == self.item:
                    if length == UNDEFINED:
                        within.append(False)
                    else:
                        position += length
                elif key == self.sequence_end:
                    within.pop()
                else:
                    raise self.damaged(position - 8, key)
            else:
                key, position, length = self.header(position, limit)
                if key == self.item_end:
                    within.pop()
                elif length == UNDEFINED:
                    inner = self.inside(position) if self.is_unknown(position) else self
                    if inner is self:
                        within.append(True)
                    else:
                        position = inner.past_open(position, limit)
                else:
                    position += length
            if position > limit:
                raise self.cut_off(limit)
        return position

    def elements(
        self, start: int, limit: int, *, stop_at: int | None = None, is_unknown: bool = False
    ) -> tuple[dict[int, Span], int]:
        """(tag -> span, where the walk ended) of the data set from `start`; `is_unknown` as of a span.

        The walk ends at `limit`, behind an item delimiter, or where only zero bytes are left; with
        `stop_at` also before that element, and before pixel data and its like (`is_bulk`).
        """
        found: dict[int, Span] = {}
        position = start
        while position < limit:
            if stop_at is not None and self.is_bulk(position):
                return found, position
            if limit - position < 8 or not any(self.data[position : position + 8]):
                if any(self.data[position:limit]):
                    raise self.cut_off(position)
                break  # padding behind the data set
            key, value, length = self.header(position, limit)
            if key == self.item_end:
                return found, value
            tag = self.encoding.tag(key)
            if tag == stop_at:
                return found, position
            header_at, position = position, self.end_of(value, length, limit)
            is_own = is_unknown or self.is_unknown_at(header_at)
            span = Span(value, position, length == UNDEFINED, is_own)
            first = found.setdefault(tag, span)
            if first.start != value and self.data[first.start : first.end] != self.data[value:position]:
                raise self.twice(header_at, key)
        return found, position

    def is_bulk(self, position: int) -> bool:
        """Whether waveforms, spectra, overlays or pixel data begin at `position`: no header goes on there."""
        try:
            tag = self.encoding.tag(self.unpack_length(self.data, position)[0])
        except struct.error:
            return False
        return FIRST_BULK <= tag < AFTER_BULK and not tag & 0x00010000

    def items(self, span: Span) -> list[dict[int, Span]]:
        """The items of a sequence, each as tag -> span."""
        if span.is_unknown:
            walker = self.inside(span.start)
            return walker._items(span, is_unknown=walker is not self)
        return self._items(span, is_unknown=False)

    def _items(self, span: Span, *, is_unknown: bool) -> list[dict[int, Span]]:
        found = []
        position = span.start
        while position < span.end:
            try:
                key, length = self.unpack_pair(self.data, position)
            except struct.error:
                raise self.cut_off(position) from None
            position += 8
            if key == self.sequence_end:
                break
            if key != self.item:
                raise self.damaged(position - 8, key)
            if length == UNDEFINED:
                elements, position = self.elements(position, span.end, is_unknown=is_unknown)
            elif position + length > span.end:
                raise self.too_long(position - 8, key, length, span.end - position)
            else:
                elements, _ = self.elements(position, position + length, is_unknown=is_unknown)
                position += length
            found.append(elements)
        return found

    def cut_off(self, position: int) -> Refusal:
        """The refusal of a file that ends too early."""
        return Refusal(f"truncated: it ends inside an element at byte {position} of {len(self.data)}")

    def twice(self, position: int, key: int) -> Refusal:
        """The refusal of a file that tells one thing twice in one place: which holds cannot be known."""
        tag = tag_text(self.encoding.tag(key))
        return Refusal(
            f"damaged: element {tag} stands twice in one place, the second time at byte {position}"
        )

    def damaged(self, position: int, key: int) -> Refusal:
        """The refusal of a file where something other than a data element stands."""
        tag = tag_text(self.encoding.tag(key))
        return Refusal(f"damaged: no valid data element at byte {position} (found {tag})")

    def too_long(self, position: int, key: int, length: int, room: int) -> Refusal:
        """The refusal of a file with an element longer than what holds it."""
        tag = tag_text(self.encoding.tag(key))
        return Refusal(
            f"truncated or damaged: element {tag} at byte {position} claims {length} bytes "
            f"where {max(room, 0)} are left"
        )
