"""One image is one acquisition; its header says what pydicom and DCMTK say it says."""

from __future__ import annotations

import io
import json
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pydicom
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset
from rdsr_files import SYNTAXES
from second_choice_files import ENHANCED_XA, ROOT, XA, XRF, enhanced_image, image, saved_as

from dosetrack.errors import ReportRefusedError
from dosetrack.readers import read_report
from dosetrack.records.report import DoseReport, Filter, IrradiationEvent


def read(data: Dataset, **how: Any) -> DoseReport:
    return read_report(saved_as(data, data.SOPClassUID, **how), file="invented.dcm")


def event_of(**values: Any) -> IrradiationEvent:
    return read(image(**values)).events[0]


def codes_of(report: DoseReport) -> set[str]:
    return {found.code for found in report.findings}


def test_every_fact_of_the_header() -> None:
    """Expected values worked out by hand from the numbers of the builder."""
    report = read(image())
    (event,) = report.events
    assert report.source == "xa-header"
    assert event.uid == f"{ROOT}.9"
    assert (event.plane, event.type, event.protocol) == ("single", "stationary", "DSA liver")
    assert event.started_at == "2024-01-31T09:30:05.25"
    assert event.dose_area_product_gycm2 == 12.345  # 123.45 dGy.cm2
    assert event.reference_air_kerma_mgy is None
    assert (event.kvp, event.tube_current_ma, event.exposure_uas) == (81.3, 412.0, 83000.0)
    assert event.pulse_width_ms == 6.7
    assert event.frames == 30
    assert event.duration_s == pytest.approx(3.9999, rel=1e-12)  # 30 x 133.33 ms
    assert event.pulse_rate_hz == pytest.approx(7.50018751, rel=1e-8)
    assert (event.primary_angle_deg, event.secondary_angle_deg) == (-30.5, 12.0)
    assert event.primary_end_angle_deg is None
    assert (event.source_to_detector_mm, event.source_to_isocenter_mm) == (1195.0, 785.0)
    assert event.field_height_mm == pytest.approx(246.4)  # 800 rows of 0.308 mm
    assert event.field_width_mm == pytest.approx(155.0)  # 500 columns of 0.31 mm
    assert event.filters == (Filter("copper", 0.3, 0.3), Filter("aluminium", 1.0, 1.5))
    assert event.patient_position == "HFS"
    assert event.table_height_mm is None
    assert (event.table_head_tilt_deg, event.table_rotation_deg, event.column_angulation_deg) == (
        4.5, None, None,
    )  # fmt: skip
    assert report.patient.id == "TEST-1"
    assert report.patient.name == "Invented^Zoë"
    assert report.patient.height_cm == 162
    assert report.equipment.serial == "S-1"
    assert report.procedure.label == "TIPS"
    assert report.procedure.started_at == "2024-01-31T09:30:05.25"
    assert report.procedure.ended_at == "2024-01-31T09:30:09.249"
    assert report.operators == ("Invented^Olga",)
    assert report.report.study_instance_uid == f"{ROOT}.1000"


def test_totals_are_summed_only_and_the_report_says_it_is_second_choice() -> None:
    report = read(image())
    assert {(t.plane, t.basis) for t in report.totals} == {("single", "summed"), ("all", "summed")}
    assert report.totals[0].acquisition_dose_area_product_gycm2 == 12.345
    assert report.totals[0].fluoroscopy_time_s is None
    told = [found for found in report.findings if found.code == "second-choice-source"]
    assert [found.severity for found in told] == ["warning"]
    assert "fluoroscopy is not stored" in told[0].text
    assert "lower than what was given" in told[0].text


@pytest.mark.parametrize("make", [image, enhanced_image], ids=["plain", "enhanced"])
@pytest.mark.parametrize("undefined", [False, True], ids=["defined", "undefined"])
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_encoding_changes_nothing(make: Any, syntax: str, undefined: bool) -> None:
    plain = read(make())
    other = read(make(), syntax=syntax, undefined=undefined)
    assert replace(other, sha256=plain.sha256) == plain


@pytest.mark.parametrize("syntax", ["explicit", "implicit", "big-endian"])
def test_missing_meta_changes_nothing(syntax: str) -> None:
    plain = read(image())
    assert replace(read(image(), syntax=syntax, meta=False), sha256=plain.sha256) == plain


def test_radiofluoroscopy_image() -> None:
    assert read(image(SOPClassUID=XRF)).events == read(image()).events


def test_enhanced_image() -> None:
    report = read(enhanced_image())
    (event,) = report.events
    assert (event.uid, event.plane, event.type) == (f"{ROOT}.9", "b", "rotational")
    assert event.dose_area_product_gycm2 == pytest.approx(12.35)
    assert event.kvp == 84.0  # (80 + 82 + 90) / 3
    assert (event.tube_current_ma, event.exposure_uas, event.duration_s) == (400.25, 83500.0, 2.5)
    assert (event.primary_angle_deg, event.primary_end_angle_deg) == (-100.0, 98.5)
    assert (event.secondary_angle_deg, event.secondary_end_angle_deg) == (3.0, None)
    assert (event.source_to_isocenter_mm, event.source_to_detector_mm) == (785.0, 1195.0)
    assert (event.table_height_mm, event.table_longitudinal_mm, event.table_lateral_mm) == (
        -55.0, 12.5, -1034.2,
    )  # fmt: skip
    assert event.table_height_end_mm is None
    assert (event.table_rotation_deg, event.table_head_tilt_deg, event.table_cradle_tilt_deg) == (
        -7.25, 4.5, -1.75,
    )  # fmt: skip
    assert (
        event.table_x_to_isocenter_mm, event.table_y_to_isocenter_mm, event.table_z_to_isocenter_mm,
    ) == (-12.5, 143.25, 801.5)  # fmt: skip
    assert event.started_at == "2024-01-31T09:30:05.25"


def test_angles_of_the_isocenter_system_are_not_those_of_the_table() -> None:
    data = enhanced_image()
    for frame in data.PerFrameFunctionalGroupsSequence:
        del frame.TablePositionSequence  # PS3.3 C.8.19.6.13 counts the rotation the other way round
    event = read(data).events[0]
    assert (event.table_rotation_deg, event.table_x_to_isocenter_mm) == (None, -12.5)


def test_column_angulation_of_a_radiofluoroscopy_image() -> None:
    assert event_of(SOPClassUID=XRF, ColumnAngulation="-12.5").column_angulation_deg == -12.5


@pytest.mark.parametrize(
    ("value", "plane"), [("SINGLE PLANE", "single"), ("BIPLANE A", "a"), ("BIPLANE B", "b"), ("", None)]
)
def test_planes(value: str, plane: str | None) -> None:
    report = read(image(ImageType=["ORIGINAL", "PRIMARY", value]))
    assert report.events[0].plane == plane
    assert ("event-plane-unknown" in codes_of(report)) == (plane is None)


@pytest.mark.parametrize(
    ("values", "kind"),
    [
        ({"RadiationSetting": "SC"}, "fluoroscopy"),
        ({"PositionerMotion": "DYNAMIC"}, "rotational"),
        ({"TableMotion": "DYNAMIC"}, "stepping"),
        ({"RadiationSetting": None, "PositionerMotion": None, "TableMotion": None}, "stationary"),
    ],
    ids=["fluoroscopy", "rotational", "stepping", "untold"],
)
def test_kinds_of_exposure(values: dict[str, Any], kind: str) -> None:
    assert event_of(**values).type == kind


def test_end_angle_of_a_rotation() -> None:
    moved = {"PositionerMotion": "DYNAMIC", "NumberOfFrames": 4}
    event = event_of(**moved, PositionerPrimaryAngleIncrement=["0", "66", "132", "198.5"])
    assert event.primary_end_angle_deg == 168.0
    assert event.secondary_end_angle_deg is None
    for unclear in (["66", "66", "66", "66"], ["0", "66"]):
        report = read(image(**moved, PositionerPrimaryAngleIncrement=unclear))
        assert report.events[0].primary_end_angle_deg is None
        assert "end-angle-unclear" in codes_of(report)


def test_image_without_event_uid_stands_for_itself() -> None:
    report = read(image(IrradiationEventUID=None))
    assert report.events[0].uid == f"{ROOT}.500"
    assert "event-uid-synthetic" in codes_of(report)
    assert "event-uid-synthetic" not in codes_of(read(image()))


def test_derived_image_is_not_counted_again() -> None:
    derived = {"ImageType": ["DERIVED", "PRIMARY", "SINGLE PLANE"]}
    report = read(image(**derived, IrradiationEventUID=None))
    assert report.events == report.totals == ()
    assert "image-derived" in codes_of(report)
    assert read(image(**derived)).events[0].uid == f"{ROOT}.9"  # the event's UID tells the repetition
    secondary = {"ImageType": ["ORIGINAL", "SECONDARY", "SINGLE PLANE"], "IrradiationEventUID": None}
    assert read(image(**secondary)).events == ()


def test_image_of_several_events() -> None:
    report = read(image(IrradiationEventUID=[f"{ROOT}.9", f"{ROOT}.10"]))
    assert report.events[0].uid == f"{ROOT}.9"
    assert "image-of-several-events" in codes_of(report)


def test_dose_that_is_missing_is_said_and_not_zero() -> None:
    report = read(image(ImageAndFluoroscopyAreaDoseProduct=None))
    assert report.events[0].dose_area_product_gycm2 is None
    assert report.totals[0].dose_area_product_gycm2 is None
    assert "image-dose-missing" in codes_of(report)


@pytest.mark.parametrize(
    ("values", "current", "exposure"),
    [
        ({"XRayTubeCurrentInuA": "412345"}, 412.345, 83000.0),
        ({"XRayTubeCurrent": None}, None, 83000.0),
        ({"ExposureInuAs": 82500}, 412.0, 82500.0),
        ({"Exposure": None}, 412.0, None),
    ],
)
def test_finer_units_are_preferred(values: dict[str, Any], current: float, exposure: float) -> None:
    event = event_of(**values)
    assert (event.tube_current_ma, event.exposure_uas) == (current, exposure)


def test_times_between_frames() -> None:
    vector = event_of(FrameTime=None, NumberOfFrames=4, FrameTimeVector=["0", "100", "300", "200"])
    assert (vector.duration_s, vector.pulse_rate_hz) == (pytest.approx(0.8), 5.0)
    rate = event_of(FrameTime=None, CineRate=15)
    assert (rate.duration_s, rate.pulse_rate_hz) == (pytest.approx(2.0), pytest.approx(15.0))
    untold = event_of(FrameTime=None)
    assert (untold.duration_s, untold.pulse_rate_hz) == (None, None)
    single = event_of(NumberOfFrames=None, FrameTime=None)
    assert (single.frames, single.duration_s) == (1, 0.201)  # the exposure time of the one frame


def test_field() -> None:
    edges = {
        f"Collimator{edge}": None
        for edge in ("LeftVerticalEdge", "RightVerticalEdge", "UpperHorizontalEdge", "LowerHorizontalEdge")
    }
    circle = event_of(**edges, CollimatorShape="CIRCULAR", RadiusOfCircularCollimator=300)
    assert circle.field_height_mm == pytest.approx(184.8)  # 600 rows of 0.308 mm
    assert circle.field_width_mm == pytest.approx(186.0)
    view = read(image(**edges, FieldOfViewShape="ROUND", FieldOfViewDimensions=220))
    assert (view.events[0].field_height_mm, view.events[0].field_width_mm) == (220.0, 220.0)
    assert "field-from-field-of-view" in codes_of(view)
    oblong = event_of(**edges, FieldOfViewShape="RECTANGLE", FieldOfViewDimensions=[300, 400])
    assert oblong.field_height_mm is None  # which of the two is which is not clear


def test_entrance_dose_is_not_reference_air_kerma() -> None:
    report = read(image(EntranceDoseInmGy="12.5"))
    assert report.events[0].reference_air_kerma_mgy is None
    assert "entrance-dose-not-used" in codes_of(report)


def test_odd_numbers_are_found() -> None:
    data = image()
    whole = saved_as(data, XA).replace(b"123.45", b"12,345").replace(b"81.3", b"8x.3")
    report = read_report(whole, file="x")
    assert report.events[0].dose_area_product_gycm2 == 1.2345
    assert report.events[0].kvp is None
    assert {"decimal-comma", "number-unreadable"} <= codes_of(report)
    negative = read_report(whole.replace(b"12,345", b"-12.34"), file="x")
    assert negative.events[0].dose_area_product_gycm2 is None
    assert "number-impossible" in codes_of(negative)


PATHS = {
    # keyword: (field, factor into the house unit by PS3.3's unit)
    "ImageAndFluoroscopyAreaDoseProduct": ("dose_area_product_gycm2", 0.1),
    "KVP": ("kvp", 1.0),
    "XRayTubeCurrent": ("tube_current_ma", 1.0),
    "Exposure": ("exposure_uas", 1000.0),
    "AveragePulseWidth": ("pulse_width_ms", 1.0),
    "NumberOfFrames": ("frames", 1.0),
    "PositionerPrimaryAngle": ("primary_angle_deg", 1.0),
    "PositionerSecondaryAngle": ("secondary_angle_deg", 1.0),
    "DistanceSourceToDetector": ("source_to_detector_mm", 1.0),
    "DistanceSourceToPatient": ("source_to_isocenter_mm", 1.0),
    "TableAngle": ("table_head_tilt_deg", 1.0),
}


def assert_same_numbers_as_pydicom(data: bytes, event: IrradiationEvent) -> None:
    theirs = pydicom.dcmread(io.BytesIO(data), stop_before_pixels=True)
    for keyword, (field, factor) in PATHS.items():
        ours = getattr(event, field)
        if keyword not in theirs:
            assert ours is None or keyword == "NumberOfFrames"
        else:
            assert ours == pytest.approx(float(theirs[keyword].value) * factor, rel=1e-14), keyword


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    dap=st.decimals(0, 4000, places=4).map(lambda d: f"{d:f}"),
    kvp=st.decimals(40, 125, places=1).map(lambda d: f"{d:f}"),
    current=st.integers(0, 1000),
    frames=st.integers(1, 500),
    primary=st.decimals(-180, 180, places=1).map(lambda d: f"{d:f}"),
    dropped=st.sets(st.sampled_from(sorted(PATHS)), max_size=4),
    syntax=st.sampled_from(sorted(SYNTAXES)),
)
def test_every_number_is_the_one_pydicom_reads(dap, kvp, current, frames, primary, dropped, syntax) -> None:
    values = {
        "ImageAndFluoroscopyAreaDoseProduct": dap, "KVP": kvp, "XRayTubeCurrent": current,
        "NumberOfFrames": frames, "PositionerPrimaryAngle": primary, **dict.fromkeys(dropped),
    }  # fmt: skip
    data = saved_as(image(**values), XA, syntax)
    assert_same_numbers_as_pydicom(data, read_report(data, file="x").events[0])


@pytest.mark.dicom_tools
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_numbers_are_those_dcm2json_writes(syntax: str, tmp_path: Path) -> None:
    path = tmp_path / "image.dcm"
    path.write_bytes(saved_as(image(), XA, syntax))
    done = subprocess.run(["dcm2json", str(path)], capture_output=True, check=True)
    theirs = json.loads(done.stdout.decode("latin-1"))
    event = read_report(path.read_bytes(), file="x").events[0]
    for keyword, (field, factor) in PATHS.items():
        tag = f"{pydicom.datadict.tag_for_keyword(keyword):08X}"
        value = float(theirs[tag]["Value"][0])
        assert getattr(event, field) == pytest.approx(value * factor, rel=1e-14), keyword


def test_enhanced_class_is_known() -> None:
    assert read(enhanced_image()).report.sop_class_uid == ENHANCED_XA


def test_image_without_pixel_data_is_refused() -> None:
    with pytest.raises(ReportRefusedError, match="before its pixel data begin"):
        read(image(PixelData=None))
