"""A receiver in this process or in one of its own, peers that send to it, and what they send."""

from __future__ import annotations

import contextlib
import io
import os
import re
import selectors
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydicom import dcmread
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.filewriter import dcmwrite
from pynetdicom import AE

from dosetrack.ledger import Ledger, verify_chain
from dosetrack.records.entries import FileQuarantined, ReportReceived
from dosetrack.records.report import Patient
from tests.workflow.invented import dose_report, event

PROJECT = Path(__file__).resolve().parents[2]
RDSR = "1.2.840.10008.5.1.4.1.1.88.67"
XA = "1.2.840.10008.5.1.4.1.1.12.1"
STEP = "1.2.840.10008.3.1.2.3.3"
VERIFICATION = "1.2.840.10008.1.1"
ROOT = "1.2.826.0.1.3680043.10.999"
LONGEST_S = 40.0


def report_bytes(number: int, *, events: int = 2, suffix: str = "") -> bytes:
    """A dose report of an invented person; another `number` is another person, study and event."""
    told = [replace(event(item % 60), uid=f"{ROOT}.7.{number}.{item}") for item in range(events)]
    data = dose_report(
        f"r{number}",
        told,
        patient=Patient(id=f"P{number}", id_issuer="INVENTED"),
        accession=f"A-{number}",
        study=f"{ROOT}.8.{number}",
    )
    return with_uid(data, f"{ROOT}.9.{number}{suffix}")


def with_uid(data: bytes, uid: str) -> bytes:
    """The same object under another SOP Instance UID."""
    whole = dcmread(io.BytesIO(data))
    whole.SOPInstanceUID = whole.file_meta.MediaStorageSOPInstanceUID = uid
    out = io.BytesIO()
    dcmwrite(out, whole)
    return out.getvalue()


def image_file(path: Path, *, pixels: bytes, uid: str = f"{ROOT}.500") -> Path:
    """An x-ray angiography image of 64 x 64 pixels, so many frames as `pixels` fill."""
    data = Dataset()
    data.SOPClassUID, data.SOPInstanceUID = XA, uid
    data.StudyDate, data.StudyTime = "20260302", "0915"
    data.Modality, data.Manufacturer, data.StationName = "XA", "Invented Works", "INVENTED-XA"
    data.ImageType = ["ORIGINAL", "PRIMARY", "SINGLE PLANE"]
    data.PatientName, data.PatientID = "Invented^Person", "P1"
    data.StudyInstanceUID, data.SeriesInstanceUID = f"{ROOT}.2.1", f"{ROOT}.2.2"
    data.AccessionNumber = "A-1"
    data.KVP, data.XRayTubeCurrent, data.ExposureTime = "80", "400", "1000"
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.Rows = data.Columns = 64
    data.BitsAllocated = data.BitsStored = 8
    data.HighBit, data.PixelRepresentation = 7, 0
    data.NumberOfFrames = str(len(pixels) // 4096)
    data.PixelData = pixels
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.1"
    data.file_meta.MediaStorageSOPClassUID, data.file_meta.MediaStorageSOPInstanceUID = XA, uid
    dcmwrite(path, data, enforce_file_format=True)
    return path


def run_tool(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """A tool of DCMTK, with what it said."""
    return subprocess.run(
        [str(word) for word in words], capture_output=True, text=True, timeout=LONGEST_S, check=False
    )


@contextlib.contextmanager
def association(port: int, *contexts: str, title: str = "INVENTED") -> Iterator[Any]:
    """An association of pynetdicom as the sender."""
    sender = AE(ae_title=title)
    for sop_class in contexts or (RDSR,):
        sender.add_requested_context(sop_class, "1.2.840.10008.1.2.1")
    made = sender.associate("127.0.0.1", port)
    assert made.is_established
    try:
        yield made
    finally:
        if made.is_established:
            made.release()


def send(made: Any, data: bytes) -> int | None:
    """The status of one C-STORE; None where no answer came."""
    pause_reactor(made)
    status = made.send_c_store(dcmread(io.BytesIO(data)))
    return int(status.Status) if "Status" in status else None


def pause_reactor(made: Any) -> None:
    """Let the sender's own reactor come to rest first: rarely it takes away the answer to a fast C-STORE.

    pynetdicom then waits for that answer until its time-out of 30 s, though it was sent.
    """
    made._reactor_checkpoint.clear()
    time.sleep(0.003)


class Receiving:
    """`dosetrack receive` as a process of its own."""

    def __init__(self, folder: Path, *more: str, spool: Path | None = None, port: int = 0) -> None:
        self.url = f"sqlite:///{folder / 'ledger.sqlite'}"
        self.spool = spool or folder / "spool"
        self.more = more
        self.port = port
        self.process: subprocess.Popen[str] | None = None

    def launch(self) -> None:
        """Begin."""
        command = [sys.executable, "-m", "dosetrack", "receive", "--port", str(self.port)]
        command += ["--ledger", self.url, "--spool", str(self.spool), *self.more]
        self.process = subprocess.Popen(command, cwd=PROJECT, stderr=subprocess.PIPE, text=True)

    def start(self) -> Receiving:
        """Begin, and wait until it listens."""
        self.launch()
        self.port = int(self.said_until(r"Receiving as .*:(\d+) ")[-1])
        return self

    def said_until(self, pattern: str) -> Sequence[str]:
        """Wait until it has said `pattern`; the groups of the match."""
        assert self.process is not None
        assert self.process.stderr is not None
        told = ""
        with selectors.DefaultSelector() as waiting:
            waiting.register(self.process.stderr, selectors.EVENT_READ)
            last = time.monotonic() + LONGEST_S
            while time.monotonic() < last and waiting.select(timeout=last - time.monotonic()):
                line = self.process.stderr.readline()
                told += line
                if found := re.search(pattern, line):
                    return found.groups()
                if not line:
                    break
        raise AssertionError(f"it did not say {pattern!r}: {told}")

    def child(self) -> int | None:
        """The process that reads what was received; None while there is none."""
        assert self.process is not None
        try:
            text = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text("ascii")
            found = [int(word) for word in text.split()]
        except OSError:
            return None
        for pid in [*found, *_children_of_threads(self.process.pid)]:
            with contextlib.suppress(OSError):
                if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes():
                    return pid
        return None

    def kill(self) -> None:
        """End it in the middle of whatever it does."""
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        assert self.process.stderr is not None
        self.process.stderr.close()  # the process below it may hold the other end for a moment

    def stop(self) -> str:
        """End it as a person does; what it said."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return self.process.communicate(timeout=LONGEST_S)[1]

    def wait_until_drained(self) -> None:
        """Until nothing waits in the spool."""
        wait_for(lambda: not any((self.spool / "waiting").iterdir()), what="an empty spool")


def _children_of_threads(pid: int) -> list[int]:
    found: list[int] = []
    with contextlib.suppress(OSError):
        for task in Path(f"/proc/{pid}/task").iterdir():
            with contextlib.suppress(OSError):
                found += [int(word) for word in (task / "children").read_text("ascii").split()]
    return found


def wait_for(holds: Any, *, what: str, longest_s: float = LONGEST_S) -> None:
    """Until `holds()` is true; AssertionError after too long."""
    last = time.monotonic() + longest_s
    while not holds():
        assert time.monotonic() < last, f"waited too long for {what}"
        time.sleep(0.02)


@dataclass(frozen=True, slots=True)
class Held:
    """What a ledger holds. uids : SOP Instance UIDs of its reports, one of each entry, sorted."""

    uids: list[str]
    digests: list[str]
    quarantined: list[FileQuarantined]
    entries: int


def held_in(url: str) -> Held:
    """What the ledger holds; its chain and originals are verified on the way."""
    ledger = Ledger.open(url, create=False, clock=lambda: datetime.now(UTC))
    try:
        with ledger.reading() as reader:
            assert verify_chain(reader).first_break is None
            payloads = [e.payload for e in reader.each_entry()]
            received = [p for p in payloads if isinstance(p, ReportReceived)]
            for one in received:  # nothing half: bytes, projections and case of each entry
                assert reader.original(one.sha256)
                assert reader.report(one.sha256) is not None
            return Held(
                uids=sorted(p.sop_instance_uid or "" for p in received),
                digests=[p.sha256 for p in received],
                quarantined=[p for p in payloads if isinstance(p, FileQuarantined)],
                entries=len(payloads),
            )
    finally:
        ledger.close()


def bytes_anywhere(folder: Path, needle: bytes) -> list[Path]:
    """Files under `folder` that hold `needle`."""
    return [Path(root) / name for root, _, names in os.walk(folder) for name in names
            if needle in (Path(root) / name).read_bytes()]  # fmt: skip
