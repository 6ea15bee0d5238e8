"""The committed sample files: made by the script, valid, and giving the numbers their table says."""

from __future__ import annotations

import csv
import runpy
import subprocess
from pathlib import Path

import pydicom
import pytest
from pydicom.dataset import Dataset

from dosetrack.exchange.department import TAGS
from dosetrack.exchange.department.samples import sample_files

FOLDER = Path(__file__).resolve().parents[2] / "sample_data"
SCRIPT = runpy.run_path(str(FOLDER / "make_samples.py"))
NAMES = sorted(path.name for path in FOLDER.glob("*.dcm"))
# DICOM PS3.16 TID 10004: code -> (column, factor from the coded unit, which is Gy.m2, Gy or s)
TOTALS = {
    "113722": ("dose_area_product_gycm2", 1e4),
    "113725": ("reference_air_kerma_mgy", 1e3),
    "113730": ("fluoroscopy_time_s", 1),
    "113727": ("acquisition_dose_area_product_gycm2", 1e4),
    "113729": ("acquisition_reference_air_kerma_mgy", 1e3),
    "113855": ("acquisition_time_s", 1),
}
ROWS = list(csv.DictReader((FOLDER / "expected_totals.csv").read_text(encoding="utf-8").splitlines()))
PLANES = {"113622": "single", "113620": "a", "113621": "b"}


def test_files_are_those_the_script_writes() -> None:
    made = {file.name: file.content for file in sample_files(seed=SCRIPT["SEED"])}
    assert sorted(made) == NAMES
    for name, content in made.items():
        assert (FOLDER / name).read_bytes() == content, name


def test_they_are_few_and_small() -> None:
    assert len(NAMES) <= 8
    assert sum((FOLDER / name).stat().st_size for name in NAMES) < 1.5e6


def code_of(item: Dataset) -> str:
    return str(item.ConceptNameCodeSequence[0].CodeValue)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['file']}-{row['plane']}")
def test_files_give_the_totals_of_the_table(row: dict[str, str]) -> None:
    data_set = pydicom.dcmread(FOLDER / row["file"])
    events = [item for item in data_set.ContentSequence if code_of(item) == "113706"]
    assert len(events) == int(row["events"])
    found = {}
    for item in data_set.ContentSequence:
        if code_of(item) != "113702":
            continue
        plane = next(
            c.ConceptCodeSequence[0].CodeValue for c in item.ContentSequence if code_of(c) == "113764"
        )
        if PLANES[plane] == row["plane"]:
            for child in item.ContentSequence:
                if code_of(child) in TOTALS:
                    name, factor = TOTALS[code_of(child)]
                    found[name] = float(child.MeasuredValueSequence[0].NumericValue) * factor
    expected = {name: float(row[name]) for name, _ in TOTALS.values()}
    assert found == {name: pytest.approx(value, rel=1e-9) for name, value in expected.items()}


@pytest.mark.dicom_tools
@pytest.mark.parametrize("name", NAMES)
def test_files_are_valid(name: str) -> None:
    checked = subprocess.run(["dciodvfy", str(FOLDER / name)], capture_output=True, text=True, check=False)
    messages = (checked.stdout + checked.stderr).splitlines()
    assert [line for line in messages if "Error" in line] == []
    assert subprocess.run(["dsrdump", str(FOLDER / name)], capture_output=True, check=False).returncode == 0


def test_typed_entries_are_those_of_the_script() -> None:
    text = (FOLDER / "typed_entries.csv").read_text(encoding="utf-8")
    assert text == SCRIPT["TYPED_ENTRIES"]
    assert {row["patient id"] for row in csv.DictReader(text.splitlines())} == {"DEMO-S0003"}


def test_readme_tells_of_every_file_and_tag() -> None:
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    names = [path.name for path in FOLDER.iterdir() if path.suffix in (".dcm", ".csv", ".py")]
    assert [name for name in [*names, *TAGS] if f"`{name}`" not in text] == []
