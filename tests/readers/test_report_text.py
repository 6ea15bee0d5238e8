"""Character sets and dates of a report against pydicom's tables."""

from __future__ import annotations

import codecs

import pytest
from pydicom.charset import python_encoding

from dosetrack.readers.text import CODECS, TextDecoder, iso_date, iso_date_and_time, iso_datetime, iso_offset


@pytest.mark.parametrize("term", sorted(CODECS.keys() - {"ISO_IR 203"}))  # too new for pydicom 3.0
def test_codec_is_the_one_pydicom_uses(term: str) -> None:
    assert codecs.lookup(CODECS[term]).name == codecs.lookup(python_encoding[term]).name


def test_escape_sequences_are_honoured() -> None:
    # PS3.5 annex H, example H.3.1-1
    raw = b"Yamada^Tarou=\x1b$B;3ED\x1b(B^\x1b$BB@O:\x1b(B=\x1b$B$d$^$@\x1b(B^\x1b$B$?$m$&\x1b(B"
    assert TextDecoder(("", "ISO 2022 IR 87")).name(raw) == "Yamada^Tarou=山田^太郎=やまだ^たろう"


@pytest.mark.parametrize("term", ["ISO_IR 999", "ISO_I\x01\0\0\0"])
def test_unknown_character_set_is_guessed(term: str) -> None:
    decoder = TextDecoder((term,))
    assert decoder.text("Zoë".encode()) == "Zoë"
    assert decoder.was_guessed


@pytest.mark.parametrize("raw", [b"2024", b"202413010000", b"20240101250000", b"2024010112.5", b"x", b""])
def test_only_real_moments_are_read(raw: bytes) -> None:
    assert iso_datetime(raw) in (None, "2024")


@pytest.mark.parametrize(
    ("day", "clock", "iso"),
    [(b"20240131", b"093005.25 ", "2024-01-31T09:30:05.25"), (b"2024.01.31", b"09:30", "2024-01-31T09:30"),
     (b"20240131", b"", "2024-01-31"), (b"20240131", b"99", "2024-01-31"), (b"", b"0930", None)],
)  # fmt: skip
def test_date_and_time(day: bytes, clock: bytes, iso: str | None) -> None:
    assert iso_date_and_time(day, clock) == iso


def test_offsets_and_dates() -> None:
    assert [iso_offset(text) for text in ("+0545", "-1200", "+1401", "0100", "+0160", None)] == [
        "+05:45", "-12:00", None, None, None, None,
    ]  # fmt: skip
    assert iso_date(b"20230229") is None
