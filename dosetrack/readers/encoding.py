"""Where the data set of a DICOM file begins and how its elements are written (PS3.5, PS3.10).

The start is taken from the preamble and file meta information where there are any, and else from
the look of the first element. Deflated data sets are inflated here, within a bound.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

from dosetrack.readers.refusal import Refusal

UNDEFINED = 0xFFFFFFFF
MOST_INFLATED_BYTES = 1 << 29
"""A deflated data set that grows past this is refused [bytes]; the largest reports known are 17 MB."""

SHORT_VRS = (
    b"AE AS AT CS DA DS DT FL FD IS LO LT PN SH SL SS ST TM UI UL US".split()
)  # 16-bit length, PS3.5 section 7.1.2
LONG_VRS = b"OB OD OF OL OV OW SQ SV UC UN UR UT UV".split()

IMPLICIT_LITTLE = "1.2.840.10008.1.2"
EXPLICIT_LITTLE = "1.2.840.10008.1.2.1"
DEFLATED = frozenset({"1.2.840.10008.1.2.1.99", "1.2.840.10008.1.2.4.95", "1.2.840.10008.1.2.4.205"})
"""Deflated Explicit VR Little Endian and the referenced image syntaxes written like it, PS3.5 annex A."""
EXPLICIT_BIG = "1.2.840.10008.1.2.2"
_COMPRESSED_IMAGES = "1.2.840.10008.1.2.4."
_META_UIDS = {
    b"\x02\x00\x02\x00": "media_class",
    b"\x02\x00\x03\x00": "media_instance",
    b"\x02\x00\x10\x00": "syntax",
}
_PREAMBLE = 128
_FIRST_GROUPS = (0x0008, 0x0010, 0x0040)
"""Groups a data set without file meta information begins with; an updated procedure step with 0040."""


@dataclass(frozen=True, slots=True)
class Encoding:
    """How elements are written: with or without value representation, low or high byte first."""

    is_explicit: bool
    is_little: bool

    @property
    def order(self) -> str:
        """The byte order sign of `struct`."""
        return "<" if self.is_little else ">"

    def key(self, tag: int) -> int:
        """`tag` (0xGGGGEEEE) as one 32-bit word in this byte order, which is how tags are compared."""
        if not self.is_little:
            return tag
        return ((tag & 0xFFFF) << 16) | (tag >> 16)

    def tag(self, key: int) -> int:
        """The tag (0xGGGGEEEE) of a 32-bit word: the inverse of `key`."""
        return self.key(key)

    def vr_keys(self, names: list[bytes]) -> frozenset[int]:
        """Value representations as 16-bit words in this byte order."""
        return frozenset(struct.unpack(self.order + "H", name)[0] for name in names)


@dataclass(frozen=True, slots=True)
class FileMeta:
    """Where the data set starts, and what the file meta information before it says.

    syntax, media_class, media_instance : UIDs of transfer syntax, SOP class and SOP instance; None untold
    """

    start: int
    syntax: str | None = None
    media_class: str | None = None
    media_instance: str | None = None


@dataclass(frozen=True, slots=True)
class OpenedFile:
    """The bytes that hold the data set, where it starts in them, and how it is written.

    meta : what the file meta information says
    is_as_declared : the first element looks as the declared syntax says
    is_whole : False where a deflated data set ends early; an image's header may be whole all the same
    """

    data: bytes
    start: int
    encoding: Encoding
    meta: FileMeta
    is_as_declared: bool = True
    is_whole: bool = True

    @property
    def declared(self) -> str | None:
        """The transfer syntax the file names, None without file meta information."""
        return self.meta.syntax

    def refuse_if_cut(self) -> None:
        """Refusal where the deflated data set ends early."""
        if not self.is_whole:
            raise Refusal("truncated: the deflated data set ends early")


def opened(data: bytes) -> OpenedFile:
    """The data set inside the bytes of a file.

    Raises
    ------
    Refusal
        Empty, not DICOM, or cut off before or inside the file meta information.
    """
    meta = file_meta(data)
    start, declared = meta.start, meta.syntax
    if declared in DEFLATED:
        plain, is_whole = _inflated(data[start:])
        return OpenedFile(plain, 0, Encoding(True, True), meta, is_whole=is_whole)
    seen = _look_of(data, start)
    named = _named_encoding(declared)
    if seen is None:
        if named is not None:  # an odd first element: the walk says what is wrong with it
            return OpenedFile(data, start, named, meta)
        raise Refusal("not a DICOM file: neither a DICM mark nor a data element where one must stand")
    return OpenedFile(data, start, seen, meta, is_as_declared=named in (None, seen))


def file_meta(data: bytes) -> FileMeta:
    """The file meta information at the beginning of a file; without any, only where the data set starts.

    Raises
    ------
    Refusal
        Empty, or cut off before or inside the file meta information.
    """
    if not data:
        raise Refusal("the file is empty")
    start = 0
    if data[_PREAMBLE : _PREAMBLE + 4] == b"DICM":
        start = _PREAMBLE + 4
    elif data[:4] == b"DICM":
        start = 4
    uids: dict[str, str] = {}
    if data[start : start + 2] == b"\x02\x00":
        start, uids = _past_file_meta(data, start)
    if start and start >= len(data):
        raise Refusal("truncated: the file ends after its file meta information")
    return FileMeta(start, **uids)


def _named_encoding(syntax: str | None) -> Encoding | None:
    if syntax is None:
        return None
    if syntax == IMPLICIT_LITTLE:
        return Encoding(False, True)
    if syntax == EXPLICIT_BIG:
        return Encoding(True, False)
    if syntax == EXPLICIT_LITTLE or syntax.startswith(_COMPRESSED_IMAGES):
        return Encoding(True, True)
    return None


def _look_of(data: bytes, start: int) -> Encoding | None:
    """What the first element of a data set looks like; None where it looks like none."""
    head = data[start : start + 8]
    if len(head) < 8:
        return None
    is_explicit = head[4:6] in SHORT_VRS or head[4:6] in LONG_VRS
    little_group, big_group = struct.unpack("<H", head[:2])[0], struct.unpack(">H", head[:2])[0]
    if is_explicit and little_group and little_group % 2 == 0 and little_group <= big_group:
        return Encoding(True, True)
    if is_explicit and big_group and big_group % 2 == 0:
        return Encoding(True, False)
    length = struct.unpack("<I", head[4:8])[0]
    if little_group in _FIRST_GROUPS and (length == UNDEFINED or length <= len(data)):
        return Encoding(False, True)
    return None


def _past_file_meta(data: bytes, start: int) -> tuple[int, dict[str, str]]:
    """(where the data set starts, UIDs by name) behind the file meta information."""
    position = start
    uids: dict[str, str] = {}
    while data[position : position + 2] == b"\x02\x00":
        head = data[position : position + 12]
        if len(head) < 8:
            raise Refusal("truncated inside the file meta information")
        if head[4:6] in SHORT_VRS:
            length = struct.unpack("<H", head[6:8])[0]
            value = position + 8
        elif head[4:6] in LONG_VRS and len(head) == 12:
            length = struct.unpack("<I", head[8:12])[0]
            value = position + 12
        else:  # written without value representations against PS3.10; lengths are then 32 bits
            length = struct.unpack("<I", head[4:8])[0]
            value = position + 8
        if value + length > len(data):
            raise Refusal("truncated inside the file meta information")
        name = _META_UIDS.get(head[:4])
        if name is not None:
            uids[name] = data[value : value + length].rstrip(b"\0 ").decode("ascii", "replace")
        position = value + length
    return position, uids


def _inflated(data: bytes) -> tuple[bytes, bool]:
    """(the deflated data set `data` inflated, whether it is whole)."""
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        plain = inflater.decompress(data, MOST_INFLATED_BYTES)
    except zlib.error:
        raise Refusal("the deflated data set is damaged") from None
    if not inflater.eof:
        if inflater.unconsumed_tail:
            raise Refusal(f"the deflated data set grows past {MOST_INFLATED_BYTES >> 20} MB")
        return plain, False
    return plain, True
