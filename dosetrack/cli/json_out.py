"""Records as JSON: one document to standard output, fast and plain.

Keys are the records' field names. Enums are their value, times ISO 8601, decimals numbers, tuples
and sets lists. A float that is no number has no place in a document and is an error.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime, time
from decimal import Decimal
from enum import Enum
from functools import cache
from operator import attrgetter
from pathlib import PurePath
from typing import Any

_ATOMS = frozenset({str, int, float, bool, type(None)})


def plain(value: object) -> Any:
    """`value` as what JSON knows: dicts, lists, text, numbers, booleans and None."""
    if type(value) in _ATOMS:
        return value
    if is_dataclass(value) and not isinstance(value, type):
        names, read = _reader_of(type(value))
        return {
            name: part if type(part) in _ATOMS else plain(part)
            for name, part in zip(names, read(value), strict=True)
        }
    if isinstance(value, Enum):
        return plain(value.value)
    if isinstance(value, Mapping):
        return {str(plain(key)): plain(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(part) for part in value]
    if isinstance(value, (set, frozenset)):
        return sorted(plain(part) for part in value)
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, (datetime, date, time)):
        return value.isoformat()
    if isinstance(value, (str, PurePath)):
        return str(value)
    if isinstance(value, (int, float)):  # numbers of other libraries that derive from Python's
        return float(value) if isinstance(value, float) else int(value)
    raise TypeError(f"no JSON form for {type(value).__name__}")


def json_text(document: object) -> str:
    """`document` as JSON text in ASCII, so that any terminal and pipe carries it."""
    return json.dumps(plain(document), allow_nan=False)


def write_json(document: object) -> None:
    """Write `document` as one line of JSON to standard output."""
    sys.stdout.write(json_text(document))
    sys.stdout.write("\n")
    sys.stdout.flush()


@cache
def _reader_of(kind: type) -> tuple[tuple[str, ...], Callable[[object], tuple[Any, ...]]]:
    """(field names, function that reads them all at once) of a dataclass."""
    names = tuple(one.name for one in fields(kind))
    if not names:
        return names, lambda _: ()
    if len(names) == 1:
        read_one = attrgetter(names[0])
        return names, lambda value: (read_one(value),)
    return names, attrgetter(*names)
