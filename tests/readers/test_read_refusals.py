"""What cannot be read whole is refused with one clear sentence; nothing crashes, hangs or misreads."""

from __future__ import annotations

import random
import struct
import time

import pytest
from pydicom.sequence import Sequence
from rdsr_files import SYNTAXES, EventPlan, accumulated, code, coded, container, event, report, saved

from dosetrack.errors import ReportRefusedError
from dosetrack.readers import read_report
from dosetrack.readers.elements import Walker
from dosetrack.readers.encoding import UNDEFINED, opened
from dosetrack.records.report import DoseReport

WHOLE = saved(
    report(
        [
            accumulated("single", {"113722": ("0.1", "Gy.m2")}),
            event(EventPlan(number=1)),
            event(EventPlan(number=2, type="rotational")),
        ]
    )
)


def refusal(data: bytes) -> str:
    with pytest.raises(ReportRefusedError) as caught:
        read_report(data, file="invented.dcm")
    assert caught.value.file == "invented.dcm"
    assert "\n" not in caught.value.reason
    return caught.value.reason


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "the file is empty"),
        (b"hello, this is no image of any kind\n" * 20, "not a DICOM file"),
        (b"%PDF-1.7" + bytes(500), "not a DICOM file"),
        (b"\0" * 4000, "not a DICOM file"),
        (bytes(128) + b"DICM", "truncated"),
        (WHOLE[:200], "truncated"),
    ],
    ids=["empty", "text", "pdf", "zeros", "preamble only", "in the meta header"],
)
def test_not_a_whole_dicom_file(data: bytes, reason: str) -> None:
    assert reason in refusal(data)


def test_another_object_is_named() -> None:
    data = report([event(EventPlan())], SOPClassUID="1.2.840.10008.5.1.4.1.1.2", ContentSequence=None)
    del data.ConceptNameCodeSequence
    assert "CT Image Storage" in refusal(saved(data))
    data.SOPClassUID = "1.2.840.10008.5.1.4.1.1.11.1"
    assert "Grayscale Softcopy Presentation State" in refusal(saved(data))


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (("113500", "DCM", "x"), "radiopharmaceutical"),
        (("11528-7", "LN", "Radiology Report"), "Radiology Report"),
    ],
)
def test_another_report_is_named(name: tuple[str, str, str], words: str) -> None:
    data = report([event(EventPlan())], ConceptNameCodeSequence=Sequence([code(*name)]))
    assert words in refusal(saved(data))


def test_dose_report_of_computed_tomography_is_named() -> None:
    by_container = report([container(("113819", "DCM", "CT Acquisition"), [])])
    by_procedure = report([event(EventPlan())])
    by_procedure.ContentSequence[0] = coded("121058", ("P5-08000", "SRT", "CT"))
    for data in (by_container, by_procedure):
        assert "computed tomography" in refusal(saved(data))


def test_report_without_content() -> None:
    assert "no content" in refusal(saved(report([])))
    assert "no content" in refusal(saved(report([], ContentSequence=None)))
    assert "no content" in refusal(saved(report([], ContentSequence=Sequence([]))))


@pytest.mark.parametrize("undefined", [False, True], ids=["defined", "undefined"])
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_truncation_anywhere_is_refused(syntax: str, undefined: bool) -> None:
    data = report([accumulated("single", {"113722": ("0.1", "Gy.m2")}), event(EventPlan())])
    whole = saved(data, syntax, undefined=undefined)
    chance = random.Random(7)
    for _ in range(60):
        # a clear sentence each time: a cut file is never read in part
        assert refusal(whole[: chance.randrange(len(whole) - 8)])


def mutants(count: int) -> list[bytes]:
    chance = random.Random(11)
    bases = [WHOLE, *(saved(report([event(EventPlan())]), s, undefined=True) for s in SYNTAXES)]
    made = []
    for _ in range(count):
        data = bytearray(chance.choice(bases))
        for _ in range(chance.choice([1, 1, 1, 2, 4])):
            position = chance.randrange(len(data))
            change = chance.choice([0, 0, 0, 1, 2, 3])
            if change == 0:
                data[position] = chance.randrange(256)
            elif change == 1:
                del data[position : position + chance.randrange(1, 40)]
            elif change == 2:
                data[position : position + 4] = struct.pack("<I", chance.choice([0, 1, 0xFFFFFFFF, 1 << 30]))
            else:
                data[position:position] = data[position : position + chance.randrange(1, 60)]
        made.append(bytes(data))
    return made


def test_mutants_are_read_or_refused() -> None:
    read, refused = 0, 0
    for data in mutants(2000):
        try:
            read += isinstance(read_report(data, file="mutant"), DoseReport)
        except ReportRefusedError as error:
            refused += bool(error.reason)
    assert read + refused == 2000
    assert min(read, refused) > 100  # both ways out are met


def test_lying_lengths_and_depth_do_no_harm() -> None:
    started = time.monotonic()
    head = saved(report([], ContentSequence=None))
    content = struct.pack("<HH2sHI", 0x0040, 0xA730, b"SQ", 0, 0xFFFFFFFF)
    item = struct.pack("<HHI", 0xFFFE, 0xE000, 0xFFFFFFFF)
    deep = head + (content + item) * 100_000
    assert "nested deeper" in refusal(deep)
    other = struct.pack("<HH2sHI", 0x0040, 0xA731, b"SQ", 0, 0xFFFFFFFF)
    assert "truncated" in refusal(head + content + item + (other + item) * 100_000)
    giant = struct.pack("<HH2sHI", 0x0040, 0xA730, b"SQ", 0, 0xFFFFFFF0)
    assert "claims 4294967280 bytes" in refusal(head + giant + bytes(100))
    empty_items = struct.pack("<HHI", 0xFFFE, 0xE000, 0) * 1_000_000
    whole = head + content + empty_items + struct.pack("<HHI", 0xFFFE, 0xE0DD, 0)
    assert "no content" in refusal(whole)
    assert time.monotonic() - started < 60  # a guard against quadratic work, not a measurement


@pytest.mark.parametrize("syntax", ["explicit", "implicit", "big-endian"])
@pytest.mark.parametrize(
    ("tag", "where"),
    [
        (0x0040A30A, "number"),
        (0x0040A043, "name"),
        (0x004008EA, "unit"),
        (0x00080100, "code"),
        (0x0040A124, "event UID"),
        (0x0040A730, "content"),
        (0x00100020, "patient"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_is_told_twice_in_one_place_is_refused(tag: int, where: str, syntax: str) -> None:
    """PS3.5 section 7.1: an element stands at most once in a data set; which of two holds cannot be known."""
    data = saved(report([event(EventPlan())]), syntax, undefined=True)
    source = opened(data)
    walker = Walker(source.data, source.encoding)
    key = struct.pack(source.encoding.order + "I", source.encoding.key(tag))
    at = data.rindex(key)
    _, value, length = walker.header(at, len(data))
    end = walker.end_of(value, length, len(data))
    # the copy says something else where bytes decide; a sequence told twice is told twice even if alike
    copy = data[at:end] if length == UNDEFINED else data[at:value] + b"9" + data[value + 1 : end]
    reason = refusal(data[:end] + copy + data[end:])
    assert "stands twice" in reason
    assert f"({tag >> 16:04X},{tag & 0xFFFF:04X})" in reason
