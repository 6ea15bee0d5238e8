"""Data sets as a system passes them on that does not know some elements: value representation UN.

Written here byte by byte: the value of an element it does not know is implicit VR little endian,
whatever the syntax around it (PS3.5 section 6.2.2).
"""

from __future__ import annotations

import struct
from collections.abc import Set

from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import write_data_element, write_dataset

ITEM, ITEM_END, SEQUENCE_END = (0xFFFE, 0xE000), (0xFFFE, 0xE00D), (0xFFFE, 0xE0DD)
OPEN = 0xFFFFFFFF


def passed_on(data: Dataset, unknown: Set[int], *, order: str = "<", undefined: bool = False) -> bytes:
    """The data set `data`, explicit VR, its elements of tags `unknown` written as UN.

    undefined : sequences among them, which stand as such, are of undefined length
    """
    return b"".join(_element(element, unknown, order, undefined) for element in data)


def _element(element: DataElement, unknown: Set[int], order: str, undefined: bool) -> bytes:
    tag = struct.pack(order + "HH", element.tag.group, element.tag.element)
    is_sequence = element.VR == "SQ"
    if element.tag in unknown:
        is_open = undefined and is_sequence
        value = _items(element, "<") if is_sequence else _value(element)
        length = OPEN if is_open else len(value)
        value += struct.pack("<HHI", *SEQUENCE_END, 0) if is_open else b""
        return tag + b"UN\0\0" + struct.pack(order + "I", length) + value
    if is_sequence:
        items = b"".join(
            struct.pack(order + "HHI", *ITEM, len(body)) + body
            for body in (
                passed_on(entry, unknown, order=order, undefined=undefined) for entry in element.value
            )
        )
        return tag + b"SQ\0\0" + struct.pack(order + "I", len(items)) + items
    stream = _stream(is_implicit=False, is_little=order == "<")
    write_data_element(stream, element)
    return bytes(stream.getvalue())


def _items(element: DataElement, order: str) -> bytes:
    """The items of a sequence, all implicit VR little endian."""
    bodies = []
    for entry in element.value:
        stream = _stream(is_implicit=True, is_little=True)
        write_dataset(stream, entry)
        bodies.append(bytes(stream.getvalue()))
    return b"".join(struct.pack(order + "HHI", *ITEM, len(body)) + body for body in bodies)


def _value(element: DataElement) -> bytes:
    stream = _stream(is_implicit=True, is_little=True)
    write_data_element(stream, element)
    return bytes(stream.getvalue())[8:]  # behind tag and length


def _stream(*, is_implicit: bool, is_little: bool) -> DicomBytesIO:
    stream = DicomBytesIO()
    stream.is_implicit_VR, stream.is_little_endian = is_implicit, is_little
    return stream


def as_file(body: bytes, syntax: str) -> bytes:
    """A Part 10 file that holds the data set `body`."""
    uid = syntax.encode("ascii") + b"\0" * (len(syntax) % 2)
    meta = b"\x02\0\x10\0UI" + struct.pack("<H", len(uid)) + uid
    group = b"\x02\0\0\0UL\x04\0" + struct.pack("<I", len(meta))
    return b"\0" * 128 + b"DICM" + group + meta + body
