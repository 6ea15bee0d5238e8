"""The receiver with real peers: DCMTK's echoscu and storescu, and pynetdicom as the sender."""

from __future__ import annotations

import hashlib
import io
import os
import random
import socket
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from pydicom import dcmread
from pydicom.dataset import Dataset, FileMetaDataset

from dosetrack.exchange import TransferSyntax
from dosetrack.readers.head import kept_bytes
from dosetrack.services.admission import Peer
from dosetrack.services.receiver import Receiver
from dosetrack.services.spool import Spool
from dosetrack.services.spool_ingest import drain
from dosetrack.workflow import Workflow
from tests.services.receiving import (
    PROJECT,
    RDSR,
    ROOT,
    STEP,
    VERIFICATION,
    XA,
    association,
    bytes_anywhere,
    held_in,
    image_file,
    report_bytes,
    run_tool,
    send,
)

CT = "1.2.840.10008.5.1.4.1.1.2"
SUCCESS = 0x0000


@pytest.fixture
def spool(tmp_path: Path) -> Iterator[Spool]:
    made = Spool(tmp_path / "spool")
    made.prepare()
    yield made
    made.release()


@pytest.fixture
def port(spool: Spool) -> Iterator[int]:
    receiver = Receiver(spool, ae_title="DOSE")
    yield receiver.start("127.0.0.1", 0)
    receiver.stop()


# DCMTK as the peer ------------------------------------------------------------------------------


@pytest.mark.dicom_tools
def test_echo(port: int) -> None:
    done = run_tool("echoscu", "-v", "127.0.0.1", str(port))
    assert done.returncode == 0, done.stderr
    assert "Received Echo Response (Success)" in done.stdout + done.stderr


@pytest.mark.dicom_tools
@pytest.mark.parametrize(
    ("syntax", "option", "convert"),
    [
        (TransferSyntax.EXPLICIT_LITTLE, "-xe", "+te"),
        (TransferSyntax.EXPLICIT_BIG, "-xb", "+tb"),
        (TransferSyntax.IMPLICIT_LITTLE, "-xi", "+ti"),
        (TransferSyntax.DEFLATED, "-xd", "+td"),
    ],
    ids=["explicit", "big-endian", "implicit", "deflated"],
)
def test_report_in_every_transfer_syntax(
    syntax: TransferSyntax,
    option: str,
    convert: str,
    tmp_path: Path,
    port: int,
    spool: Spool,
    workflow: Workflow,
) -> None:
    plain, sent = tmp_path / "plain.dcm", tmp_path / "sent.dcm"
    plain.write_bytes(report_bytes(1, events=3))
    assert run_tool("dcmconv", convert, plain, sent).returncode == 0
    done = run_tool("storescu", option, "127.0.0.1", str(port), sent)
    assert done.returncode == 0, done.stderr
    (waiting,) = spool.files()
    assert dcmread(waiting, stop_before_pixels=True).file_meta.TransferSyntaxUID == syntax.uid
    assert drain(workflow, spool) == 1
    (case,) = workflow.cases()
    assert (case.events, case.reports) == (3, 1)
    assert case.reference_air_kerma_mgy == pytest.approx(300.0)  # three events of 100 mGy
    assert spool.files() == []


@pytest.mark.dicom_tools
def test_no_pixel_of_an_image_is_kept(tmp_path: Path, port: int, spool: Spool, workflow: Workflow) -> None:
    mark = b"PIXELS-OF-AN-INVENTED-IMAGE-"
    path = image_file(tmp_path / "sent.dcm", pixels=(mark * 4096)[: 16 * 4096])
    done = run_tool("storescu", "127.0.0.1", str(port), path)
    assert done.returncode == 0, done.stderr
    (waiting,) = spool.files()
    assert waiting.stat().st_size < 2000
    assert bytes_anywhere(spool.folder, mark) == []
    assert drain(workflow, spool) == 1
    held = held_in(workflow.ledger.url.render_as_string())
    assert held.uids == [f"{ROOT}.500"]
    with workflow.ledger.reading() as reader:
        original = reader.original(held.digests[0])
    assert dcmread(io.BytesIO(original), force=True).StationName == "INVENTED-XA"
    assert mark not in original
    length = (16 * 4096).to_bytes(4, "little")  # the header ends with tag, kind and length of the pixels
    assert original[-12:] in (b"\xe0\x7f\x10\x00OB\0\0" + length, b"\xe0\x7f\x10\x00OW\0\0" + length)
    path.unlink()
    assert bytes_anywhere(tmp_path, mark) == []


@pytest.mark.dicom_tools
def test_many_objects_of_one_association(tmp_path: Path, port: int, spool: Spool, workflow: Workflow) -> None:
    for number in range(30):
        (tmp_path / f"{number}.dcm").write_bytes(report_bytes(number))
    done = run_tool("storescu", "127.0.0.1", str(port), *sorted(tmp_path.glob("*.dcm")))
    assert done.returncode == 0, done.stderr
    assert len(spool.files()) == 30
    assert drain(workflow, spool) == 30
    assert len(workflow.cases()) == 30


@pytest.mark.dicom_tools
@pytest.mark.parametrize("asks_certificate", [False, True], ids=["server", "both"])
def test_tls(tmp_path: Path, spool: Spool, asks_certificate: bool) -> None:
    from dosetrack.services.receiver import tls_context

    certificate, key = self_made_certificate(tmp_path, "receiver")
    own_certificate, own_key = self_made_certificate(tmp_path, "sender")
    context = tls_context(
        certificate=str(certificate),
        key=str(key),
        authorities=str(own_certificate) if asks_certificate else None,
    )
    receiver = Receiver(spool, ae_title="DOSE", tls=context)
    port = str(receiver.start("127.0.0.1", 0))
    (tmp_path / "sent.dcm").write_bytes(report_bytes(1))
    trusting = ("+cf", certificate, "127.0.0.1", port, tmp_path / "sent.dcm")
    try:
        silent = socket.create_connection(("127.0.0.1", int(port)))  # must not hold up others
        shown = run_tool("storescu", "+tls", own_key, own_certificate, *trusting)
        assert shown.returncode == 0, shown.stderr
        anonymous = run_tool("storescu", "+tla", *trusting)
        assert (anonymous.returncode != 0) == asks_certificate, anonymous.stderr
        plain = run_tool("echoscu", "-ta", "3", "127.0.0.1", port)
        assert plain.returncode != 0
        silent.close()
    finally:
        receiver.stop()
    # the same bytes sent twice wait twice; the ledger takes them once
    assert len(spool.files()) == (1 if asks_certificate else 2)


def self_made_certificate(folder: Path, name: str) -> tuple[Path, Path]:
    certificate, key = folder / f"{name}.crt.pem", folder / f"{name}.key.pem"
    done = run_tool(
        "openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-keyout", key,
        "-out", certificate,
        "-subj", f"/CN=invented-{name}", "-addext", "subjectAltName=IP:127.0.0.1",
    )  # fmt: skip
    assert done.returncode == 0, f"{done.stderr}; install with: apt-get install openssl"
    return certificate, key


# who may send -----------------------------------------------------------------------------------


@pytest.mark.dicom_tools
def test_allow_list_on_the_wire(tmp_path: Path, spool: Spool) -> None:
    allowed = [Peer.from_text("ANGIO1@127.0.0.0/8"), Peer.from_text("ANGIO2@10.1.2.3")]
    receiver = Receiver(spool, ae_title="DOSE", allowed=allowed)
    port = str(receiver.start("127.0.0.1", 0))
    (tmp_path / "sent.dcm").write_bytes(report_bytes(1))
    try:
        codes = {}
        for title in ("ANGIO1", "ANGIO2", "OTHER"):
            done = run_tool("storescu", "-aet", title, "127.0.0.1", port, tmp_path / "sent.dcm")
            codes[title] = (done.returncode, "Calling AE Title Not Recognized" in done.stdout + done.stderr)
    finally:
        receiver.stop()
    assert codes["ANGIO1"] == (0, False)
    assert codes["ANGIO2"][0] != 0
    assert codes["ANGIO2"][1]
    assert codes["OTHER"][0] != 0
    assert codes["OTHER"][1]
    assert len(spool.files()) == 1


def test_a_class_that_is_no_dose_is_refused_in_negotiation(port: int) -> None:
    with association(port, RDSR, CT, XA, STEP, VERIFICATION) as made:
        assert {str(c.abstract_syntax) for c in made.accepted_contexts} == {RDSR, XA, STEP, VERIFICATION}
        assert [str(c.abstract_syntax) for c in made.rejected_contexts] == [CT]
        assert {c.result for c in made.rejected_contexts} == {0x03}  # abstract syntax not supported, PS3.8


# what is kept -----------------------------------------------------------------------------------


def test_object_that_cannot_be_read_is_answered_success_and_kept_in_quarantine(
    port: int, spool: Spool, workflow: Workflow
) -> None:
    nothing = bare_object(66)
    nothing.PatientID = "P1"
    with association(port) as made:
        for _ in range(2):
            assert made.send_c_store(nothing).Status == SUCCESS
        assert send(made, report_bytes(1)) == SUCCESS
    (kept, *_) = [path.read_bytes() for path in spool.files()]
    assert drain(workflow, spool) == 3
    held = held_in(workflow.ledger.url.render_as_string())
    assert held.uids == [f"{ROOT}.9.1"]
    (quarantined,) = held.quarantined
    assert quarantined.sha256 == hashlib.sha256(kept).hexdigest()
    assert quarantined.reason
    with workflow.ledger.reading() as reader:
        assert reader.original(quarantined.sha256) == kept


def test_same_object_twice_counts_once(port: int, spool: Spool, workflow: Workflow) -> None:
    for _ in range(2):
        with association(port) as made:
            assert send(made, report_bytes(1)) == SUCCESS
            assert send(made, report_bytes(1)) == SUCCESS
    first, *others = [path.read_bytes() for path in spool.files()]
    assert others == [first] * 3
    assert drain(workflow, spool) == 4
    assert held_in(workflow.ledger.url.render_as_string()).uids == [f"{ROOT}.9.1"]
    (case,) = workflow.cases()
    assert case.reference_air_kerma_mgy == pytest.approx(200.0)


def test_bytes_are_kept_as_they_came(port: int, spool: Spool) -> None:
    sent = report_bytes(1)
    with association(port) as made:
        assert send(made, sent) == SUCCESS
    (waiting,) = spool.files()
    kept = waiting.read_bytes()
    whole = dcmread(io.BytesIO(kept))
    assert whole.file_meta.MediaStorageSOPInstanceUID == whole.SOPInstanceUID == f"{ROOT}.9.1"
    assert kept == kept_bytes(kept)
    # after preamble and file meta information nothing differs: DCMTK's and our length fields agree
    assert kept[-2000:] == sent[-2000:]


def test_step_by_create_and_set(port: int, spool: Spool, workflow: Workflow) -> None:
    uid = f"{ROOT}.600"
    with association(port, STEP) as made:
        status, _ = made.send_n_create(step_begun(), STEP, uid)
        assert status.Status == SUCCESS
        status, _ = made.send_n_set(step_ended(), STEP, uid)
        assert status.Status == SUCCESS
        status, _ = made.send_n_set(step_ended(), STEP, f"{ROOT}.601")  # its N-CREATE never came
        assert status.Status == SUCCESS
    assert len(spool.files()) == 3
    assert drain(workflow, spool) == 3
    held = held_in(workflow.ledger.url.render_as_string())
    assert held.uids == [uid, uid, f"{ROOT}.601"]
    assert held.quarantined == []


def test_association_broken_off_keeps_what_was_answered(port: int, spool: Spool) -> None:
    with association(port) as made:
        assert send(made, report_bytes(1)) == SUCCESS
        made.abort()
    with association(port) as made:  # the next one is served
        assert send(made, report_bytes(2)) == SUCCESS
    assert len(spool.files()) == 2


def test_object_broken_off_in_the_middle_leaves_nothing(port: int, spool: Spool) -> None:
    with association(port) as made:
        whole = bare_object(67)
        whole.TextValue = "x" * 4_000_000
        socket_of_sender, passed = made.dul.socket, [0]
        line, send_all = socket_of_sender.socket, socket_of_sender.send

        def send_some(data: bytes) -> None:
            passed[0] += len(data)
            if passed[0] > 1_000_000:
                line.shutdown(socket.SHUT_RDWR)
            send_all(data)

        socket_of_sender.send = send_some
        assert "Status" not in made.send_c_store(whole)
        line.close()
    with association(port) as made:  # the next one is served
        assert send(made, report_bytes(1)) == SUCCESS
    assert len(spool.files()) == 1
    assert list(spool.incoming.iterdir()) == []


def test_many_associations_at_once(port: int, spool: Spool, workflow: Workflow) -> None:
    def sender(first: int) -> list[int | None]:
        with association(port, title=f"ANGIO{first}") as made:
            return [send(made, report_bytes(first * 5 + item)) for item in range(5)]

    with ThreadPoolExecutor(12) as pool:
        answers = list(pool.map(sender, range(12)))
    assert answers == [[SUCCESS] * 5] * 12
    assert drain(workflow, spool) == 60
    expected = sorted(f"{ROOT}.9.{number}" for number in range(60))
    assert held_in(workflow.ledger.url.render_as_string()).uids == expected


@pytest.mark.parametrize(
    "error", [OSError(28, "No space left on device"), MemoryError()], ids=["disk", "memory"]
)
def test_refusing_disk_is_answered_out_of_resources(
    error: Exception, port: int, spool: Spool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A700H for C-STORE (PS3.4 table B.2-1), 0213H for N-CREATE and N-SET (PS3.7 annex C)."""

    def refuse(_: int) -> None:
        raise error

    with association(port, RDSR, STEP) as made:
        with monkeypatch.context() as broken:
            broken.setattr(os, "fsync", refuse)
            assert send(made, report_bytes(1)) == 0xA700
            assert made.send_n_create(step_begun(), STEP, f"{ROOT}.600")[0].Status == 0x0213
            assert made.send_n_set(step_ended(), STEP, f"{ROOT}.600")[0].Status == 0x0213
        assert spool.files() == []
        assert send(made, report_bytes(1)) == SUCCESS
    assert len(spool.files()) == 1


def bare_object(last: object) -> Dataset:
    """It calls itself a dose report and has no content."""
    data = Dataset()
    data.SOPClassUID, data.SOPInstanceUID = RDSR, f"{ROOT}.{last}"
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = TransferSyntax.EXPLICIT_LITTLE.uid
    return data


def step_begun() -> Dataset:
    """What an N-CREATE carries."""
    data = Dataset()
    scheduled = Dataset()
    scheduled.StudyInstanceUID, scheduled.AccessionNumber = f"{ROOT}.2.1", "A-1"
    data.ScheduledStepAttributesSequence = [scheduled]
    data.PatientName, data.PatientID, data.IssuerOfPatientID = "Invented^Person", "P1", "INVENTED"
    data.PerformedProcedureStepID, data.PerformedStationAETitle = "S1", "ANGIO1"
    data.PerformedStationName, data.Modality = "INVENTED-XA", "XA"
    data.PerformedProcedureStepStartDate, data.PerformedProcedureStepStartTime = "20260302", "090000"
    data.PerformedProcedureStepStatus = "IN PROGRESS"
    return data


def step_ended() -> Dataset:
    """What an N-SET carries: no patient, no machine."""
    data = Dataset()
    data.PerformedProcedureStepEndDate, data.PerformedProcedureStepEndTime = "20260302", "103000"
    data.PerformedProcedureStepStatus = "COMPLETED"
    data.TotalTimeOfFluoroscopy = 600
    return data


def test_help_of_the_command_loads_no_network_library() -> None:
    watched = (
        "import sys; sys.argv = ['dosetrack', 'receive', '--help']\n"
        "from dosetrack.cli import main\n"
        "try:\n    main()\nfinally:\n"
        "    print(sorted({'pynetdicom', 'pydicom', 'pandas', 'dash'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", watched], cwd=PROJECT, capture_output=True, text=True, check=False
    )
    assert done.stdout.strip().endswith("[]"), done.stdout + done.stderr
    assert "--allow" in done.stdout


def test_damaged_objects_never_stop_the_receiver(port: int, spool: Spool, workflow: Workflow) -> None:
    chance = random.Random(3)
    with association(port) as made:
        for number in range(10):
            damaged = bare_object(f"70.{number}")
            damaged.add_new(0x00091001, "UN", chance.randbytes(200))
            assert made.send_c_store(damaged).Status == SUCCESS
        assert send(made, report_bytes(1)) == SUCCESS
    assert drain(workflow, spool) == 11
    held = held_in(workflow.ledger.url.render_as_string())
    assert held.uids == [f"{ROOT}.9.1"]
    assert len(held.quarantined) == 10
