"""Which study and machine a file tells, found from its first bytes and nothing more.

Reports of one study and one machine may be cumulative: the later ones repeat the events of the
earlier. Who reads many files learns here, for next to nothing, which of them belong together.
"""

from __future__ import annotations

import struct
import zlib

from dosetrack.readers.elements import Walker
from dosetrack.readers.encoding import DEFLATED, Encoding, file_meta, opened
from dosetrack.readers.refusal import Refusal

STUDY = 0x0020000D
_MACHINE = (0x00080070, 0x00081010, 0x00181000)  # manufacturer, station, serial number of the device
_FIRST_BYTES = 1 << 16
"""The study stands within these; a file where it does not is read alone [bytes]."""

Series = tuple[bytes, ...]
"""Study Instance UID, manufacturer, station and serial number, as written; b'' where not told."""


def series_of(data: bytes) -> Series | None:
    """Study and machine of the DICOM file that begins with `data`; None where no study is found.

    Nothing is refused: a file that cannot be read is told by its reader.
    """
    try:
        walker, position = _walker(data[:_FIRST_BYTES])
        limit = len(walker.data)
        values: dict[int, bytes] = {}
        while limit - position >= 8:
            key, start, length = walker.header(position, limit)
            tag = walker.encoding.tag(key)
            if tag > STUDY:
                break
            position = walker.end_of(start, length, limit)
            if tag == STUDY or tag in _MACHINE:
                values[tag] = walker.data[start:position].strip(b" \0")
    except (Refusal, struct.error, zlib.error):
        return None
    if not values.get(STUDY):
        return None
    return tuple(values.get(tag, b"") for tag in (STUDY, *_MACHINE))


def _walker(data: bytes) -> tuple[Walker, int]:
    """(the beginning of the data set, where it starts)."""
    meta = file_meta(data)
    if meta.syntax in DEFLATED:
        plain = zlib.decompressobj(-zlib.MAX_WBITS).decompress(data[meta.start :], _FIRST_BYTES)
        return Walker(plain, Encoding(True, True)), 0
    source = opened(data)
    return Walker(source.data, source.encoding), source.start
