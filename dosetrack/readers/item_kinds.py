"""Value type and relationship of a content item.

The readers of numbers need neither, so they do not take them along; the check against the template does.
"""

from __future__ import annotations

from typing import NamedTuple

from dosetrack.readers.sr_items import RELATIONSHIP, VALUE_TYPE, ContentItem


class ItemKind(NamedTuple):
    """Of one content item: '' where not told."""

    relationship: str
    value_type: str


def kind_of(item: ContentItem) -> ItemKind:
    """The kind of `item`, which was read with its elements noted; of one told twice the last."""
    relationship = value_type = ""
    for element in item.elements or ():
        if element.tag == RELATIONSHIP:
            relationship = _word(element.raw)
        elif element.tag == VALUE_TYPE:
            value_type = _word(element.raw)
    return ItemKind(relationship, value_type)


def _word(raw: bytes) -> str:
    return raw.strip(b" \0").decode("ascii", "replace").upper()
