"""The content of a structured report as it was sent: every item, whether its meaning is known or not."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class OtherElement:
    """An element of a content item that is neither its name, its value nor its place, private ones too.

    tag : '(0041,1001)'
    value : its text where it is text, else how many bytes it takes
    """

    tag: str
    value: str


@dataclass(frozen=True, slots=True)
class ContentNode:
    """One content item, as sent.

    relationship, value_type : 'CONTAINS', 'NUM'; None where not told
    meaning, code, scheme : of its name; None where it has none
    is_known : its name is a concept that dosetrack knows; what of it is read is told by the template check
    value : text, number, time, name or UID as written, the meaning of a coded value; several as '1\\2'
    value_code, value_scheme : of a coded value
    unit : code of the unit of a number
    qualifier : why a number is absent, where the writer says so
    others : elements of the item beside these
    children : the items below, in order
    """

    relationship: str | None
    value_type: str | None
    meaning: str | None
    code: str | None
    scheme: str | None
    is_known: bool
    value: str | None = None
    value_code: str | None = None
    value_scheme: str | None = None
    unit: str | None = None
    qualifier: str | None = None
    others: tuple[OtherElement, ...] = ()
    children: tuple[ContentNode, ...] = ()
