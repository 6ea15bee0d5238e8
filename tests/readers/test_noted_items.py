"""What was read is neither refused by its template check nor when all of it is shown.

The byte patterns are ones that damaged reports were found with; the reader takes them, PS3.5 section 7.5.
"""

from __future__ import annotations

import struct
from dataclasses import replace

import pytest
from pydicom.sequence import Sequence
from rdsr_files import SYNTAXES, EventPlan, accumulated, event, report, saved
from unknown_vr_files import as_file, passed_on

from dosetrack.errors import ReportRefusedError
from dosetrack.readers import check_template, read_content, read_report, read_report_after
from dosetrack.readers.encoding import EXPLICIT_BIG, EXPLICIT_LITTLE, opened
from dosetrack.records.content import ContentNode, OtherElement

OPEN = 0xFFFFFFFF
RELATIONSHIP = 0x0040A010
UNDEFLATED = [syntax for syntax in SYNTAXES if syntax != "deflated"]


def invented(*, undefined: bool = True, syntax: str = "explicit") -> bytes:
    totals = accumulated("single", {"113722": ("0.000246", "Gy.m2"), "113725": ("0.00912", "Gy")})
    data = report([totals, event(EventPlan(number=1)), event(EventPlan(number=2))])
    return saved(data, syntax, undefined=undefined)


def order_of(data: bytes) -> str:
    return opened(data).encoding.order


def word(data: bytes, tag: int, *, second: int) -> bytes:
    """Two words as `data` writes them: a tag, which stands in two halves, and a length."""
    order = order_of(data)
    return struct.pack(order + "HHI", tag >> 16, tag & 0xFFFF, second)


def of_the_event(data: bytes) -> int:
    """Where the item of the first irradiation event begins: the last before its name."""
    return data.rindex(word(data, 0xFFFEE000, second=OPEN), 0, start_of_name(data))


def start_of_name(data: bytes) -> int:
    """Where the name sequence of the first irradiation event (113706 DCM) begins."""
    order = order_of(data)
    return data.rindex(struct.pack(order + "HH", 0x0040, 0xA043), 0, data.index(b"113706"))


def assert_all_is_as_in(data: bytes, plain: bytes) -> None:
    assert data != plain
    read = read_report(data, file="x")
    assert replace(read, sha256="") == replace(read_report(plain, file="x"), sha256="")
    assert read_report_after(data, file="x", held=None).report == read
    assert check_template(data, file="x") == check_template(plain, file="x")
    assert read_content(data, file="x") == read_content(plain, file="x")


@pytest.mark.parametrize("syntax", UNDEFLATED)
def test_an_item_that_ends_at_its_delimiter_before_its_length(syntax: str) -> None:
    plain = invented(syntax=syntax)
    at = of_the_event(plain)
    behind = plain.rindex(b"113706")  # inside the event that follows
    data = plain[:at] + word(plain, 0xFFFEE000, second=behind - at) + plain[at + 8 :]
    assert_all_is_as_in(data, plain)


@pytest.mark.parametrize("syntax", UNDEFLATED)
def test_a_delimiter_with_a_length(syntax: str) -> None:
    plain = invented(syntax=syntax)
    delimiter = word(plain, 0xFFFEE00D, second=0)
    at = plain.rindex(delimiter, 0, of_the_event(plain))
    data = plain[:at] + word(plain, 0xFFFEE00D, second=1 << 24) + plain[at + 8 :]
    assert_all_is_as_in(data, plain)


def all_nodes(node: ContentNode) -> list[ContentNode]:
    return [node, *(below for child in node.children for below in all_nodes(child))]


def with_element(data: bytes, element: bytes) -> bytes:
    """The report `data`, explicit little endian, with `element` before the event's name."""
    at = start_of_name(data)
    return data[:at] + element + data[at:]


def told_as(tag: int, vr: bytes, value: bytes) -> bytes:
    return struct.pack("<HH2sH", tag >> 16, tag & 0xFFFF, vr, len(value)) + value


def test_a_relationship_told_twice_is_shown_twice_and_the_last_is_checked() -> None:
    plain = invented()
    data = with_element(plain, told_as(RELATIONSHIP, b"CS", b"HAS OBS CONTEXT "))
    assert read_report(data, file="x").events == read_report(plain, file="x").events
    found = check_template(data, file="x")
    assert found is not None
    assert "sent as HAS OBS CONTEXT; the template has CONTAINS" in [one.note for one in found.wrong_kind]
    content = read_content(data, file="x")
    assert content is not None
    told = next(node for node in all_nodes(content) if node.code == "113706")
    assert (told.relationship, told.others) == (
        "HAS OBS CONTEXT", (OtherElement("(0040,A010)", "CONTAINS"),),
    )  # fmt: skip


def test_damage_that_reading_skips_is_shown_as_bytes() -> None:
    plain = invented()
    damaged = struct.pack("<HH2sHI", 0x0008, 0x1199, b"SQ", 0, 12) + b"\xfe\xff\0\xe0\x40\0\0\0" + b"abcd"
    data = with_element(plain, damaged)
    assert read_report(data, file="x").events == read_report(plain, file="x").events
    assert check_template(data, file="x") == check_template(plain, file="x")
    content = read_content(data, file="x")
    assert content is not None
    told = next(node for node in all_nodes(content) if node.code == "113706")
    assert (told.value, told.others) == (None, (OtherElement("(0008,1199)", "12 bytes"),))


def test_what_is_refused_is_refused_by_all() -> None:
    cut = saved(report([event(EventPlan())]), "deflated")[:-3]
    for look in (read_report, check_template, read_content):
        with pytest.raises(ReportRefusedError):
            look(cut, file="x")


@pytest.mark.parametrize(("order", "syntax"), [("<", EXPLICIT_LITTLE), (">", EXPLICIT_BIG)])
def test_a_binary_number_passed_on_as_unknown_is_little_endian(order: str, syntax: str) -> None:
    """PS3.5 section 6.2.2: what is passed on unknown is little endian whatever stands around it."""
    one = event(EventPlan(number=1))
    for child in one.ContentSequence:
        for measured in child.get("MeasuredValueSequence") or Sequence():
            if child.ConceptNameCodeSequence[0].CodeValue == "113733":
                measured.NumericValue = None
                measured.FloatingPointValue = 81.5
    body = passed_on(report([one]), {0x0040A161}, order=order)
    data = as_file(body, syntax)
    assert read_report(data, file="x").events[0].kvp == 81.5
    content = read_content(data, file="x")
    assert content is not None
    assert [node.value for node in all_nodes(content) if node.code == "113733"] == ["81.5"]
