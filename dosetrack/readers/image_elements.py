"""The elements that describe the exposure of an image, wherever the image keeps them.

A plain image has them at the top. An enhanced one keeps those that hold for all frames in one item
and the others in one item per frame (functional groups, PS3.3 section C.7.6.16).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import fmean

from dosetrack.readers.elements import Span
from dosetrack.readers.header import Header
from dosetrack.readers.header_attributes import AttributeReader

_SHARED_GROUPS = 0x52009229
_FRAME_GROUPS = 0x52009230
_GROUPS = (
    0x00189405,  # positioner position
    0x00189406,  # table position
    0x00189407,  # collimator shape
    0x00189417,  # frame acquisition
    0x00189432,  # field of view
    0x00189451,  # frame detector parameters
    0x00189476,  # x-ray geometry
    0x00189477,  # irradiation event identification
    0x00209111,  # frame content
)
_ISOCENTER_SYSTEM = 0x00189462
_FROM_ISOCENTER = (0x00189466, 0x00189467, 0x00189468)
"""Of the isocentre system only the table's place: its angles count otherwise than those of the table."""


@dataclass(slots=True)
class ImageElements:
    """tag -> span: `shared` by all frames, and `frames` each with its own."""

    shared: dict[int, Span]
    frames: list[dict[int, Span]] = field(default_factory=list)

    @classmethod
    def of(cls, header: Header) -> ImageElements:
        """Those of the image whose top-level elements are `header`'s."""
        shared = dict(header.elements)
        for groups in header.items(_SHARED_GROUPS)[:1]:
            for tag, span in _of_groups(header, groups).items():
                shared.setdefault(tag, span)
        return cls(shared, [_of_groups(header, groups) for groups in header.items(_FRAME_GROUPS)])

    def first(self, tag: int) -> dict[int, Span]:
        """The elements that hold `tag`: shared, else of the first frame."""
        if tag in self.shared or not self.frames:
            return self.shared
        return self.frames[0]

    def per_frame(self, reader: AttributeReader, name: str) -> list[float]:
        """The value of the field `name` of each frame that tells its own."""
        values = (reader.value(name, elements) for elements in self.frames)
        return [value for value in values if value is not None]

    def mean(self, reader: AttributeReader, name: str) -> float | None:
        """The value of the field `name` for all frames, else the mean over the frames."""
        value = reader.value(name, self.shared)
        if value is None and self.frames:
            values = self.per_frame(reader, name)
            value = fmean(values) if values else None
        return value


def _of_groups(header: Header, groups: dict[int, Span]) -> dict[int, Span]:
    found: dict[int, Span] = {}
    for tag in _GROUPS:
        for item in header.items(tag, groups)[:1]:
            for inner, span in item.items():
                found.setdefault(inner, span)
    for item in header.items(_ISOCENTER_SYSTEM, groups)[:1]:
        found.update({tag: item[tag] for tag in _FROM_ISOCENTER if tag in item})
    return found
