"""A performed procedure step tells totals of the whole step, as second choice."""

from __future__ import annotations

import io
import json
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pydicom
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from rdsr_files import SYNTAXES
from second_choice_files import ROOT, STEP, saved_as, step

from dosetrack.errors import ReportRefusedError
from dosetrack.readers import read_report
from dosetrack.records.report import DoseReport, DoseTotal, Filter


def read(data: Dataset, **how: Any) -> DoseReport:
    return read_report(saved_as(data, STEP, **how), file="invented.dcm")


def codes_of(report: DoseReport) -> set[str]:
    return {found.code for found in report.findings}


def test_every_fact_of_a_step() -> None:
    """Expected values worked out by hand from the numbers of the builder."""
    report = read(step())
    assert report.source == "mpps"
    stated = [total for total in report.totals if total.basis == "stated"]
    assert stated == [
        DoseTotal(plane="single", basis="stated", dose_area_product_gycm2=234.56, fluoroscopy_time_s=1834.0)
    ]
    assert {(t.plane, t.basis) for t in report.totals if t.basis == "summed"} == {
        ("single", "summed"), ("all", "summed"),
    }  # fmt: skip
    pulsed, continuous = report.events
    assert (pulsed.type, pulsed.kvp, pulsed.tube_current_ma, pulsed.duration_s) == (
        "pulsed", 81.3, 412.5, 4.02,
    )  # fmt: skip
    assert pulsed.filters == (Filter("copper", 0.3, 0.3),)
    assert (continuous.type, continuous.kvp, continuous.tube_current_ma, continuous.duration_s) == (
        "continuous", 70.0, 9.8, 61.5,
    )  # fmt: skip
    assert (pulsed.uid, continuous.uid) == (f"{ROOT}.600.1", f"{ROOT}.600.2")
    assert report.report.sop_class_uid == STEP
    assert report.report.sop_instance_uid == f"{ROOT}.600"
    assert report.report.study_instance_uid == f"{ROOT}.1000"
    assert report.report.accession_number == "ACC-1"
    assert report.report.completion == "COMPLETE"
    assert report.report.reported_at == "2024-01-31T11:30:00"
    assert report.equipment.station == "ROOM1"
    assert report.procedure.label == "TIPS performed"
    assert report.procedure.started_at == "2024-01-31T09:15:00"
    assert report.procedure.ended_at == "2024-01-31T11:30:00"
    assert report.operators == ("Invented^Olga", "Invented^Per")
    assert {"second-choice-source", "exposures-counted", "radiation-mode-only", "event-uid-synthetic",
            "entrance-dose-not-used"} == codes_of(report)  # fmt: skip


def test_entrance_dose_is_never_reference_air_kerma() -> None:
    report = read(step(EntranceDose=8))
    assert all(total.reference_air_kerma_mgy is None for total in report.totals)
    texts = {f.text for f in report.findings if f.code == "entrance-dose-not-used"}
    assert texts == {
        "An entrance dose of 812.5 mGy is told. It is no reference air kerma and was not used as one."
    }
    coarse = read(step(EntranceDose=8, EntranceDoseInmGy=None))
    assert "800 mGy" in " ".join(f.text for f in coarse.findings)  # 8 dGy


@pytest.mark.parametrize("undefined", [False, True], ids=["defined", "undefined"])
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_encoding_changes_nothing(syntax: str, undefined: bool) -> None:
    plain = read(step())
    other = read(step(), syntax=syntax, undefined=undefined)
    assert replace(other, sha256=plain.sha256) == plain


@pytest.mark.parametrize("syntax", ["explicit", "implicit", "big-endian"])
def test_bare_data_set_is_told_by_its_status(syntax: str) -> None:
    report = read(step(), syntax=syntax, meta=False)
    assert report.source == "mpps"
    assert report.totals == read(step()).totals
    assert [event.uid for event in report.events] == [None, None]
    assert "event-uid-missing" in codes_of(report)


@pytest.mark.parametrize("syntax", ["explicit", "implicit", "big-endian"])
def test_update_that_ends_the_step(syntax: str) -> None:
    """What an N-SET carries: no patient, no identity, only how the step ended."""
    data = Dataset()
    data.PerformedProcedureStepEndDate, data.PerformedProcedureStepEndTime = "20240131", "1130"
    data.PerformedProcedureStepStatus = "DISCONTINUED"
    data.TotalTimeOfFluoroscopy = 60
    for meta in (True, False):
        report = read(data, syntax=syntax, meta=meta)
        assert report.report.completion == "PARTIAL"
        assert report.totals[0].fluoroscopy_time_s == 60
        assert report.totals[0].dose_area_product_gycm2 is None
        assert report.patient.id is None


@pytest.mark.parametrize(
    ("status", "completion"),
    [("COMPLETED", "COMPLETE"), ("DISCONTINUED", "PARTIAL"), ("IN PROGRESS", "PARTIAL"), ("ODD", None)],
)
def test_status(status: str, completion: str | None) -> None:
    report = read(step(PerformedProcedureStepStatus=status))
    assert report.report.completion == completion
    assert ("scope-so-far" in codes_of(report)) == (status == "IN PROGRESS")


def test_time_at_the_end_of_its_field_is_not_known() -> None:
    report = read(step(TotalTimeOfFluoroscopy=65535))
    assert report.totals[0].fluoroscopy_time_s is None
    assert report.totals[0].dose_area_product_gycm2 == 234.56
    assert "time-at-the-most" in codes_of(report)
    assert read(step(TotalTimeOfFluoroscopy=65534)).totals[0].fluoroscopy_time_s == 65534


def test_step_without_dose() -> None:
    report = read(
        step(TotalTimeOfFluoroscopy=None, ImageAndFluoroscopyAreaDoseProduct=None, ExposureDoseSequence=None)
    )
    assert report.totals == report.events == ()
    assert "totals-missing" in codes_of(report)


def test_label_falls_back_to_what_was_scheduled() -> None:
    assert read(step(PerformedProcedureStepDescription=None)).procedure.label == "TIPS requested"
    bare = step(PerformedProcedureStepDescription=None, ScheduledStepAttributesSequence=Sequence([]))
    assert read(bare).procedure.label == "Abdomen"


@pytest.mark.parametrize("modality", ["CT", "MR", "US"])
def test_other_modalities_are_refused(modality: str) -> None:
    with pytest.raises(ReportRefusedError, match=f"another modality \\({modality}\\)"):
        read(step(Modality=modality))


def test_mammography_is_marked() -> None:
    assert "mammography-report" in codes_of(read(step(Modality="MG")))


def test_cut_off_anywhere_is_refused() -> None:
    whole = saved_as(step(PatientComments="x" * 40), STEP)
    for end in range(300, len(whole) - 60, 7):
        try:
            read_report(whole[:end], file="x")
        except ReportRefusedError as refused:
            assert "truncated" in refused.reason or "damaged" in refused.reason  # noqa: PT017
        else:  # cut between two elements: a shorter step, as far as anyone can tell
            assert pydicom.dcmread(io.BytesIO(whole[:end])) is not None


@settings(max_examples=30, deadline=None)
@given(
    seconds=st.integers(0, 65534),
    dap=st.decimals(0, 40000, places=3).map(lambda d: f"{d:f}"),
    kvps=st.lists(st.decimals(40, 125, places=1).map(lambda d: f"{d:f}"), max_size=5),
    syntax=st.sampled_from(sorted(SYNTAXES)),
    undefined=st.booleans(),
)
def test_every_number_is_the_one_pydicom_reads(seconds, dap, kvps, syntax, undefined) -> None:
    exposures = []
    for kvp in kvps:
        one = Dataset()
        one.KVP, one.RadiationMode = kvp, "PULSED"
        exposures.append(one)
    data = step(TotalTimeOfFluoroscopy=seconds, ImageAndFluoroscopyAreaDoseProduct=dap,
                ExposureDoseSequence=Sequence(exposures))  # fmt: skip
    whole = saved_as(data, STEP, syntax, undefined=undefined)
    theirs = pydicom.dcmread(io.BytesIO(whole))
    ours = read_report(whole, file="x")
    stated = ours.totals[0]
    assert stated.fluoroscopy_time_s == theirs.TotalTimeOfFluoroscopy
    product = float(theirs.ImageAndFluoroscopyAreaDoseProduct)
    assert stated.dose_area_product_gycm2 == pytest.approx(product * 0.1, rel=1e-14)
    assert [e.kvp for e in ours.events] == [float(e.KVP) for e in theirs.ExposureDoseSequence]


@pytest.mark.dicom_tools
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_numbers_are_those_dcm2json_writes(syntax: str, tmp_path: Path) -> None:
    path = tmp_path / "step.dcm"
    path.write_bytes(saved_as(step(), STEP, syntax))
    done = subprocess.run(["dcm2json", str(path)], capture_output=True, check=True)
    theirs = json.loads(done.stdout.decode("latin-1"))
    ours = read_report(path.read_bytes(), file="x")
    assert ours.totals[0].fluoroscopy_time_s == theirs["00400300"]["Value"][0]
    assert ours.totals[0].dose_area_product_gycm2 == pytest.approx(
        float(theirs["0018115E"]["Value"][0]) * 0.1, rel=1e-14
    )
    for event, item in zip(ours.events, theirs["0040030E"]["Value"], strict=True):
        assert event.kvp == float(item["00180060"]["Value"][0])
        assert event.tube_current_ma == float(item["00188151"]["Value"][0]) / 1000.0
