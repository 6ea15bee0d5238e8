"""Written reports against tools of other makers: pydicom, DCMTK's dsrdump, dicom3tools' dciodvfy."""

from __future__ import annotations

import dataclasses
import io
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pydicom
import pytest
from pydicom.dataset import Dataset

from dosetrack.errors import InputError
from dosetrack.exchange.encoding import TransferSyntax
from dosetrack.exchange.rdsr import (
    COMPREHENSIVE_SR_CLASS,
    DOSE_REPORT_CLASS,
    ENHANCED_SR_CLASS,
    WriteOptions,
    write_report,
)
from dosetrack.records.report import DoseReport, DoseTotal, IrradiationEvent

SYNTAXES = list(TransferSyntax)

# Code -> (unit, factor from the house unit, attribute of the event), typed from DICOM PS3.16 2024c,
# TID 10003, 10003B, 10003C and CID 10008; 1 Gy.m2 = 10^4 Gy.cm2.
EVENT_NUMBERS = {
    "122130": ("Gy.m2", 1e-4, "dose_area_product_gycm2"),
    "113738": ("Gy", 1e-3, "reference_air_kerma_mgy"),
    "113791": ("{pulse}/s", 1, "pulse_rate_hz"),
    "113768": ("1", 1, "pulses"),
    "113793": ("ms", 1, "pulse_width_ms"),
    "113742": ("s", 1, "duration_s"),
    "113733": ("kV", 1, "kvp"),
    "113734": ("mA", 1, "tube_current_ma"),
    "113736": ("uA.s", 1, "exposure_uas"),
    "113790": ("m2", 1e-4, "field_area_cm2"),
    "113788": ("mm", 1, "field_height_mm"),
    "113789": ("mm", 1, "field_width_mm"),
    "112011": ("deg", 1, "primary_angle_deg"),
    "112012": ("deg", 1, "secondary_angle_deg"),
    "113739": ("deg", 1, "primary_end_angle_deg"),
    "113740": ("deg", 1, "secondary_end_angle_deg"),
    "113748": ("mm", 1, "source_to_isocenter_mm"),
    "113737": ("mm", 1, "source_to_reference_point_mm"),
    "113750": ("mm", 1, "source_to_detector_mm"),
    "113751": ("mm", 1, "table_longitudinal_mm"),
    "113752": ("mm", 1, "table_lateral_mm"),
    "113753": ("mm", 1, "table_height_mm"),
    "113759": ("mm", 1, "table_longitudinal_end_mm"),
    "113760": ("mm", 1, "table_lateral_end_mm"),
    "113761": ("mm", 1, "table_height_end_mm"),
    "113770": ("deg", 1, "column_angulation_deg"),
    "113754": ("deg", 1, "table_head_tilt_deg"),
    "113755": ("deg", 1, "table_rotation_deg"),
    "113756": ("deg", 1, "table_cradle_tilt_deg"),
    "113792": ("mm", 1, "source_to_table_mm"),
    "128766": ("mm", 1, "table_x_to_isocenter_mm"),
    "128767": ("mm", 1, "table_y_to_isocenter_mm"),
    "128768": ("mm", 1, "table_z_to_isocenter_mm"),
}
# the same for the totals of one plane, TID 10004
TOTAL_NUMBERS = {
    "113722": ("Gy.m2", 1e-4, "dose_area_product_gycm2"),
    "113725": ("Gy", 1e-3, "reference_air_kerma_mgy"),
    "113726": ("Gy.m2", 1e-4, "fluoroscopy_dose_area_product_gycm2"),
    "113728": ("Gy", 1e-3, "fluoroscopy_reference_air_kerma_mgy"),
    "113730": ("s", 1, "fluoroscopy_time_s"),
    "113727": ("Gy.m2", 1e-4, "acquisition_dose_area_product_gycm2"),
    "113729": ("Gy", 1e-3, "acquisition_reference_air_kerma_mgy"),
    "113855": ("s", 1, "acquisition_time_s"),
}
_DSRDUMP_NUMBER = re.compile(
    r'<contains NUM:\((\d+),DCM,"[^"]*"\)="([^"]+)" \(([^,]+),UCUM,"[^"]*"\)>'  # name, number, unit
)
_DSRDUMP_CONTAINER = re.compile(r"<contains CONTAINER:\((\d+),")


def expected_numbers(record: IrradiationEvent | DoseTotal, table: dict) -> dict[str, tuple[str, float]]:
    return {
        code: (unit, getattr(record, name) * factor)
        for code, (unit, factor, name) in table.items()
        if getattr(record, name) is not None
    }


def blocks_of_dump(text: str) -> Iterator[tuple[str, dict[str, tuple[str, float]]]]:
    """(code, its numbers by code) of each container dsrdump prints, filters apart."""
    code, numbers = "", {}
    for line in text.splitlines():
        container = _DSRDUMP_CONTAINER.search(line)
        if container and container[1] in ("113702", "113706"):
            if code:
                yield code, numbers
            code, numbers = container[1], {}
        number = _DSRDUMP_NUMBER.search(line)
        if number:
            numbers[number[1]] = (number[3], float(number[2]))
    yield code, numbers


def numbers_of(item: Dataset) -> dict[str, tuple[str, float]]:
    found = {}
    for child in item.ContentSequence:
        if child.ValueType == "NUM":
            measured = child.MeasuredValueSequence[0]
            unit = measured.MeasurementUnitsCodeSequence[0].CodeValue
            found[child.ConceptNameCodeSequence[0].CodeValue] = (unit, float(measured.NumericValue))
    return found


def children(item: Dataset, code: str) -> list[Dataset]:
    return [c for c in item.ContentSequence if c.ConceptNameCodeSequence[0].CodeValue == code]


def read(content: bytes) -> Dataset:
    return pydicom.dcmread(io.BytesIO(content))


def run_tool(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, capture_output=True, text=True, check=False)


def assert_same(found: dict[str, tuple[str, float]], expected: dict[str, tuple[str, float]]) -> None:
    assert found.keys() == expected.keys()
    for code, (unit, value) in expected.items():
        # a decimal string holds at least 9 digits
        assert found[code] == (unit, pytest.approx(value, rel=1e-9)), code


@pytest.mark.parametrize("syntax", SYNTAXES, ids=lambda syntax: syntax.name)
@pytest.mark.parametrize("has_defined_lengths", [True, False], ids=["lengths", "delimiters"])
def test_pydicom_reads_every_number_in_every_syntax(
    report: DoseReport, syntax: TransferSyntax, has_defined_lengths: bool
) -> None:
    options = WriteOptions(syntax=syntax, has_defined_lengths=has_defined_lengths)
    data_set = read(write_report(report, options))
    assert data_set.file_meta.TransferSyntaxUID == syntax.uid
    events = children(data_set, "113706")
    assert len(events) == len(report.events)
    for item, event in zip(events, report.events, strict=True):
        assert_same(numbers_of(item), expected_numbers(event, EVENT_NUMBERS))
    totals = children(data_set, "113702")
    for item, total in zip(totals, report.totals, strict=True):
        assert_same(numbers_of(item), expected_numbers(total, TOTAL_NUMBERS))


@pytest.mark.dicom_tools
@pytest.mark.parametrize("syntax", SYNTAXES, ids=lambda syntax: syntax.name)
def test_dsrdump_prints_every_number(report: DoseReport, syntax: TransferSyntax, tmp_path: Path) -> None:
    path = tmp_path / "report.dcm"
    path.write_bytes(write_report(report, WriteOptions(syntax=syntax)))
    dumped = run_tool("dsrdump", "+Pc", "+Pl", str(path))
    assert dumped.returncode == 0, dumped.stderr
    blocks = list(blocks_of_dump(dumped.stdout))
    records = [*report.totals, *report.events]
    for (code, numbers), record in zip(blocks, records, strict=True):
        thickness = {each: numbers.pop(each) for each in ("113758", "113773") if each in numbers}
        table = TOTAL_NUMBERS if code == "113702" else EVENT_NUMBERS
        assert_same(numbers, expected_numbers(record, table))
        if code == "113706":  # the last filter of the event: a wedge of 1 to 1.5 mm
            assert thickness == {"113758": ("mm", 1.0), "113773": ("mm", 1.5)}


@pytest.mark.dicom_tools
@pytest.mark.parametrize("has_defined_lengths", [True, False], ids=["lengths", "delimiters"])
@pytest.mark.parametrize("syntax", SYNTAXES, ids=lambda syntax: syntax.name)
@pytest.mark.parametrize("sop_class", [DOSE_REPORT_CLASS, ENHANCED_SR_CLASS, COMPREHENSIVE_SR_CLASS])
def test_dciodvfy_finds_no_error(
    report: DoseReport, syntax: TransferSyntax, sop_class: str, has_defined_lengths: bool, tmp_path: Path
) -> None:
    path = tmp_path / "report.dcm"
    options = WriteOptions(
        syntax=syntax,
        sop_class_uid=sop_class,
        has_defined_lengths=has_defined_lengths,
        target_region="abdomen",
    )
    path.write_bytes(write_report(report, options))
    if syntax is TransferSyntax.DEFLATED:  # dciodvfy does not inflate: let DCMTK do it first
        inflated = tmp_path / "inflated.dcm"
        assert run_tool("dcmconv", "+te", str(path), str(inflated)).returncode == 0
        path = inflated
    checked = run_tool("dciodvfy", str(path))
    messages = (checked.stdout + checked.stderr).splitlines()
    assert [line for line in messages if "Error" in line] == []


def test_header_says_who_what_and_when(report: DoseReport) -> None:
    data_set = read(write_report(report))
    assert data_set.SOPClassUID == data_set.file_meta.MediaStorageSOPClassUID == DOSE_REPORT_CLASS
    assert data_set.PatientName == "Łąkowska-Demo^Zoë"
    assert (data_set.PatientID, data_set.IssuerOfPatientID) == ("DEMO-1", "INVENTED")
    assert (data_set.PatientBirthDate, data_set.PatientSex) == ("19500203", "F")
    assert (data_set.PatientWeight, data_set.PatientSize) == (71.5, 1.63)  # kg, m
    assert (data_set.StudyDate, data_set.StudyTime) == ("20250301", "090000")
    assert (data_set.ContentDate, data_set.ContentTime) == ("20250301", "102000")
    assert data_set.TimezoneOffsetFromUTC == "+0100"
    assert data_set.StudyDescription == "Demo procedure"
    assert data_set.PerformedProcedureCodeSequence[0].CodeValue == "DEMO-P"
    assert [str(name) for name in data_set.PerformingPhysicianName] == ["Quill-Demo^Amber", "Reed-Demo^Noor"]
    assert data_set.StationName == "Room 1"
    assert data_set.ContentTemplateSequence[0].TemplateIdentifier == "10001"


def test_operators_stand_in_the_tree_as_authorizing(report: DoseReport) -> None:
    people = children(read(write_report(report)), "113870")
    assert [str(person.PersonName) for person in people] == list(report.operators)
    roles = {person.ContentSequence[0].ConceptCodeSequence[0].CodeValue for person in people}
    assert roles == {"113850"}  # Irradiation Authorizing


def test_reference_point_is_coded(report: DoseReport) -> None:
    event = children(read(write_report(report)), "113706")[0]
    assert children(event, "113780")[0].ConceptCodeSequence[0].CodeValue == "113860"


def test_reference_point_without_a_code_is_written_in_words(report: DoseReport) -> None:
    event = dataclasses.replace(report.events[0], reference_point="tip of the cone")
    item = children(read(write_report(dataclasses.replace(report, events=(event,)))), "113706")[0]
    assert children(item, "113780")[0].TextValue == "tip of the cone"


def test_legacy_codes_replace_snomed_ct(report: DoseReport) -> None:
    event = children(read(write_report(report, WriteOptions(has_legacy_codes=True))), "113706")[0]
    kind = children(event, "113721")[0].ConceptCodeSequence[0]
    assert (kind.CodeValue, kind.CodingSchemeDesignator) == ("P5-06000", "SRT")
    material = children(children(event, "113771")[0], "113757")[0].ConceptCodeSequence[0]
    assert (material.CodeValue, material.CodingSchemeDesignator) == ("C-127F9", "SRT")


def test_part_way_report_says_so(report: DoseReport) -> None:
    data_set = read(
        write_report(report, WriteOptions(scope="procedure step to this point", completion="PARTIAL"))
    )
    assert data_set.CompletionFlag == "PARTIAL"
    assert children(data_set, "113705")[0].ConceptCodeSequence[0].CodeValue == "113970"


def test_another_unit_keeps_the_dose(report: DoseReport) -> None:
    data_set = read(write_report(report, WriteOptions(units={"dose_area_product": "dGy.cm2"})))
    unit, value = numbers_of(children(data_set, "113706")[0])["122130"]
    assert (unit, value) == ("dGy.cm2", 12.5)  # 1.25 Gy.cm2


def test_equal_input_gives_equal_bytes(report: DoseReport) -> None:
    assert write_report(report) == write_report(dataclasses.replace(report))


def test_only_stated_totals_are_written(report: DoseReport) -> None:
    summed = DoseTotal(plane="single", basis="summed", dose_area_product_gycm2=1.0)
    written = write_report(dataclasses.replace(report, totals=(summed,)))
    assert children(read(written), "113702") == []


@pytest.mark.parametrize(
    "change",
    [
        {"uid": None},
        {"uid": "abc"},
        {"plane": None},
        {"started_at": None},
        {"started_at": "yesterday"},
        {"dose_area_product_gycm2": float("nan")},
        {"type": "spin"},
        {"patient_position": "sideways"},
    ],
    ids=lambda change: "-".join(map(str, *change.items())),
)
def test_event_that_cannot_be_said_is_refused(report: DoseReport, change: dict) -> None:
    broken = dataclasses.replace(report.events[0], **change)
    with pytest.raises(InputError, match="accepted"):
        write_report(dataclasses.replace(report, events=(broken,)))


def test_total_without_plane_is_refused(report: DoseReport) -> None:
    total = DoseTotal(plane=None, basis="stated", dose_area_product_gycm2=1.0)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="plane of a stated total"):
        write_report(dataclasses.replace(report, totals=(total,)))


def test_name_outside_the_character_set_is_refused(report: DoseReport) -> None:
    with pytest.raises(InputError, match="ISO_IR 100"):
        write_report(report, WriteOptions(character_set="ISO_IR 100"))
