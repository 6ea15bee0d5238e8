"""DCMTK's worklist server on files of invented procedures, as the peer that is asked."""

from __future__ import annotations

import contextlib
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

from pydicom.dataset import Dataset, FileMetaDataset

TITLE = "INVENTEDRIS"
LONGEST_S = 20.0


def step_file(folder: Path, name: str, **changes: object) -> Path:
    """One step of the worklist, written as a DICOM file into the server's folder."""
    told: dict[str, object] = {
        "charset": "ISO_IR 192",
        "patient": "INV-1",
        "named": "Müller-Invented^Ada",
        "born": "19550302",
        "day": "20261125",
        "clock": "083000",
        "station": "ANGIO2",
        "accession": "A-1",
        "step": "S1",
        "description": "TIPS creation",
        "modality": "XA",
        "operator": "Reed-Demo^Noor",
        **changes,
    }
    data = Dataset()
    data.SpecificCharacterSet = told["charset"]
    data.AccessionNumber = told["accession"]
    data.PatientName, data.PatientID = told["named"], told["patient"]
    data.IssuerOfPatientID = "INVENTED"
    data.PatientBirthDate, data.PatientSex = told["born"], "F"
    data.PatientWeight, data.PatientSize = "58", "1.6"
    data.MedicalAlerts = data.Allergies = "none known"
    data.ReferringPhysicianName = "Invented^Referrer"
    data.StudyInstanceUID = f"1.2.826.0.1.3680043.10.999.40.{name}"
    data.RequestingPhysician = "Invented^Referrer"
    data.RequestedProcedureDescription = "angiography"
    data.RequestedProcedureID = f"R{name}"
    data.RequestedProcedurePriority = "LOW"
    item = Dataset()
    item.Modality = told["modality"]
    item.ScheduledStationAETitle = told["station"]
    item.ScheduledProcedureStepStartDate = told["day"]
    item.ScheduledProcedureStepStartTime = told["clock"]
    item.ScheduledPerformingPhysicianName = told["operator"]
    item.ScheduledProcedureStepDescription = told["description"]
    item.ScheduledProcedureStepID = told["step"]
    item.ScheduledStationName = f"N{told['station']}"
    item.ScheduledProcedureStepLocation = "second floor"
    item.PreMedication = "none"
    data.ScheduledProcedureStepSequence = [item]
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.1"
    data.file_meta.MediaStorageSOPClassUID = "1.2.276.0.7230010.3.1.0.1"
    data.file_meta.MediaStorageSOPInstanceUID = f"1.2.826.0.1.3680043.10.999.41.{name}"
    path = folder / TITLE / f"{name}.wl"
    path.parent.mkdir(parents=True, exist_ok=True)
    (path.parent / "lockfile").touch()
    data.save_as(path, enforce_file_format=True)
    return path


@contextlib.contextmanager
def worklist_server(folder: Path, *more: str) -> Iterator[int]:
    """The server on the steps of `folder`; its port."""
    program = shutil.which("wlmscpfs")
    assert program is not None, "wlmscpfs is missing: apt-get install dcmtk"
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    (folder / TITLE).mkdir(parents=True, exist_ok=True)
    (folder / TITLE / "lockfile").touch()
    words = [program, "-s", "-csk", "-dfr", "-dhl", "-dfp", str(folder), *more, str(port)]
    server = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        _wait_for(port)
        yield port
    finally:
        server.terminate()
        server.wait(LONGEST_S)


def _wait_for(port: int) -> None:
    end = time.monotonic() + LONGEST_S
    while time.monotonic() < end:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
            return
        time.sleep(0.05)
    raise AssertionError("wlmscpfs did not start")
