"""Cumulative reports: events that an earlier report of the case told in the same bytes are not read again.

An event is known again by the digest of all its bytes, not by its UID: a later report may tell an
event of the same UID otherwise, and that must be seen. The report that comes out is the one a whole
reading gives, findings included. What decides how bytes are read (how the file is written, its
character set, its offset from UTC, what the totals say for all events of a plane) must be the same
too; where it is not, the whole is read.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from dosetrack.readers.codes import Code
from dosetrack.readers.encoding import UNDEFINED, Encoding
from dosetrack.readers.header import Header
from dosetrack.readers.rdsr import Reading
from dosetrack.readers.rdsr_events import EventReader, PlainEvent, PlaneContext
from dosetrack.readers.rdsr_totals import TotalsRead
from dosetrack.readers.source import Source
from dosetrack.readers.sr_items import ContentItem
from dosetrack.records.report import DoseReport, PlaneName

_DIGEST_BYTES = 20
_MOST_LENGTHS_TRIED = 8

Planes = tuple[tuple[PlaneName, PlaneContext], ...]


@dataclass(frozen=True, slots=True)
class HeldEvents:
    """The events of one report, by the digest of the bytes that tell them.

    encoding, declared, offset, planes : what decided how the bytes were read
    events : digest -> event, in the report's order; without those something was found about
    lengths : digest -> how many bytes the event takes
    """

    encoding: Encoding
    declared: tuple[str, ...]
    offset: str | None
    planes: Planes
    events: Mapping[bytes, PlainEvent] = field(default_factory=dict)
    lengths: Mapping[bytes, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ReadAfter:
    """A report read after an earlier one of its case.

    report : equal to what reading the whole gives
    held : its events, for the next report of the case; None for what is no report of TID 10001
    taken : how many events were taken from the earlier report
    """

    report: DoseReport
    held: HeldEvents | None
    taken: int


def read_after(source: Source, *, held: HeldEvents | None) -> ReadAfter:
    """The dose report in `source`, its events taken from `held` where they stand there.

    Raises
    ------
    Refusal
        As reading the whole does.
    """
    reading = _ReadingAfter(source, held)
    try:
        report = reading.report()
    except _PlanesDifferError:
        reading = _ReadingAfter(source, None)
        report = reading.report()
    return ReadAfter(report, reading.held(report), reading.taken)


class _PlanesDifferError(Exception):
    """What the totals say for all events of a plane is not what the earlier report said."""


class _ReadingAfter(Reading):
    def __init__(self, source: Source, earlier: HeldEvents | None) -> None:
        super().__init__(source)
        self.taken = 0
        self._earlier = earlier
        self._known: Mapping[bytes, PlainEvent] = {}
        self._lengths: Mapping[bytes, int] = {}
        self._order: list[bytes] = []
        self._places: dict[bytes, int] = {}
        self._distinct: list[int] = []
        self._next = 0
        self._digests: dict[int, tuple[bytes, int, PlainEvent | None]] = {}
        self._kept: dict[bytes, tuple[int, PlainEvent]] = {}
        self._header: Header | None = None
        self._planes: Planes = ()

    def items(self, position: int, limit: int, header: Header) -> tuple[list[ContentItem], int]:
        self._header = header
        earlier = self._earlier
        if earlier is not None and self._how_written(header) == (
            earlier.encoding, earlier.declared, earlier.offset,
        ):  # fmt: skip
            self._known, self._lengths = earlier.events, earlier.lengths
            self._order = list(earlier.events)
            self._places = {digest: place for place, digest in enumerate(self._order)}
            self._distinct = list(dict.fromkeys(earlier.lengths.values()))[:_MOST_LENGTHS_TRIED]
        walker = self.walker
        data, unpack_pair = walker.data, walker.unpack_pair
        _, start, length = walker.header(position, limit)
        if walker.is_unknown(start):
            return super().items(position, limit, header)
        position = start
        is_open = length == UNDEFINED
        end = limit if is_open else position + length
        found: list[ContentItem] = []
        while position < end:
            key, length = unpack_pair(data, position)
            if key != walker.item:
                if key == walker.sequence_end and is_open:
                    return found, position + 8
                raise walker.damaged(position, key)
            if length == UNDEFINED:
                digest, stop = self._known_at(position, end)
            else:
                stop = position + 8 + length
                if stop > end:
                    raise walker.too_long(position, key, length, end - position - 8)
                digest = _digest(data[position:stop])
            item, position = self._item(position, stop, end, digest)
            found.append(item)
        if is_open:
            raise walker.cut_off(position)
        return found, position

    def _item(self, start: int, stop: int | None, end: int, digest: bytes | None) -> tuple[ContentItem, int]:
        """(the item from `start`, where it ends), a stand-in where it is an event known.

        stop, digest : where it ends and of its bytes, None where that shows only when it is read
        """
        plain = self._known.get(digest) if digest is not None else None
        if plain is not None and stop is not None:
            item = ContentItem(_EVENT, None, None, None, [])
        else:
            (item,), stop = self.content.content(start, UNDEFINED, stop or end, depth=0, is_one=True)
        if digest is None:
            digest = _digest(self.walker.data[start:stop])
        self._digests[id(item)] = (digest, stop - start, plain)
        return item, stop

    def _known_at(self, start: int, end: int) -> tuple[bytes | None, int | None]:
        """(digest, where it ends) of the item of undefined length at `start` if it is an event known.

        Bytes that were one whole item before are one whole item again, whatever follows them. A
        cumulative report repeats its events in order, so the one after the last is tried first.
        """
        tried: set[int] = set()
        for length in self._likely_lengths():
            if length in tried or start + length > end:
                continue
            tried.add(length)
            digest = _digest(self.walker.data[start : start + length])
            if self._lengths.get(digest) == length:
                self._next = self._places[digest] + 1
                return digest, start + length
        return None, None

    def _likely_lengths(self) -> Iterator[int]:
        if self._next < len(self._order):
            yield self._lengths[self._order[self._next]]
        yield from self._distinct

    def read_events(self, reader: EventReader, containers: Sequence[ContentItem], totals: TotalsRead) -> None:
        self._planes = tuple(totals.planes.items())
        if self._known and self._earlier is not None and self._earlier.planes != self._planes:
            raise _PlanesDifferError
        for container in containers:
            digest, length, plain = self._digests.get(id(container), (b"", 0, None))
            if plain is not None:
                reader.take(plain)
                self.taken += 1
            else:
                plain = reader.read_plain(container)
            if plain is not None and digest:
                self._kept[digest] = length, plain

    def held(self, report: DoseReport) -> HeldEvents | None:
        """The events of `report`, just read, for the next report of the case."""
        if report.source != "rdsr" or self._header is None:
            return None
        is_guessed = self._header.decoder.was_guessed  # in which text is not known, so no event is held
        kept = {} if is_guessed else self._kept
        encoding, declared, offset = self._how_written(self._header)
        return HeldEvents(
            encoding=encoding,
            declared=declared,
            offset=offset,
            planes=self._planes,
            events={digest: plain for digest, (_, plain) in kept.items()},
            lengths={digest: length for digest, (length, _) in kept.items()},
        )

    def _how_written(self, header: Header) -> tuple[Encoding, tuple[str, ...], str | None]:
        return self.walker.encoding, header.decoder.declared, header.offset


_EVENT = Code(value="113706", scheme="DCM", meaning=b"")


def _digest(chunk: bytes) -> bytes:
    return hashlib.blake2b(chunk, digest_size=_DIGEST_BYTES).digest()
