"""How much of a file is kept: of an image its header, of anything else the whole.

An image's header ends with the tag, kind and length of the first waveform, overlay or pixel data
element: these few bytes prove that no part of the header is missing. What follows is neither read
nor kept. In a deflated image, which cannot be cut between elements, the least number of deflated
bytes that hold the header is kept.
"""

from __future__ import annotations

import zlib

from dosetrack.readers.elements import Walker
from dosetrack.readers.encoding import DEFLATED, Encoding, file_meta, opened
from dosetrack.readers.refusal import Refusal
from dosetrack.readers.sr_items import CONTENT

WHOLE = -1
"""The file has no pixel data, or is a structured report: all of it is kept."""
MOST_HEADER_BYTES = 1 << 26
"""Deflated, no header is looked for behind these [bytes]; enhanced ones take some MB."""

_REPORTS = "1.2.840.10008.5.1.4.1.1.88."
_ELEMENT_HEADER = {True: 12, False: 8}  # explicit, implicit: tag, value representation, length
_STEP = 4096
_LARGEST_STEP = 1 << 20


def kept_bytes(data: bytes) -> bytes:
    """The bytes of the file `data` that are read, digested and kept."""
    length = header_length(data, is_all=True)
    return data if length is None or length == WHOLE else data[:length]


def header_length(data: bytes, *, is_all: bool) -> int | None:
    """How many bytes of a file that begins with `data` are kept; WHOLE for all; None: more must be seen.

    Parameters
    ----------
    is_all : whether `data` is the whole file
    """
    undecided = WHOLE if is_all else None
    try:
        meta = file_meta(data)
    except Refusal:
        return undecided
    if (meta.media_class or "").startswith(_REPORTS):
        return WHOLE
    if meta.syntax in DEFLATED:
        return _deflated_header_length(data, meta.start, is_all=is_all)
    try:
        source = opened(data)
    except Refusal:
        return WHOLE  # it is no data set; reading more would change nothing
    return _header_end(Walker(data, source.encoding), source.start, is_all=is_all)


def _header_end(walker: Walker, start: int, *, is_all: bool) -> int | None:
    """Where the header of the data set from `start` ends; WHOLE; None where more must be seen."""
    data, position = walker.data, start
    limit = len(data)
    undecided = WHOLE if is_all else None
    try:
        while limit - position >= 8:
            if walker.is_bulk(position):
                end = position + _ELEMENT_HEADER[walker.encoding.is_explicit]
                return end if end <= limit or is_all else None
            key, value, length = walker.header(position, limit)
            if walker.encoding.tag(key) == CONTENT:
                return WHOLE
            position = walker.end_of(value, length, limit)
    except Refusal:  # cut off here, or damaged, which the reader says better
        return undecided
    return undecided


def _deflated_header_length(data: bytes, start: int, *, is_all: bool) -> int | None:
    """As `header_length`, of a deflated data set whose deflated bytes begin at `start`."""
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    plain = b""
    position, step = start, _STEP
    try:
        while position < len(data) and not inflater.eof:
            plain += inflater.decompress(data[position : position + step])
            position += step
            step = min(2 * step, _LARGEST_STEP)
            end = _header_end(Walker(plain, Encoding(True, True)), 0, is_all=False)
            if end == WHOLE:
                return WHOLE
            if end is not None:
                return _least_deflated(data, start, end)
            if len(plain) > MOST_HEADER_BYTES:
                return WHOLE  # the reader refuses what grows past its bound
    except zlib.error:
        return WHOLE  # damaged, which the reader says
    return WHOLE if is_all or inflater.eof else None


def _least_deflated(data: bytes, start: int, needed: int) -> int:
    """The least end of a deflated stream from `start` that inflates to at least `needed` bytes."""
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    made, position = 0, start
    while True:
        before = inflater.copy()
        more = len(inflater.decompress(data[position : position + _STEP]))
        if made + more >= needed:
            break
        made += more
        position += _STEP
    while made < needed:
        made += len(before.decompress(data[position : position + 1]))
        position += 1
    return position
