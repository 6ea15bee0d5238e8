"""Value type and relationship of every content item, in the shape of the content tree.

The readers of numbers need neither, so they do not take them along; the check against the template
does. Nothing else of an item is read here.
"""

from __future__ import annotations

from dataclasses import dataclass

from dosetrack.readers.elements import Span, Walker
from dosetrack.readers.encoding import UNDEFINED
from dosetrack.readers.refusal import Refusal
from dosetrack.readers.source import Source
from dosetrack.readers.sr_items import CONTENT, DEEPEST_CONTENT

_RELATIONSHIP, _VALUE_TYPE = 0x0040A010, 0x0040A040


@dataclass(frozen=True, slots=True)
class ItemKind:
    """Of one content item: '' where not told. children : of the items below, in order."""

    relationship: str
    value_type: str
    children: list[ItemKind]


def content_span(source: Source) -> Span:
    """Where the content sequence of the structured report in `source` stands."""
    walker = source.walker
    _, position = source.elements(stop_at=CONTENT)
    limit = len(walker.data)
    _, start, length = walker.header(position, limit)
    end = walker.end_of(start, length, limit)
    return Span(start, end, length == UNDEFINED, walker.is_unknown_at(position))


def kinds_of(source: Source) -> list[ItemKind]:
    """The kinds of the items of the root, with those below."""
    walker, span = source.walker, content_span(source)
    reader = walker.inside(span.start) if span.is_unknown else walker
    return _Kinds(reader).below(span.start, span.end, is_open=span.is_open, depth=0)[0]


class _Kinds:
    """Reads kinds in one pass through the content that `walker` reads."""

    def __init__(self, walker: Walker) -> None:
        self.walker = walker
        key = walker.encoding.key
        self._relationship, self._value_type, self._content = map(key, (_RELATIONSHIP, _VALUE_TYPE, CONTENT))

    def below(self, start: int, limit: int, *, is_open: bool, depth: int) -> tuple[list[ItemKind], int]:
        """(kinds, where they end) of the items of a content sequence from `start`, up to `limit`."""
        if depth > DEEPEST_CONTENT:
            raise Refusal(f"content nested deeper than {DEEPEST_CONTENT} levels")
        found: list[ItemKind] = []
        position = start
        while position < limit:
            key, position, length = self.walker.header(position, limit)
            if is_open and key == self.walker.sequence_end:
                break
            end = limit if length == UNDEFINED else position + length
            kind, position = self._item(position, end, depth)
            found.append(kind)
        return found, position

    def _item(self, position: int, limit: int, depth: int) -> tuple[ItemKind, int]:
        walker = self.walker
        words: dict[int, str] = {}
        children: list[ItemKind] = []
        while position < limit:
            key, start, length = walker.header(position, limit)
            if key == walker.item_end:
                position = start
                break
            is_open = length == UNDEFINED
            if key == self._content:
                below = self
                if walker.is_unknown_at(position):
                    inner = walker.inside(start)
                    below = self if inner is walker else _Kinds(inner)
                end = limit if is_open else start + length
                children, position = below.below(start, end, is_open=is_open, depth=depth + 1)
            else:
                position = start + length if not is_open else walker.end_of(start, length, limit)
                if key in (self._relationship, self._value_type):
                    raw = walker.data[start:position].strip(b" \0")
                    words[key] = raw.decode("ascii", "replace").upper()
        kind = ItemKind(words.get(self._relationship, ""), words.get(self._value_type, ""), children)
        return kind, position
