"""Of an image only the header is read from disk, digested and kept."""

from __future__ import annotations

import hashlib
import io
import random
import struct
from pathlib import Path
from typing import Any

import pytest
from rdsr_files import SYNTAXES, EventPlan, event, report, saved
from second_choice_files import ENHANCED_XA, STEP, XA, enhanced_image, image, saved_as, step

from dosetrack.cli.read import read_files
from dosetrack.errors import ReportRefusedError
from dosetrack.readers import read_report
from dosetrack.readers.head import kept_bytes
from dosetrack.services.files import FoundFile, digested, read_file
from dosetrack.services.heads import FIRST_BYTES, head_of


class CountingStream(io.FileIO):
    """A file that counts the bytes read from it."""

    read_bytes = 0

    def read(self, size: int | None = -1, /) -> bytes:
        data = super().read(-1 if size is None else size)
        self.read_bytes += len(data)
        return data


def sparse_image(path: Path, megabytes: int, syntax: str = "explicit") -> bytes:
    """Write an image whose pixel data are a hole; the bytes before them, tag and length included."""
    whole = saved_as(image(), XA, syntax)
    order = ">" if syntax == "big-endian" else "<"
    start = whole.rindex(struct.pack(order + "HH", 0x7FE0, 0x0010))
    if syntax == "implicit":
        head = whole[: start + 4] + struct.pack("<I", megabytes << 20)
    else:
        head = whole[: start + 4] + b"OW\0\0" + struct.pack(order + "I", megabytes << 20)
    with path.open("wb") as stream:
        stream.write(head)
        stream.truncate(len(head) + (megabytes << 20))
    return head


@pytest.mark.parametrize("syntax", ["explicit", "implicit", "big-endian"])
def test_pixel_data_are_never_read(syntax: str, tmp_path: Path) -> None:
    path = tmp_path / "image.dcm"
    head = sparse_image(path, 200, syntax)
    assert path.stat().st_size > 200 << 20
    with CountingStream(path) as stream:
        kept = head_of(stream, file="x")
        assert stream.read_bytes < 1 << 20
    assert kept == head
    found = read_report(kept, file="x")
    assert found.events[0].dose_area_product_gycm2 == 12.345
    assert found.sha256 == hashlib.sha256(kept).hexdigest()


def test_the_command_and_ingest_read_heads_only(tmp_path: Path) -> None:
    path = tmp_path / "image.dcm"
    head = sparse_image(path, 2000)  # two thousand million bytes: reading them would be noticed
    result = read_files([path])
    assert result.refused == []
    assert result.reports[0].sha256 == hashlib.sha256(head).hexdigest()
    found = digested(FoundFile(path))
    assert (found.sha256, found.size) == (result.reports[0].sha256, len(head))
    taken = read_file(found)
    assert taken.report is not None
    assert taken.report.sha256 == found.sha256


@pytest.mark.parametrize("make", [image, enhanced_image], ids=["plain", "enhanced"])
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_what_is_kept_is_the_same_from_stream_and_bytes_and_is_read_alike(make: Any, syntax: str) -> None:
    whole = saved_as(make(), make().SOPClassUID, syntax)
    kept = kept_bytes(whole)
    assert len(kept) < len(whole)
    assert whole.startswith(kept)
    assert head_of(io.BytesIO(whole), file="x") == kept
    assert kept_bytes(kept) == kept
    assert read_report(kept, file="x") == read_report(whole, file="x")
    pixels = make().PixelData
    if syntax != "deflated":
        assert pixels[8:40] not in kept


def test_header_longer_than_the_first_piece() -> None:
    data = image()
    data.add_new(0x00291010, "OB", bytes(range(256)) * (FIRST_BYTES // 64))
    for syntax in SYNTAXES:
        whole = saved_as(data, XA, syntax)
        kept = head_of(io.BytesIO(whole), file="x")
        assert kept == kept_bytes(whole)
        assert len(kept) < len(whole)
        assert read_report(kept, file="x").events[0].kvp == 81.3


def test_overlays_are_not_kept() -> None:
    data = image()
    data.add_new(0x60000010, "US", 8)
    data.add_new(0x60003000, "OW", b"overlay!" * 10)
    kept = kept_bytes(saved_as(data, XA))
    assert b"overlay!" not in kept
    assert read_report(kept, file="x").events[0].kvp == 81.3


@pytest.mark.parametrize("syntax", SYNTAXES)
def test_reports_and_steps_are_kept_whole(syntax: str) -> None:
    for whole in (saved(report([event(EventPlan())]), syntax), saved_as(step(), STEP, syntax)):
        assert kept_bytes(whole) == whole
        assert head_of(io.BytesIO(whole), file="x") == whole


def test_long_report_is_read_whole() -> None:
    whole = saved(report([event(EventPlan(number=n)) for n in range(60)]))
    assert len(whole) > 2 * FIRST_BYTES
    assert head_of(io.BytesIO(whole), file="x") == whole
    assert head_of(io.BytesIO(saved(report([event(EventPlan())]), meta=False)), file="x")


@pytest.mark.parametrize("data", [b"", b"no image\n" * 9000, bytes(300_000)], ids=["empty", "text", "zeros"])
def test_what_is_not_dicom_is_handed_on(data: bytes) -> None:
    assert head_of(io.BytesIO(data), file="x") == data


@pytest.mark.parametrize("syntax", SYNTAXES)
def test_header_cut_off_anywhere_is_refused(syntax: str) -> None:
    kept = kept_bytes(saved_as(image(), XA, syntax))
    chance = random.Random(3)
    ends = [chance.randrange(200, len(kept) - 12) for _ in range(150)] + [len(kept) - 13, len(kept) - 12]
    for end in ends:
        with pytest.raises(ReportRefusedError, match=r"truncated|damaged|no valid"):
            read_report(kept[:end], file="x")


def test_pixel_data_cut_off_do_not_matter() -> None:
    whole = saved_as(image(), XA)
    assert read_report(whole[:-700], file="x") == read_report(whole, file="x")


def test_compressed_pixel_data() -> None:
    data = image()
    del data.PixelData
    whole = saved_as(data, XA).replace(b"1.2.840.10008.1.2.1\0", b"1.2.840.10008.1.2.4\0")
    fragments = struct.pack("<HH2sHI", 0x7FE0, 0x0010, b"OB", 0, 0xFFFFFFFF)
    fragments += struct.pack("<HHI", 0xFFFE, 0xE000, 0) + struct.pack("<HHI", 0xFFFE, 0xE000, 8) + b"jpegjpeg"
    found = read_report(whole + fragments, file="x")
    assert found.events[0].kvp == 81.3
    assert b"jpeg" not in kept_bytes(whole + fragments)


def test_other_images_are_refused_by_name_without_their_pixels(tmp_path: Path) -> None:
    data = image(SOPClassUID="1.2.840.10008.5.1.4.1.1.2")
    kept = kept_bytes(saved_as(data, "1.2.840.10008.5.1.4.1.1.2"))
    with pytest.raises(ReportRefusedError, match="CT Image Storage"):
        read_report(kept, file="x")


def test_deflated_header_keeps_hardly_any_pixels() -> None:
    """A match of deflate is at most 258 bytes long (RFC 1951 section 3.2.5)."""
    import zlib

    whole = saved_as(enhanced_image(), ENHANCED_XA, "deflated")
    kept = kept_bytes(whole)
    start = kept.index(b"1.2.840.10008.1.2.1.99")
    inflated = b""
    for begin in range(start, start + 200):  # behind the meta information, wherever it ends
        try:
            inflated = zlib.decompressobj(-15).decompress(kept[begin:])
        except zlib.error:
            continue
        if inflated.startswith(b"\x08\0\x05\0CS"):
            break
    pixels = inflated.index(b"\xe0\x7f\x10\0OW") + 12
    assert 0 <= len(inflated) - pixels <= 258
