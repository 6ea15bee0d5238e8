"""`dosetrack skin`: documents, files, exit codes; numbers against the formula of the specification."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from dosetrack.cli import build_app
from dosetrack.records.report import Patient
from dosetrack.skin import Beam, TableTop, dose_at_points
from tests.workflow.invented import dose_report, event
from tests.workflow.skin_cases import straight_event

PATIENT = Patient(id="P1", id_issuer="INVENTED", sex="M", weight_kg=70.0, height_cm=170.0)


def run(*words: object) -> Any:
    return CliRunner().invoke(build_app(only="skin"), ["skin", *map(str, words)])


def document(*words: object) -> dict[str, Any]:
    result = run(*words, "--json")
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.stdout)
    return found


@pytest.fixture
def report(tmp_path: Path) -> Path:
    path = tmp_path / "report.dcm"
    path.write_bytes(dose_report("r1", [straight_event(1), straight_event(2)], patient=PATIENT))
    return path


def test_the_document_holds_what_was_promised(report: Path) -> None:
    found = document(report, "--region", "abdomen")
    low, high = found["range_mgy"]
    assert low < found["peak_skin_dose_mgy"] < high
    assert sum(one["peak_contribution_mgy"] for one in found["by_event"]) == pytest.approx(
        found["peak_skin_dose_mgy"], rel=1e-6
    )
    assert [one["from_mgy"] for one in found["bands"]] == [0.0, 2000.0, 3000.0, 5000.0, 10000.0, 15000.0]
    assert found["mapped_fraction"] == pytest.approx(1.0)
    assert found["surface"] == "body"
    assert any("not verified" in text for text in found["assumed"])
    assert found["growth"][-1]["peak_skin_dose_mgy"] == pytest.approx(found["peak_skin_dose_mgy"])


def test_the_arrays_agree_with_the_public_function(report: Path, tmp_path: Path) -> None:
    """The map file against `dose_at_points` on its own points, the beam written out by hand."""
    document(report, "--region", "abdomen", "--map", tmp_path / "map.npz")
    with np.load(tmp_path / "map.npz") as archive:
        arrays = dict(archive)
    beam = Beam(
        reference_air_kerma_mgy=2000.0,
        source_to_isocenter_mm=750.0,
        source_to_detector_mm=1100.0,
        field_width_mm=160.0,
        field_height_mm=160.0,
        source_to_reference_point_mm=600.0,
        kvp=80.0,
        al_mm=3.0,
        cu_mm=0.2,
    )
    top = TableTop(arrays["points_mm"][:, 1].max() + 50.0, 1000.0, -2000.0, 2000.0, 0.8)
    dose = dose_at_points([beam], arrays["points_mm"], arrays["normals"], table=top)
    assert arrays["dose_mgy"].max() == pytest.approx(dose.max(), rel=1e-6)
    assert arrays["dose_mgy"] == pytest.approx(dose, rel=1e-6, abs=1e-9)


def test_the_picture_is_drawn(report: Path, tmp_path: Path) -> None:
    document(report, "--png", tmp_path / "map.png")
    assert (tmp_path / "map.png").read_bytes().startswith(b"\x89PNG\r\n")


def test_size_is_told_with_its_unit(report: Path) -> None:
    larger = document(report, "--patient-weight", "120 kg", "--patient-height", "1.7 m")
    assert any("120 kg" in text for text in larger["assumed"])
    assert run(report, "--patient-weight", "120").exit_code == 2


def test_without_geometry_no_number_but_the_range(tmp_path: Path) -> None:
    path = tmp_path / "plain.dcm"
    path.write_bytes(dose_report("r1", [event(1)], patient=PATIENT))
    found = document(path)
    assert found["peak_skin_dose_mgy"] is None
    assert found["reason"]
    assert found["screening_range"]["high_mgy"] > 0
    result = run(path)
    assert "No map" in result.stdout


def test_two_patients_are_never_added(report: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.dcm"
    other.write_bytes(dose_report("r2", [straight_event(3)], patient=replace(PATIENT, id="P2")))
    result = run(report, other, "--json")
    assert result.exit_code == 2
    assert "2 patients" in result.stderr
    assert result.stdout == ""


def test_a_refused_file_is_named_and_the_rest_goes_on(report: Path, tmp_path: Path) -> None:
    bad = tmp_path / "text.dcm"
    bad.write_text("hello")
    result = run(report, bad, "--json")
    assert result.exit_code == 1
    assert json.loads(result.stdout)["refused"][0]["file"] == str(bad)
    assert run(bad, "--json").exit_code == 3


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["--case", "x", "--from", "2026-01-01"],
        ["report", "--position", "upside-down"],
        ["report", "--shift", "1,2"],
        ["report", "--shift", "nan,0,0"],
        ["report", "--arms", "crossed"],
    ],
    ids=str,
)
def test_what_cannot_be_is_wrong_usage(report: Path, words: list[str]) -> None:
    result = run(*[report if word == "report" else word for word in words], "--json")
    assert result.exit_code == 2
    assert result.stdout == ""


def test_no_word_of_clearance(report: Path) -> None:
    said = run(report).stdout.lower()
    for word in ("safe", " ok", "allowance", "budget", "headroom", "✓"):
        assert word not in said
    assert "local protocol" in said
