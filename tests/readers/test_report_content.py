"""Everything a report says: the same items in the same order as pydicom walks them, in every syntax."""

from __future__ import annotations

import io
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pydicom
import pytest
from mutants import mutants
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from rdsr_files import (
    SYNTAXES,
    EventPlan,
    accumulated,
    code,
    coded,
    container,
    event,
    item,
    num,
    report,
    saved,
)
from second_choice_files import STEP, XA, image, saved_as, step
from unknown_vr_files import as_file, passed_on

from dosetrack.errors import ReportRefusedError
from dosetrack.readers import read_content
from dosetrack.readers.encoding import EXPLICIT_LITTLE
from dosetrack.records.content import ContentNode, OtherElement

Row = tuple[int, str | None, str | None, str, str, str, str | None, str | None, str | None]


def rows_of(node: ContentNode, depth: int = 0) -> Iterator[Row]:
    yield (
        depth, node.relationship, node.value_type, node.meaning or "", node.code or "", node.scheme or "",
        node.value, node.value_code, node.unit,
    )  # fmt: skip
    for child in node.children:
        yield from rows_of(child, depth + 1)


def rows_by_pydicom(data: Dataset, depth: int = 0) -> Iterator[Row]:
    name = data.ConceptNameCodeSequence[0] if "ConceptNameCodeSequence" in data else Dataset()
    value = coded_value = unit = None
    kind = data.get("ValueType")
    if kind == "CODE":
        entry = data.ConceptCodeSequence[0]
        value, coded_value = entry.CodeMeaning, entry.CodeValue
    elif kind == "NUM" and data.MeasuredValueSequence:
        measured = data.MeasuredValueSequence[0]
        number = measured.NumericValue
        value = str(number.original_string if hasattr(number, "original_string") else number)
        unit = measured.MeasurementUnitsCodeSequence[0].CodeValue
    elif kind in ("IMAGE", "COMPOSITE"):
        entry = data.ReferencedSOPSequence[0]
        value = f"{entry.ReferencedSOPClassUID} {entry.ReferencedSOPInstanceUID}"
    elif kind not in ("CONTAINER", "NUM"):
        of_kind = {"TEXT": "TextValue", "PNAME": "PersonName", "UIDREF": "UID", "DATETIME": "DateTime",
                   "DATE": "Date", "TIME": "Time"}  # fmt: skip
        value = str(data[of_kind[str(kind)]].value)
    yield (
        depth, data.get("RelationshipType"), kind, name.get("CodeMeaning", ""), name.get("CodeValue", ""),
        name.get("CodingSchemeDesignator", ""), value, coded_value, unit,
    )  # fmt: skip
    for child in data.get("ContentSequence", []):
        yield from rows_by_pydicom(child, depth + 1)


def everything() -> Dataset:
    """A report with every kind of value, private items at three levels, and an item without a name."""
    nameless = item("CONTAINS", "TEXT", ("1", "DCM", "x"), TextValue="nameless")
    del nameless.ConceptNameCodeSequence
    picture = item("CONTAINS", "IMAGE", ("121342", "DCM", "Dose Image"))
    reference = Dataset()
    reference.ReferencedSOPClassUID, reference.ReferencedSOPInstanceUID = XA, "1.2.3.4"
    picture.ReferencedSOPSequence = Sequence([reference])
    private = container(
        ("77", "99INVENTED", "Private box"),
        [
            num("78", "1.50", "mm", "Private number"),
            container(("79", "99INVENTED", "Inner box"), [coded("80", ("A", "99INVENTED", "Privé"))]),
        ],
    )
    private.ContentSequence.append(
        item("HAS PROPERTIES", "PNAME", ("113870", "DCM", "Person"), PersonName="Invented^Zoë")
    )
    absent = num("113738", "1", "Gy", "Dose (RP)")
    absent.MeasuredValueSequence = Sequence([])
    absent.NumericValueQualifierCodeSequence = Sequence([code("114006", "DCM", "Measurement failure")])
    day = item("CONTAINS", "DATE", ("X1", "99INVENTED", "A day"), Date="20240131")
    clock = item("CONTAINS", "TIME", ("X2", "99INVENTED", "A time"), Time="093005.5")
    plan = EventPlan(type="rotational", extra=[private, absent, picture])
    return report(
        [accumulated("single", {"113722": ("0.00123", "Gy.m2")}), event(plan), nameless, private, day, clock]
    )


def content(data: bytes) -> ContentNode:
    found = read_content(data, file="x")
    assert found is not None
    return found


@pytest.mark.parametrize("undefined", [False, True], ids=["defined", "undefined"])
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_every_item_in_its_place(syntax: str, undefined: bool) -> None:
    data = saved(everything(), syntax, undefined=undefined)
    ours = list(rows_of(content(data)))
    assert ours == list(rows_by_pydicom(pydicom.dcmread(io.BytesIO(data))))
    assert len(ours) > 60


def test_items_passed_on_by_a_system_that_did_not_know_them() -> None:
    plain = saved(everything())
    data = as_file(passed_on(everything(), {0x0040A730, 0x0040A043, 0x0040A300}), EXPLICIT_LITTLE)
    assert content(data) == content(plain)


@pytest.mark.dicom_tools
def test_items_are_as_many_as_dsrdump_prints(tmp_path: Path) -> None:
    data = report([accumulated("single", {"113722": ("0.00123", "Gy.m2")}), event(EventPlan())])
    path = tmp_path / "report.dcm"
    path.write_bytes(saved(data))
    done = subprocess.run(["dsrdump", "--print-all-codes", str(path)], capture_output=True, check=True)
    printed = re.findall(rb"^ *<", done.stdout, flags=re.MULTILINE)
    assert len(printed) == len(list(rows_of(content(path.read_bytes()))))


def node_called(node: ContentNode, wanted: str) -> ContentNode:
    found = [one for one in walked(node) if one.code == wanted]
    return found[0]


def walked(node: ContentNode) -> Iterator[ContentNode]:
    yield node
    for child in node.children:
        yield from walked(child)


def test_known_and_unknown_absent_and_private() -> None:
    one = num("113733", "80", "kV", "KVP")
    block = one.private_block(0x0041, "Invented", create=True)
    block.add_new(1, "LO", "spectrum 7")
    block.add_new(2, "OB", b"\0\1\2\3")
    one.ObservationUID = "1.2.3.9"
    root = content(saved(report([event(EventPlan(drop=("113738",))), one, everything().ContentSequence[5]])))
    assert root.code == "113701"
    assert root.is_known
    assert not node_called(root, "77").is_known
    told = next(child for child in root.children if child.code == "113733")
    assert told.others == (
        OtherElement("(0040,A171)", "1.2.3.9"),
        OtherElement("(0041,0010)", "Invented"),
        OtherElement("(0041,1001)", "spectrum 7"),
        OtherElement("(0041,1002)", "4 bytes"),
    )
    absent = node_called(content(saved(everything())), "113738")
    assert absent.value is not None  # the event's own, first in order
    failed = [n for n in walked(content(saved(everything()))) if n.qualifier]
    assert [(n.code, n.value, n.qualifier) for n in failed] == [("113738", None, "Measurement failure")]


def test_numbers_are_as_written_and_two_values_are_both_shown() -> None:
    both = num("113733", "80", "kV", "KVP")
    both.TextValue = "eighty"
    root = content(saved(report([event(EventPlan(kerma_gy="0.0045600")), both])))
    assert node_called(root, "113738").value == "0.0045600"
    told = next(child for child in root.children if child.code == "113733")
    assert (told.value, told.others) == ("80", (OtherElement("(0040,A160)", "eighty"),))


def test_what_has_no_content() -> None:
    assert read_content(saved_as(image(), XA), file="x") is None
    assert read_content(saved_as(step(), STEP), file="x") is None
    with pytest.raises(ReportRefusedError):
        read_content(saved(report([], ContentSequence=None)), file="x")


def test_damaged_reports_are_shown_or_refused() -> None:
    shown = refused = 0
    for _, data in mutants(seed=23, count=300):
        try:
            shown += len(list(rows_of(content(data)))) > 0
        except ReportRefusedError:
            refused += 1
    assert shown + refused == 300
    assert min(shown, refused) > 50
