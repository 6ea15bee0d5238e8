"""Dose reports damaged on purpose: at random places, and at places that structure gives a meaning."""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

from rdsr_files import SYNTAXES, EventPlan, accumulated, event, num, report, saved

from dosetrack.readers.elements import Walker
from dosetrack.readers.encoding import UNDEFINED, Encoding, opened

LENGTHS = (0, 1, 2, 7, 0xFFFF, 1 << 30, 0x7FFFFFFF, 0xFFFFFFF0, UNDEFINED)
_DEFLATED = "deflated"


@dataclass(frozen=True)
class Element:
    """Where one element of a data set stands: header from `start`, value from `value` to `end`."""

    start: int
    length_at: int
    value: int
    end: int


@dataclass(frozen=True)
class Base:
    """A whole report as it is mutated: `head` stands before the data set and stays, unless hit by chance."""

    head: bytes
    body: bytes
    elements: tuple[Element, ...]
    order: str
    is_deflated: bool

    def file(self, body: bytes) -> bytes:
        """The file with `body` for its data set."""
        if not self.is_deflated:
            return self.head + body
        deflater = zlib.compressobj(1, zlib.DEFLATED, -zlib.MAX_WBITS)
        return self.head + deflater.compress(body) + deflater.flush()


def bases() -> list[Base]:
    """Small reports in every encoding, one event itemising its pulses."""
    pulses = [num("113733", kv, "kV") for kv in ("80", "81", "82")]
    found = []
    for syntax in SYNTAXES:
        for undefined in (False, True):
            whole = report(
                [
                    accumulated("a", {"113722": ("0.000246", "Gy.m2"), "113725": ("0.00912", "Gy")}),
                    event(EventPlan(number=1, plane="a", extra=pulses)),
                    event(EventPlan(number=2, plane="b", type="rotational")),
                ]
            )
            found.append(_base(saved(whole, syntax, undefined=undefined), syntax))
    return found


def _base(data: bytes, syntax: str) -> Base:
    source = opened(data)
    encoding = source.encoding
    if syntax == _DEFLATED:
        start = _after_meta(data)
        head, body = data[:start], source.data
    else:
        head, body = data[: source.start], data[source.start :]
    walker = Walker(body, encoding)
    return Base(head, body, tuple(_elements(walker, 0, len(body))), encoding.order, syntax == _DEFLATED)


def _after_meta(data: bytes) -> int:
    """Where the data set begins: PS3.10 gives the length of the file meta information first."""
    return 132 + 12 + int(struct.unpack_from("<I", data, 140)[0])


def _elements(walker: Walker, start: int, limit: int) -> Iterator[Element]:
    position = start
    while position < limit:
        key, value, length = walker.header(position, limit)
        if key in (walker.item_end, walker.sequence_end):
            return
        end = walker.end_of(value, length, limit)
        size = 2 if walker.encoding.is_explicit and value - position == 8 else 4
        yield Element(position, value - size, value, end)
        at = value
        while at + 8 <= end and walker.unpack_pair(walker.data, at)[0] == walker.item:
            _, item_length = walker.unpack_pair(walker.data, at)
            stop = end if item_length == UNDEFINED else at + 8 + item_length
            yield Element(at, at + 4, at + 8, stop)
            yield from _elements(walker, at + 8, stop)
            at = walker.elements(at + 8, stop)[1] if item_length == UNDEFINED else stop
        position = end


def mutants(seed: int, count: int) -> Iterator[tuple[str, bytes]]:
    """(what was done, file) `count` times, always the same for one `seed`."""
    chance = random.Random(seed)
    all_bases = bases()
    kinds = sorted(_CHANGES)
    for _ in range(count):
        base = chance.choice(all_bases)
        kind = chance.choice(kinds)
        body = base.body
        times = chance.choice([1, 1, 1, 2]) if kind in _ANYWHERE else 1
        for _ in range(times):
            body = _CHANGES[kind](chance, base, body)
        data = base.file(body)
        if chance.random() < 0.03:  # the head may be hit as well
            data = _flip(chance, base, data[:400]) + data[400:]
        yield kind, data


def _flip(chance: random.Random, base: Base, body: bytes) -> bytes:
    data = bytearray(body)
    for _ in range(chance.choice([1, 1, 2, 8])):
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    return bytes(data)


def _other_byte(chance: random.Random, base: Base, body: bytes) -> bytes:
    at = chance.randrange(len(body))
    return body[:at] + bytes([chance.randrange(256)]) + body[at + 1 :]


def _digit(chance: random.Random, base: Base, body: bytes) -> bytes:
    """Another sign inside a number, so that what is read is still a number."""
    places = [at for at in range(len(body)) if body[at : at + 1].isdigit()]
    at = chance.choice(places)
    return body[:at] + chance.choice([b"0", b"9", b".", b",", b"E", b"-", b"\\", b" "]) + body[at + 1 :]


def _truncate(chance: random.Random, base: Base, body: bytes) -> bytes:
    return body[: chance.randrange(1, len(body))]


def _truncate_between(chance: random.Random, base: Base, body: bytes) -> bytes:
    return body[: chance.choice(base.elements).end]


def _length(chance: random.Random, base: Base, body: bytes) -> bytes:
    one = chance.choice(base.elements)
    size = one.value - one.length_at
    true = one.end - one.value
    length = chance.choice([*LENGTHS, true + 1, true + 2, true - 2, true - 1, true + 8, len(body)])
    packed = struct.pack(
        base.order + ("H" if size == 2 else "I"), length & (0xFFFF if size == 2 else UNDEFINED)
    )
    return body[: one.length_at] + packed + body[one.value :]


def _swap_tags(chance: random.Random, base: Base, body: bytes) -> bytes:
    one, two = chance.choice(base.elements).start, chance.choice(base.elements).start
    data = bytearray(body)
    data[one : one + 4], data[two : two + 4] = body[two : two + 4], body[one : one + 4]
    return bytes(data)


def _swap_elements(chance: random.Random, base: Base, body: bytes) -> bytes:
    one, two = sorted(chance.sample(base.elements, 2), key=lambda element: element.start)
    if one.end > two.start:
        return body[: one.start] + body[two.start : two.end] + body[one.end :]
    return b"".join(
        (body[: one.start], body[two.start : two.end], body[one.end : two.start], body[one.start : one.end],
         body[two.end :])
    )  # fmt: skip


def _repeat(chance: random.Random, base: Base, body: bytes) -> bytes:
    one = chance.choice(base.elements)
    return body[: one.end] + body[one.start : one.end] * chance.choice([1, 2, 50]) + body[one.end :]


def _remove(chance: random.Random, base: Base, body: bytes) -> bytes:
    one = chance.choice(base.elements)
    return body[: one.start] + body[one.end :]


def _inside_itself(chance: random.Random, base: Base, body: bytes) -> bytes:
    """An element that holds a copy of itself, or of what holds it, as a cycle would begin."""
    one = chance.choice(base.elements)
    around = [element for element in base.elements if element.start <= one.start and one.end <= element.end]
    outer = chance.choice(around)
    copy = body[outer.start : outer.end]
    for _ in range(chance.choice([1, 3])):
        copy = copy[: one.value - outer.start] + copy + copy[one.value - outer.start :]
        if len(copy) > 200_000:
            break
    return body[: outer.start] + copy + body[outer.end :]


def _deep(chance: random.Random, base: Base, body: bytes) -> bytes:
    one = chance.choice(base.elements)
    tag = chance.choice([0x0040A730, 0x0040A043, 0x0040A300, 0x00081115])
    explicit = base.order == ">" or body[4:6].isalpha()
    encoding = Encoding(explicit, base.order == "<")
    vr = b"SQ\0\0" if explicit else b""
    level = struct.pack(base.order + "I", encoding.key(tag)) + vr + struct.pack(base.order + "I", UNDEFINED)
    level += struct.pack(base.order + "II", encoding.key(0xFFFEE000), UNDEFINED)
    return body[: one.start] + level * chance.choice([3, 63, 65, 1000]) + body[one.start :]


def _many_items(chance: random.Random, base: Base, body: bytes) -> bytes:
    one = chance.choice(base.elements)
    encoding = Encoding(True, base.order == "<")
    item = struct.pack(base.order + "II", encoding.key(0xFFFEE000), 0)
    return body[: one.value] + item * chance.choice([2, 300, 3000]) + body[one.value :]


def _kind(chance: random.Random, base: Base, body: bytes) -> bytes:
    one = chance.choice(base.elements)
    vr = chance.choice([b"SQ", b"UN", b"OB", b"UI", b"DS", b"FD", b"US", b"UT", b"PN", b"ZZ", b"\0\0"])
    return body[: one.start + 4] + vr + body[one.start + 6 :]


_CHANGES = {
    "flip": _flip, "byte": _other_byte, "digit": _digit, "truncate": _truncate, "between": _truncate_between,
    "length": _length, "tags": _swap_tags, "elements": _swap_elements, "repeat": _repeat, "remove": _remove,
    "cycle": _inside_itself, "deep": _deep, "items": _many_items, "kind": _kind,
}  # fmt: skip
_ANYWHERE = frozenset({"flip", "byte", "digit"})
"""Changes that move nothing, so that several can follow each other."""
