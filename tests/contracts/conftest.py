"""Files to read and a way to run a command in this process."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from dosetrack.cli import build_app
from dosetrack.exchange.rdsr import write_report
from dosetrack.records.report import (
    DoseReport,
    DoseTotal,
    Equipment,
    Filter,
    IrradiationEvent,
    Patient,
    Procedure,
    ReportIdentity,
)


@dataclass(frozen=True)
class Outcome:
    """What a command left behind."""

    exit_code: int
    stdout: str
    stderr: str

    @property
    def document(self) -> Any:
        """The one JSON document on standard output."""
        return json.loads(self.stdout)


@pytest.fixture(scope="session")
def run() -> Callable[..., Outcome]:
    """Run `dosetrack` with these words."""

    def run_command(*words: object) -> Outcome:
        texts = [str(word) for word in words]
        result = CliRunner().invoke(build_app(only=texts[0]), texts)
        if result.exception and not isinstance(result.exception, SystemExit):
            raise result.exception
        return Outcome(result.exit_code, result.stdout, result.stderr)

    return run_command


def invented_report(number: int) -> DoseReport:
    """A small report of an invented patient with one screening and one run."""
    day = f"2026-03-{number:02}"
    events = tuple(
        IrradiationEvent(
            uid=f"1.2.826.0.1.{number}.{index}",
            plane="single",
            type=kind,
            started_at=f"{day}T09:{index:02}:00+00:00",
            protocol="Abdomen",
            dose_area_product_gycm2=dap,
            reference_air_kerma_mgy=kerma,
            duration_s=seconds,
            kvp=80.0,
            filters=(Filter("copper", 0.2, 0.2),),
            primary_angle_deg=0.0,
            secondary_angle_deg=0.0,
            source_to_isocenter_mm=785.0,
            source_to_detector_mm=1100.0,
        )
        for index, (kind, dap, kerma, seconds) in enumerate(
            [("fluoroscopy", 10.0, 40.0, 600.0), ("stationary", 30.0, 120.0, 5.0)], start=1
        )
    )
    total = DoseTotal(
        plane="single",
        basis="stated",
        dose_area_product_gycm2=40.0,
        reference_air_kerma_mgy=160.0,
        fluoroscopy_time_s=600.0,
    )
    return DoseReport(
        file=f"invented-{number}.dcm",
        sha256="",
        source="rdsr",
        report=ReportIdentity(
            sop_class_uid="1.2.840.10008.5.1.4.1.1.88.67",
            sop_instance_uid=f"1.2.826.0.1.{number}.100",
            study_instance_uid=f"1.2.826.0.1.{number}.200",
            accession_number=f"ACC{number}",
            completion="COMPLETE",
            reported_at=f"{day}T09:30:00+00:00",
        ),
        patient=Patient(
            id=f"INV-{number}",
            id_issuer="INVENTED",
            name="Invented^Patient",
            sex="F",
            birth_date="1955-04-01",
        ),
        equipment=Equipment("Invented Maker", "Model 1", "ROOM1", "S1", "Invented Hospital"),
        procedure=Procedure(label="Invented embolisation", started_at=f"{day}T09:00:00+00:00"),
        operators=("Invented^Operator",),
        totals=(total,),
        events=events,
    )


@pytest.fixture(scope="session")
def reports(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two good report files."""
    folder = tmp_path_factory.mktemp("reports")
    paths = []
    for number in (1, 2):
        path = folder / f"invented-{number}.dcm"
        path.write_bytes(write_report(invented_report(number)))
        paths.append(path)
    return paths


@pytest.fixture(scope="session")
def ledger(tmp_path_factory: pytest.TempPathFactory, run: Callable[..., Outcome], reports: list[Path]) -> str:
    """The URL of a ledger that holds the good reports."""
    url = f"sqlite:///{tmp_path_factory.mktemp('ledger') / 'ledger.sqlite'}"
    outcome = run("ingest", *reports, "--json", "--ledger", url, "--workers", 1)
    assert outcome.exit_code == 0, outcome.stderr
    return url


@pytest.fixture(scope="session")
def bad_files(tmp_path_factory: pytest.TempPathFactory, reports: list[Path]) -> dict[str, Path]:
    """One file for each way in which a file can be of no use."""
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.uid import ExplicitVRLittleEndian

    folder = tmp_path_factory.mktemp("bad")
    whole = reports[0].read_bytes()
    image = Dataset()
    image.file_meta = FileMetaDataset()
    image.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    image.file_meta.MediaStorageSOPClassUID = image.SOPClassUID = "1.2.840.10008.5.1.4.1.1.2"  # CT image
    image.file_meta.MediaStorageSOPInstanceUID = image.SOPInstanceUID = "1.2.826.0.1.9.9"
    image.PatientID = "INV-9"
    image.save_as(folder / "another-class.dcm", enforce_file_format=True)
    contents = {
        "empty": b"",
        "text": "Patient dose: 12 Gy·cm²\n".encode(),
        "noise": bytes(range(256)) * 64,
        "cut-in-the-middle": whole[: len(whole) // 2],
        "cut-by-one-byte": whole[:-1],
        "preamble-only": whole[:132],
    }
    for name, content in contents.items():
        (folder / name).write_bytes(content)
    (folder / "folder").mkdir()
    files = {name: folder / name for name in contents}
    return {
        **files,
        "another-class": folder / "another-class.dcm",
        "absent": folder / "absent.dcm",
        "folder": folder / "folder",
    }
