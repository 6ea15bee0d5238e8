"""Files from disk, no more of them than is kept: of an image its header, of anything else the whole."""

from __future__ import annotations

import os
from pathlib import Path
from typing import BinaryIO

from dosetrack.errors import ReportRefusedError
from dosetrack.readers.head import WHOLE, header_length

FIRST_BYTES = 1 << 16
"""How much is read at first [bytes]; the headers of most images end within."""
MOST_BYTES = 1 << 30
"""What would keep more than these is refused [bytes]; the largest dose reports known are 17 MB."""


def shown_name(path: Path) -> str:
    """The name of a file as text that can be stored and printed; other bytes are written out."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def head_of(stream: BinaryIO, *, file: str) -> bytes:
    """The bytes of the file in `stream` that are kept; pixel data and what follows them are not read.

    The result is what `readers.head.kept_bytes` gives for the whole file.

    Raises
    ------
    ReportRefusedError
        More than `MOST_BYTES` would be kept; `file` is the name in it.
    """
    data = stream.read(FIRST_BYTES)
    is_all = len(data) < FIRST_BYTES
    while len(data) <= MOST_BYTES:
        length = header_length(data, is_all=is_all)
        if length is not None and length != WHOLE:
            return data[:length]
        if is_all:
            return data
        asked = len(data) if length is None else MOST_BYTES + 1 - len(data)
        more = stream.read(asked)
        is_all = len(more) < asked
        data += more
        if length == WHOLE and is_all:
            return data
    reason = f"more than {MOST_BYTES} bytes, which is more than any dose report or header of an image"
    raise ReportRefusedError(file=file, reason=reason)
