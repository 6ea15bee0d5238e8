"""DICOM elements, items and sequences to bytes, for the transfer syntaxes a report may travel in.

A data set is built from its leaves outwards, as bytes: nothing is kept but what will be written.
Clause numbers are of DICOM PS3.5 (encoding) and PS3.10 (files).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

# PS3.5 section 7.1.2: these carry two reserved bytes and a 32-bit length
_LONG_VRS = frozenset({"OB", "OW", "OF", "OD", "OL", "OV", "SQ", "UC", "UR", "UT", "UN", "SV", "UV"})
_UNDEFINED_LENGTH = 0xFFFFFFFF
_ITEM = 0xFFFEE000
_ITEM_END = 0xFFFEE00D
_SEQUENCE_END = 0xFFFEE0DD
_SHORT_LENGTH_LIMIT = 0xFFFF
_DECIMAL_STRING_LENGTH = 16  # PS3.5 section 6.2, VR DS


class TransferSyntax(Enum):
    """(UID, VR is written, little endian, deflated) of PS3.5 annex A."""

    IMPLICIT_LITTLE = ("1.2.840.10008.1.2", False, True, False)
    EXPLICIT_LITTLE = ("1.2.840.10008.1.2.1", True, True, False)
    DEFLATED = ("1.2.840.10008.1.2.1.99", True, True, True)
    EXPLICIT_BIG = ("1.2.840.10008.1.2.2", True, False, False)

    def __init__(self, uid: str, is_explicit: bool, is_little: bool, is_deflated: bool) -> None:
        self.uid = uid
        self.is_explicit = is_explicit
        self.is_little = is_little
        self.is_deflated = is_deflated


@dataclass(frozen=True, slots=True)
class Encoder:
    """Writes elements in one transfer syntax.

    has_defined_lengths : sequences and items carry their length; False: they end with a delimiter
    """

    syntax: TransferSyntax = TransferSyntax.EXPLICIT_LITTLE
    has_defined_lengths: bool = True

    def element(self, tag: int, vr: str, value: bytes) -> bytes:
        """One element; `value` is padded to even length as its VR demands."""
        if len(value) % 2:
            value += b"\0" if vr in ("UI", "OB") else b" "
        return self._head(tag, vr, len(value)) + value

    def sequence(self, tag: int, items: Sequence[bytes]) -> bytes:
        """A sequence whose items are the given encoded data sets."""
        if self.has_defined_lengths:
            pack, (group, element) = self._packer("HHI"), divmod(_ITEM, 0x10000)
            body = b"".join([part for item in items for part in (pack.pack(group, element, len(item)), item)])
            return self._head(tag, "SQ", len(body)) + body
        start = self._marker(_ITEM, _UNDEFINED_LENGTH)
        end = self._marker(_ITEM_END, 0)
        body = b"".join([part for item in items for part in (start, item, end)])
        return self._head(tag, "SQ", _UNDEFINED_LENGTH) + body + self._marker(_SEQUENCE_END, 0)

    def _head(self, tag: int, vr: str, length: int) -> bytes:
        group, element = tag >> 16, tag & 0xFFFF
        if not self.syntax.is_explicit:
            return self._packer("HHI").pack(group, element, length)
        if vr in _LONG_VRS:
            return self._packer("HH2sHI").pack(group, element, vr.encode("ascii"), 0, length)
        if length > _SHORT_LENGTH_LIMIT:
            raise ValueError(f"element ({group:04X},{element:04X}) {vr}: {length} bytes do not fit")
        return self._packer("HH2sH").pack(group, element, vr.encode("ascii"), length)

    def _marker(self, tag: int, length: int) -> bytes:
        return self._packer("HHI").pack(tag >> 16, tag & 0xFFFF, length)

    def _packer(self, layout: str) -> struct.Struct:
        return _PACKERS[self.syntax.is_little, layout]


_PACKERS = {
    (is_little, layout): struct.Struct(("<" if is_little else ">") + layout)
    for is_little in (True, False)
    for layout in ("HHI", "HH2sHI", "HH2sH")
}


def part10_file(
    data_set: bytes,
    *,
    syntax: TransferSyntax,
    sop_class_uid: str,
    sop_instance_uid: str,
    implementation_class_uid: str,
    implementation_version: str,
) -> bytes:
    """A whole file: preamble, file meta information and `data_set` (PS3.10 section 7.1)."""
    head = file_head(
        syntax_uid=syntax.uid,
        sop_class_uid=sop_class_uid,
        sop_instance_uid=sop_instance_uid,
        implementation_class_uid=implementation_class_uid,
        implementation_version=implementation_version,
    )
    return head + (_deflated(data_set) if syntax.is_deflated else data_set)


def file_head(
    *,
    syntax_uid: str,
    sop_class_uid: str,
    sop_instance_uid: str,
    implementation_class_uid: str,
    implementation_version: str,
) -> bytes:
    """What stands before a data set written in `syntax_uid`: preamble and file meta information."""
    meta = Encoder(TransferSyntax.EXPLICIT_LITTLE)
    body = b"".join(
        (
            meta.element(0x00020001, "OB", b"\0\1"),
            meta.element(0x00020002, "UI", sop_class_uid.encode("ascii")),
            meta.element(0x00020003, "UI", sop_instance_uid.encode("ascii")),
            meta.element(0x00020010, "UI", syntax_uid.encode("ascii")),
            meta.element(0x00020012, "UI", implementation_class_uid.encode("ascii")),
            meta.element(0x00020013, "SH", implementation_version.encode("ascii")),
        )
    )
    length = meta.element(0x00020000, "UL", struct.pack("<I", len(body)))
    return b"\0" * 128 + b"DICM" + length + body


def _deflated(data_set: bytes) -> bytes:
    # PS3.5 annex A.5: a raw RFC 1951 stream, padded to even length
    squeezer = zlib.compressobj(wbits=-zlib.MAX_WBITS)
    squeezed = squeezer.compress(data_set) + squeezer.flush()
    return squeezed + b"\0" * (len(squeezed) % 2)


def decimal_string(value: float) -> bytes:
    """`value` as a DICOM decimal string: at most 16 characters, as many digits as fit.

    Examples
    --------
    >>> decimal_string(0.00033), decimal_string(80.0), decimal_string(1 / 3)
    (b'0.00033', b'80', b'0.33333333333333')
    """
    text = f"{value + 0.0:.15g}"  # no '-0'
    if len(text) > _DECIMAL_STRING_LENGTH:
        for digits in range(14, 0, -1):
            text = f"{value:.{digits}g}"
            if len(text) <= _DECIMAL_STRING_LENGTH:
                break
    return text.encode("ascii")
