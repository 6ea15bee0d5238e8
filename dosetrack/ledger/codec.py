"""Records to canonical JSON and back, so that equal content is equal text.

Keys are sorted, nothing is padded, every field stands written out (a default changed later must
not change what an old entry says). Enums are their values, `Decimal` its digits, times ISO 8601.
Reading back: a key this version does not know is left alone in the stored text and passed over; a
field the text lacks takes the record's default; anything else that does not fit is a `LedgerError`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import date, datetime
from decimal import Decimal, InvalidOperation
from enum import Enum
from functools import cache
from operator import attrgetter
from types import NoneType, UnionType
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from dosetrack.errors import InputError, LedgerError
from dosetrack.records.entries import PAYLOAD_KINDS, Payload

T = TypeVar("T")
Decode = Callable[[Any], Any]

_KIND_OF: dict[type, str] = {cls: kind for kind, cls in PAYLOAD_KINDS.items()}
_ENCODER = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False, check_circular=False
)


def to_json(record: object) -> str:
    """Canonical JSON text of a record (or a tuple of records, or a plain value)."""
    try:
        text = _ENCODER.encode(_plain(record))
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        bad = error.object[error.start : error.end]
        raise InputError(field="text", given=bad, accepted="whole Unicode characters") from None
    except ValueError:
        raise InputError(
            field="number", given="infinite or not a number", accepted="a finite number"
        ) from None
    return text


def from_json(cls: type[T], text: str) -> T:
    """The record of class `cls` that `text` holds."""
    try:
        return cast(T, _decoder(cast(Any, cls))(json.loads(text)))
    except json.JSONDecodeError as error:
        raise LedgerError(f"stored {cls.__name__} is not JSON: {error}") from error


def tuple_from_json(cls: type[T], text: str) -> tuple[T, ...]:
    """The records of class `cls` in the JSON list `text`."""
    if text == "[]":
        return ()
    decode = _decoder(cast(Any, cls))
    return tuple(decode(item) for item in json.loads(text))


def kind_of(payload: Payload) -> str:
    """The kind under which a payload is recorded, 'console-reading' for instance."""
    try:
        return _KIND_OF[type(payload)]
    except KeyError:
        raise LedgerError(f"{type(payload).__name__} is no payload of the ledger") from None


def payload_from_json(kind: str, text: str) -> Payload:
    """The payload of `kind` that `text` holds."""
    try:
        cls = PAYLOAD_KINDS[kind]
    except KeyError:
        raise LedgerError(
            f"an entry is of kind {kind!r}, which this version does not know; open the ledger with the "
            "version that wrote it, or a newer one"
        ) from None
    return cast(Payload, from_json(cls, text))


# encoding ------------------------------------------------------------------------------------


@cache
def _values_of(cls: type) -> tuple[tuple[str, ...], Callable[[Any], Any]]:
    names = tuple(field.name for field in fields(cls))
    return names, attrgetter(*names) if names else (lambda _record: ())


def _plain(value: Any) -> Any:
    cls = type(value)
    if value is None or cls is str or cls is float or cls is int or cls is bool:
        return value
    if cls is tuple or cls is list:
        return [_plain(item) for item in value]
    if is_dataclass(value):
        names, get = _values_of(cast(Any, cls))
        values = (get(value),) if len(names) == 1 else get(value)
        return {name: _plain(item) for name, item in zip(names, values, strict=True)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, (datetime, date)):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, float):  # a number of numpy's, for instance
        return float(value)
    raise LedgerError(f"{cls.__name__} cannot be stored")


# decoding ------------------------------------------------------------------------------------


def _misfit(value: object, expected: str) -> LedgerError:
    return LedgerError(f"stored value {value!r} does not fit; expected {expected}")


def _exactly(*types: type) -> Decode:
    def decode(value: Any) -> Any:
        if type(value) not in types:
            raise _misfit(value, " or ".join(kind.__name__ for kind in types))
        return value

    return decode


def _float(value: Any) -> float:
    if type(value) is float:
        return value
    if type(value) is int:
        return float(value)
    raise _misfit(value, "a number")


def _parsed(parse: Callable[[str], Any], expected: str) -> Decode:
    def decode(value: Any) -> Any:
        try:
            return parse(value)
        except (ValueError, TypeError, InvalidOperation):
            raise _misfit(value, expected) from None

    return decode


_SCALARS: dict[Any, Decode] = {
    str: _exactly(str),
    bool: _exactly(bool),
    int: _exactly(int),
    float: _float,
    NoneType: _exactly(NoneType),
    Decimal: _parsed(Decimal, "decimal digits"),
    datetime: _parsed(datetime.fromisoformat, "an ISO 8601 time"),
    date: _parsed(date.fromisoformat, "an ISO 8601 date"),
}


@cache
def _decoder(annotation: Any) -> Decode:
    if annotation in _SCALARS:
        return _SCALARS[annotation]
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Literal:
        return _exactly(*{type(item) for item in arguments})
    if origin in (Union, UnionType):
        return _optional_decoder(arguments)
    if origin is tuple and len(arguments) == 2 and arguments[1] is Ellipsis:
        return _tuple_decoder(arguments[0])
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        return _parsed(annotation, f"one of {[member.value for member in annotation]}")
    if isinstance(annotation, type) and is_dataclass(annotation):
        return _record_decoder(annotation)
    raise TypeError(f"no way to read {annotation} back from JSON")


def _optional_decoder(arguments: tuple[Any, ...]) -> Decode:
    inner = [item for item in arguments if item is not NoneType]
    if len(inner) != 1:
        raise TypeError(f"a stored field may be one type or None, not {arguments}")
    decode = _decoder(inner[0])
    return lambda value: None if value is None else decode(value)


def _tuple_decoder(item: Any) -> Decode:
    decode = _decoder(item)

    def decode_list(value: Any) -> tuple[Any, ...]:
        if type(value) is not list:
            raise _misfit(value, "a list")
        return tuple(map(decode, value))

    return decode_list


def _record_decoder(cls: type) -> Decode:
    hints = get_type_hints(cls)
    parts = [(field.name, _decoder(hints[field.name])) for field in fields(cls)]
    required = {
        field.name for field in fields(cls) if field.default is MISSING and field.default_factory is MISSING
    }

    def decode_record(value: Any) -> Any:
        if type(value) is not dict:
            raise _misfit(value, f"the fields of {cls.__name__}")
        missing = required.difference(value)
        if missing:
            raise LedgerError(f"stored {cls.__name__} lacks {', '.join(sorted(missing))}")
        return cls(**{name: decode(value[name]) for name, decode in parts if name in value})

    return decode_record
