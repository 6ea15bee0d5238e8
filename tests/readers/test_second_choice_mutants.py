"""Damaged images, steps and newer reports are read or refused with a sentence; nothing crashes or hangs."""

from __future__ import annotations

import io
import random
import struct
import time

import pytest
import test_newer_reports
from rdsr_files import SYNTAXES, saved
from second_choice_files import ENHANCED_XA, STEP, XA, enhanced_image, image, saved_as, step

from dosetrack.errors import ReportRefusedError
from dosetrack.readers import check_template, read_content, read_report
from dosetrack.readers.head import kept_bytes
from dosetrack.records.report import DoseReport
from dosetrack.services.heads import head_of

BASES = {
    "image": [saved_as(image(), XA, syntax) for syntax in SYNTAXES],
    "enhanced image": [saved_as(enhanced_image(), ENHANCED_XA, s, undefined=True) for s in SYNTAXES],
    "step": [saved_as(step(), STEP, syntax, undefined=True) for syntax in SYNTAXES],
    "bare step": [saved_as(step(), STEP, s, meta=False) for s in ("explicit", "implicit", "big-endian")],
    "enhanced report": [saved(test_newer_reports.whole(), syntax) for syntax in SYNTAXES],
    "patient report": [saved(test_newer_reports.patient(), syntax) for syntax in SYNTAXES],
}
LENGTHS = (0, 1, 0xFFFFFFFF, 0xFFFFFFF0, 1 << 30)


def mutants(bases: list[bytes], count: int) -> list[bytes]:
    chance = random.Random(23)
    made = []
    for _ in range(count):
        data = bytearray(chance.choice(bases))
        data = data[: max(len(data) - chance.choice([0, 0, 0, chance.randrange(len(data))]), 1)]
        for _ in range(chance.choice([1, 1, 2, 4])):
            position = chance.randrange(len(data))
            change = chance.randrange(6)
            if change <= 2:
                data[position] = chance.randrange(256)
            elif change == 3:
                del data[position : position + chance.randrange(1, 40)]
                data = data or bytearray(b"\0")
            elif change == 4:
                data[position : position + 4] = struct.pack("<I", chance.choice(LENGTHS))
            else:
                data[position:position] = data[position : position + chance.randrange(1, 60)]
        made.append(bytes(data))
    return made


@pytest.mark.parametrize("kind", BASES)
def test_mutants_are_read_or_refused(kind: str) -> None:
    started = time.monotonic()
    read = refused = 0
    for data in mutants(BASES[kind], 400):
        assert head_of(io.BytesIO(data), file="mutant") == kept_bytes(data)
        try:
            found = read_report(data, file="mutant")
        except ReportRefusedError as error:
            assert error.reason  # noqa: PT017
            assert "\n" not in error.reason  # noqa: PT017
            refused += 1
        else:
            assert isinstance(found, DoseReport)
            assert check_template(data, file="mutant") is None
            assert (read_content(data, file="mutant") is not None) == found.source.endswith("rdsr")
            products = [event.dose_area_product_gycm2 for event in found.events]
            assert all(product is None or product >= 0.0 for product in products)
            read += 1
    assert min(read, refused) > 20  # both ways out are met
    assert time.monotonic() - started < 60  # a guard against a hang, not a measurement


def test_deflated_bomb_is_bounded() -> None:
    import zlib

    whole = saved_as(image(), XA, "deflated")
    plain = saved_as(image(PixelData=None), XA, meta=False)
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    private = struct.pack("<HH2sHI", 0x0029, 0x1010, b"OB", 0, 600 << 20)
    head = _meta_of(whole)
    bomb = head + packer.compress(plain[:200])
    bomb += packer.compress(private)
    for _ in range(600):
        bomb += packer.compress(bytes(1 << 20))
    bomb += packer.flush()
    assert len(bomb) < 1 << 20
    with pytest.raises(ReportRefusedError):
        read_report(bomb, file="x")


def _meta_of(whole: bytes) -> bytes:
    """The preamble and meta information of a file: their length stands in (0002,0000)."""
    (length,) = struct.unpack_from("<I", whole, 140)
    return whole[: 144 + length]


def test_many_frames_take_little_time() -> None:
    data = enhanced_image()
    frames = list(data.PerFrameFunctionalGroupsSequence)
    data.PerFrameFunctionalGroupsSequence = frames * 300
    data.NumberOfFrames = 900
    whole = saved_as(data, ENHANCED_XA, undefined=True)
    started = time.monotonic()
    assert read_report(whole, file="x").events[0].kvp == pytest.approx(84.0)
    assert time.monotonic() - started < 20  # a guard, not a measurement
