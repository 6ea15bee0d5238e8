"""Enhanced and patient radiation dose reports are read for what they hold, and say what is not used."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from rdsr_files import (
    DCM,
    SYNTAXES,
    EventPlan,
    code,
    coded,
    container,
    event,
    item,
    num,
    plane_item,
    report,
    saved,
)

from dosetrack.errors import ReportRefusedError
from dosetrack.readers import read_report
from dosetrack.records.report import DoseReport

ENHANCED = "1.2.840.10008.5.1.4.1.1.88.76"
PATIENT = "1.2.840.10008.5.1.4.1.1.88.73"


def read(data: Dataset, **how: Any) -> DoseReport:
    return read_report(saved(data, **how), file="invented.dcm")


def codes_of(found: DoseReport) -> set[str]:
    return {one.code for one in found.findings}


def accumulated_dose(plane: str | None, dap_gym2: str, kerma_mgy: str) -> Dataset:
    """TID 10041 as this project remembers it: reference point dosimetry in a container of its own."""
    return container(
        ("130500", DCM, "Accumulated Dose Data"),
        [
            *([plane_item(plane)] if plane else []),
            item("CONTAINS", "TEXT", ("113832", DCM, "Identification of the X-Ray Source"), TextValue="1"),
            num("113722", dap_gym2, "Gy.m2"),
            container(
                ("130502", DCM, "Reference Point Dosimetry"),
                [
                    coded("113780", ("113860", DCM, "15cm from Isocenter toward Source")),
                    num("113725", kerma_mgy, "mGy"),
                ],
            ),
            num("113730", "734", "s"),
        ],
    )


def summary(number: int, plane: str, kind: tuple[str, str, str], kerma_mgy: str) -> Dataset:
    return container(
        ("130501", DCM, "Irradiation Event Summary Data"),
        [
            plane_item(plane),
            item("CONTAINS", "UIDREF", ("113769", DCM, "Irradiation Event UID"), UID=f"1.2.3.{number}"),
            item("CONTAINS", "DATETIME", ("111526", DCM, "DateTime Started"), DateTime="20240131093005"),
            coded("113721", kind),
            num("122130", "0.000123", "Gy.m2"),
            container(("130502", DCM, "x"), [num("113738", kerma_mgy, "mGy")]),
            num("113742", "12.5", "s"),
        ],
    )


def details(*more: Dataset) -> Dataset:
    return container(
        ("130505", DCM, "Irradiation Details"),
        [
            item("CONTAINS", "UIDREF", ("112227", DCM, "Frame of Reference UID"), UID="1.2.3.99"),
            container(("130514", DCM, "Radiation Output"), [num("130515", "8.5", "mGy")]),
            *more,
        ],
    )


FLUOROSCOPY = ("44491008", "SCT", "Fluoroscopy")
STATIONARY = ("113611", DCM, "Stationary Acquisition")


def enhanced(*content: Dataset) -> Dataset:
    return report(list(content), SOPClassUID=ENHANCED)


def whole() -> Dataset:
    return enhanced(
        accumulated_dose("a", "0.0123", "456.5"),
        accumulated_dose("b", "0.0023", "56.5"),
        summary(1, "a", FLUOROSCOPY, "5.25"),
        summary(2, "b", STATIONARY, "6.5"),
        details(),
        details(),
    )


def test_totals_and_events_of_an_enhanced_report() -> None:
    """Expected values worked out by hand: 0.0123 Gy.m2 is 123 Gy.cm2; air kerma came in mGy."""
    found = read(whole())
    assert found.source == "enhanced-rdsr"
    stated = {t.plane: t for t in found.totals if t.basis == "stated"}
    assert set(stated) == {"a", "b"}
    assert stated["a"].dose_area_product_gycm2 == 123.0
    assert stated["a"].reference_air_kerma_mgy == 456.5
    assert stated["b"].dose_area_product_gycm2 == 23.0
    assert stated["b"].reference_air_kerma_mgy == 56.5
    assert stated["b"].fluoroscopy_time_s == 734.0
    first, second = found.events
    assert (first.uid, first.plane, first.type) == ("1.2.3.1", "a", "fluoroscopy")
    assert (second.uid, second.plane, second.type) == ("1.2.3.2", "b", "stationary")
    assert (first.dose_area_product_gycm2, first.reference_air_kerma_mgy, first.duration_s) == (
        1.23, 5.25, 12.5,
    )  # fmt: skip
    assert first.reference_point == "15cm-from-isocenter"
    told = [one.text for one in found.findings if one.code == "geometry-not-used"]
    assert len(told) == 1
    assert "2 irradiation details" in told[0]
    assert "items-unknown" not in codes_of(found)


@pytest.mark.parametrize("undefined", [False, True], ids=["defined", "undefined"])
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_encoding_changes_nothing(syntax: str, undefined: bool) -> None:
    for make in (whole, patient):
        plain = read(make())
        assert replace(read(make(), syntax=syntax, undefined=undefined), sha256=plain.sha256) == plain


def test_details_stand_for_events_where_there_is_no_summary() -> None:
    of_event = [
        item("CONTAINS", "UIDREF", ("113769", DCM, "x"), UID="1.2.3.7"),
        num("113738", "7.5", "mGy"),
        num("122130", "0.0001", "Gy.m2"),
    ]
    found = read(enhanced(accumulated_dose("single", "0.0123", "456.5"), details(*of_event), details()))
    (only,) = found.events
    assert (only.uid, only.reference_air_kerma_mgy, only.dose_area_product_gycm2) == ("1.2.3.7", 7.5, 1.0)
    beside = read(enhanced(summary(1, "single", FLUOROSCOPY, "5"), details(*of_event)))
    assert [one.uid for one in beside.events] == ["1.2.3.1"]


def test_kerma_at_the_output_point_is_not_reference_air_kerma() -> None:
    found = read(enhanced(accumulated_dose("single", "0.0123", "456.5"), details()))
    assert found.events == ()
    assert [t.reference_air_kerma_mgy for t in found.totals] == [456.5]


def test_enhanced_content_is_known_without_its_class() -> None:
    found = read(report([accumulated_dose("single", "0.0123", "456.5")]))
    assert found.source == "enhanced-rdsr"


def test_plain_content_under_the_enhanced_class() -> None:
    found = read(report([event(EventPlan())], SOPClassUID=ENHANCED))
    assert found.source == "enhanced-rdsr"
    assert found.events[0].dose_area_product_gycm2 == 1.23
    assert "geometry-not-used" in codes_of(found)


def test_unknown_structure_is_counted() -> None:
    odd = container(("999001", "99X", "odd"), [num("999002", "1", "mGy")])
    found = read(enhanced(accumulated_dose("single", "0.0123", "456.5"), odd))
    assert any(one.code == "items-unknown" and "999001" in one.text for one in found.findings)


def test_enhanced_report_of_computed_tomography_is_refused() -> None:
    data = whole()
    data.ContentSequence[0] = coded("121058", ("77477000", "SCT", "CT"))
    with pytest.raises(ReportRefusedError, match="computed tomography"):
        read(data)


def patient() -> Dataset:
    method = container(
        ("128476", DCM, "Radiation Dose Estimate Method"),
        [coded("128477", ("128480", DCM, "Analytical Algorithm"))],
    )
    skin = container(
        ("128402", DCM, "Radiation Dose Estimate"),
        [
            item("CONTAINS", "TEXT", ("128403", DCM, "Radiation Dose Estimate Name"), TextValue="Skin map"),
            method,
            num("128531", "1830", "mGy", meaning="Maximum Absorbed Radiation Dose"),
        ],
    )
    organ = num("128533", "12.40", "mGy")
    organ.ContentSequence = Sequence(
        [
            item(
                "HAS CONCEPT MOD",
                "CODE",
                ("363698007", "SCT", "Finding Site"),
                ConceptCodeSequence=Sequence([code("10200004", "SCT", "Liver")]),
            )
        ]
    )
    organs = container(("128402", DCM, "Radiation Dose Estimate"), [organ, num("128408", "21.5", "cm")])
    return report(
        [skin, organs],
        SOPClassUID=PATIENT,
        ConceptNameCodeSequence=Sequence([code("128401", DCM, "Patient Radiation Dose Report")]),
    )


def test_estimates_of_a_patient_report_are_findings() -> None:
    found = read(patient())
    assert found.source == "patient-rdsr"
    assert found.totals == found.events == ()
    assert found.patient.id == "TEST-1"
    assert found.report.sop_class_uid == PATIENT
    told = [one for one in found.findings if one.code == "patient-dose-estimate"]
    assert [one.severity for one in told] == ["info", "info"]
    assert [one.text for one in told] == [
        "Estimated, not measured: Skin map, Maximum Absorbed Radiation Dose: "
        "1830 mGy (Analytical Algorithm).",
        "Estimated, not measured: Mean Absorbed Radiation Dose of Liver: 12.40 mGy.",
    ]


def test_method_and_model_stand_where_their_template_has_them() -> None:
    """PS3.16 TID 10033 rows 1, 5, 6 and 7: the model inside the methodology."""
    model = container(
        ("128500", DCM, "Patient Radiation Dose Model"),
        [
            coded("128417", ("128418", DCM, "Simple Object Model")),
            coded("128420", ("128421", DCM, "Monte Carlo Transport Model")),
        ],
    )
    data = patient()
    data.ContentSequence[-1].ContentSequence.append(
        container(("128415", DCM, "Radiation Dose Estimate Methodology"), [model])
    )
    told = [one.text for one in read(data).findings if one.code == "patient-dose-estimate"]
    assert told[1].endswith("12.40 mGy (Simple Object Model; Monte Carlo Transport Model).")


@pytest.mark.parametrize(
    ("words", "plane"),
    [("A", "a"), ("Plane B", "b"), ("A and B", "all"), ("Single Plane", "single"), ("Tube 1", None)],
)
def test_source_of_an_enhanced_total_is_told_in_words(words: str, plane: str | None) -> None:
    """PS3.16 TID 10041: row 2 names the source, rows 11 to 15 stand beside it."""

    def totals(source: str, product: str) -> Dataset:
        named = item(
            "CONTAINS", "TEXT", ("113832", DCM, "Identification of the X-Ray Source"), TextValue=source
        )
        return container(("130500", DCM, "Accumulated Dose Data"), [named, num("113722", product, "Gy.m2")])

    data = report([totals(words, "0.01"), totals("Tube 9", "0.02")], SOPClassUID=ENHANCED)
    found = read(data)
    stated = [(t.plane, t.dose_area_product_gycm2) for t in found.totals if t.basis == "stated"]
    assert stated == ([(plane, 100.0)] if plane else [])
    assert "totals-plane-unknown" in codes_of(found)


def test_patient_report_without_estimates() -> None:
    data = patient()
    data.ContentSequence = Sequence([container(("128402", DCM, "x"), [num("128408", "21.5", "cm")])])
    assert "patient-dose-none" in codes_of(read(data))


@pytest.mark.dicom_tools
def test_estimates_are_the_numbers_dsrdump_prints(tmp_path: Path) -> None:
    """DCMTK knows the patient's report; the enhanced class it refuses, so that has no such check."""
    path = tmp_path / "report.dcm"
    path.write_bytes(saved(patient()))
    done = subprocess.run(["dsrdump", str(path)], capture_output=True, encoding="latin-1", check=True)
    theirs = re.findall(r'="([^"]+)" \((mGy),', done.stdout)
    ours = [f.text for f in read(patient()).findings if f.code == "patient-dose-estimate"]
    assert len(theirs) == len(ours) == 2
    for (number, unit), text in zip(theirs, ours, strict=True):
        assert f": {number} {unit}" in text
