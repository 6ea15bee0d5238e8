"""Elements passed on as UN mean what the dictionary says (PS3.5 section 6.2.2)."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from rdsr_files import SYNTAXES, EventPlan, accumulated, code, container, event, num, report, saved
from second_choice_files import STEP, enhanced_image, saved_as, step
from test_read_report import TOTALS, assert_same_numbers_as_pydicom
from unknown_vr_files import as_file, passed_on

from dosetrack.readers import check_template, read_report, read_report_after
from dosetrack.readers.encoding import EXPLICIT_BIG, EXPLICIT_LITTLE

CONTENT, NAME, MEASURED, VALUE, UNITS = 0x0040A730, 0x0040A043, 0x0040A300, 0x0040A168, 0x004008EA
TAGS = {
    "content": {CONTENT},
    "names": {NAME},
    "numbers": {MEASURED},
    "number and unit": {0x0040A30A, UNITS},
    "coded values": {VALUE},
    "text": {0x0040A160, 0x0040A120, 0x0040A124, 0x0040A040, 0x0040A010, 0x00080100, 0x00080104},
    "header text": {0x00100010, 0x00100020, 0x00101030, 0x00080018, 0x0020000D, 0x00080005},
    "header sequences": {0x0040A370, 0x0040A372},
    "all of it": {CONTENT, NAME, MEASURED, VALUE, UNITS, 0x00100010, 0x0040A370, 0x0040A372},
}
ORDERS = {"little": ("<", EXPLICIT_LITTLE), "big": (">", EXPLICIT_BIG)}


def invented() -> Dataset:
    request = Dataset()
    request.AccessionNumber = "ACC-9"
    request.RequestedProcedureDescription = "Requested"
    request.RequestedProcedureCodeSequence = Sequence([code("R1", "99LOCAL", "Requested code")])
    performed = Sequence([code("P1", "99LOCAL", "Performed code")])
    return report(
        [accumulated("a", TOTALS), *(event(EventPlan(number=n, plane="a")) for n in (1, 2))],
        AccessionNumber=None,
        StudyDescription=None,
        ReferencedRequestSequence=Sequence([request]),
        PerformedProcedureCodeSequence=performed,
    )


@pytest.mark.parametrize("undefined", [False, True], ids=["defined", "undefined"])
@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("what", TAGS)
def test_what_a_system_did_not_know_is_read_all_the_same(what: str, order: str, undefined: bool) -> None:
    sign, syntax = ORDERS[order]
    plain = read_report(saved(invented()), file="x")
    assert (plain.report.accession_number, plain.procedure.code) == ("ACC-9", "P1")
    data = as_file(passed_on(invented(), TAGS[what], order=sign, undefined=undefined), syntax)
    assert data != saved(invented())
    read = read_report(data, file="x")
    # the media UIDs of the file meta information are left out by both
    assert replace(read, sha256=plain.sha256) == plain
    assert read_report_after(data, file="x", held=None).report == read
    assert check_template(data, file="x") == check_template(saved(invented()), file="x")
    if order == "little":
        assert_same_numbers_as_pydicom(data, read)


@pytest.mark.dicom_tools
@pytest.mark.parametrize("what", TAGS)
def test_converted_by_dcmtk_it_says_the_same(tmp_path: Path, what: str) -> None:
    path, known = tmp_path / "unknown.dcm", tmp_path / "known.dcm"
    path.write_bytes(as_file(passed_on(invented(), TAGS[what]), EXPLICIT_LITTLE))
    subprocess.run(["dcmconv", "--convert-un", str(path), str(known)], check=True)
    ours, theirs = read_report(path.read_bytes(), file="x"), read_report(known.read_bytes(), file="x")
    assert replace(ours, sha256=theirs.sha256) == theirs


def test_only_the_representation_s_name_changed() -> None:
    """A sequence called UN whose items are explicit, as some systems leave them."""
    plain = saved(invented())
    tag = b"\x40\0\x30\xa7"  # (0040,A730) in little endian
    renamed = plain.replace(tag + b"SQ", tag + b"UN").replace(b"\x40\0\x43\xa0SQ", b"\x40\0\x43\xa0UN")
    assert renamed != plain
    read = read_report(renamed, file="x")
    assert replace(read, sha256="") == replace(read_report(plain, file="x"), sha256="")
    assert_same_numbers_as_pydicom(renamed, read)


def test_unknown_private_sequences_are_skipped() -> None:
    one = event(EventPlan())
    block = one.private_block(0x0041, "Invented", create=True)
    inner = Dataset()
    inner.add_new(0x0040A730, "SQ", [container(("113706", "DCM", "x"), [num("122130", "9", "Gy.m2")])])
    block.add_new(1, "SQ", Sequence([inner]))
    data = report([one])
    for undefined in (False, True):
        body = passed_on(data, {block.get_tag(1)}, undefined=undefined)
        read = read_report(as_file(body, EXPLICIT_LITTLE), file="x")
        assert len(read.events) == 1
        assert read.events[0].dose_area_product_gycm2 == 1.23


@pytest.mark.parametrize("order", ORDERS)
def test_images_and_steps_too(order: str) -> None:
    sign, syntax = ORDERS[order]
    image = enhanced_image()
    unknown = {0x52009229, 0x52009230, 0x00189332, 0x00189073}  # groups of frames; FD numbers
    data = as_file(passed_on(image, unknown, order=sign), syntax)
    plain = read_report(saved_as(enhanced_image(), image.SOPClassUID), file="x")
    assert read_report(data, file="x").events == plain.events
    one = step(SOPClassUID=STEP)
    unknown = {0x00400300, 0x0040030E, 0x00400270, 0x00400340}  # a US number; exposures, schedule, series
    data = as_file(passed_on(one, unknown, order=sign), syntax)
    plain = read_report(saved_as(step(SOPClassUID=STEP), STEP), file="x")
    read = read_report(data, file="x")
    assert (read.totals, read.operators, read.report.accession_number) == (
        plain.totals, plain.operators, plain.report.accession_number,
    )  # fmt: skip
    assert [replace(e, uid=None) for e in read.events] == [replace(e, uid=None) for e in plain.events]


def test_depth_of_unknown_sequences_costs_nothing() -> None:
    deep = b"\x09\0\x01\x10UN\0\0\xff\xff\xff\xff\xfe\xff\0\xe0\xff\xff\xff\xff" * 5000
    closed = b"\xfe\xff\x0d\xe0\0\0\0\0\xfe\xff\xdd\xe0\0\0\0\0" * 5000
    body = passed_on(report([event(EventPlan())]), set())
    at = body.index(b"\x10\0\x10\0PN")
    data = as_file(body[:at] + deep + closed + body[at:], EXPLICIT_LITTLE)
    assert len(read_report(data, file="x").events) == 1


def test_every_syntax_has_an_order() -> None:
    assert {syntax for _, syntax in ORDERS.values()} <= set(map(str, SYNTAXES.values()))
