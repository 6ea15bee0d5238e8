"""`dosetrack receive`: a DICOM receiver that stores, answers, and ingests by itself."""

from __future__ import annotations

import logging
import os
import signal
import ssl
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dosetrack.cli._ledger_options import WRONG_USAGE, LedgerOption, fail, ledger_url, opened
from dosetrack.errors import InputError

if TYPE_CHECKING:
    from dosetrack.services.admission import Peer
    from dosetrack.services.spool import Spool
    from dosetrack.workflow import Workflow

SPOOL_VARIABLE = "DOSETRACK_SPOOL"
DEFAULT_PORT = 11112


def receive(
    host: Annotated[str, typer.Option("--host", help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, help="Port to listen on; 0: any that is free.")
    ] = DEFAULT_PORT,
    ae_title: Annotated[str, typer.Option("--ae-title", help="Our AE title; senders may call any.")] = "DOSE",
    allow: Annotated[
        list[str] | None,
        typer.Option(
            metavar="AE[@ADDRESS]",
            help="Who may send, may be given again; none given: anyone on this computer, nobody else.",
        ),
    ] = None,
    spool: Annotated[
        Path | None,
        typer.Option(help=f"Folder of received files; else {SPOOL_VARIABLE}, else one of the user."),
    ] = None,
    tls_certificate: Annotated[
        Path | None, typer.Option(metavar="FILE.pem", help="Certificate to show: switches TLS on.")
    ] = None,
    tls_key: Annotated[Path | None, typer.Option(metavar="FILE.pem", help="Its private key.")] = None,
    tls_authorities: Annotated[
        Path | None,
        typer.Option(metavar="FILE.pem", help="Senders must show a certificate signed by one of these."),
    ] = None,
    ledger: LedgerOption = None,
) -> None:
    """Receive dose reports, x-ray images (headers) and procedure steps over the DICOM network.

    Success is answered once the bytes are on disk; reading follows in another process. Stop with Ctrl-C.
    """
    from dosetrack.services.admission import is_ae_title
    from dosetrack.services.receiver import Receiver
    from dosetrack.services.spool import Spool
    from dosetrack.services.spool_ingest import SpoolIngest

    logging.basicConfig(
        stream=sys.stderr, format="%(asctime)s %(levelname)s %(message)s", level=logging.WARNING
    )
    peers = _peers(allow or [])
    tls = _tls(tls_certificate, tls_key, tls_authorities)
    if not is_ae_title(ae_title):
        fail(f"--ae-title {ae_title!r}: 1 to 16 plain characters are accepted", WRONG_USAGE)
    workflow = opened(ledger, create=True)
    folder = Spool(spool or _spool_folder())
    _prepare(folder)
    _take_in_what_waited(workflow, folder)
    workflow.ledger.close()
    receiver = Receiver(folder, ae_title=ae_title, allowed=peers, tls=tls)
    try:
        in_use = receiver.start(host, port)
    except OSError as error:
        fail(f"Cannot listen on {host}:{port} ({error.strerror or error}).", WRONG_USAGE)
    ingesting = SpoolIngest(ledger_url(ledger), folder).start()
    print(f"Receiving as {ae_title} on {host}:{in_use} - stop with Ctrl-C", file=sys.stderr, flush=True)
    stopped = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stopped.set())
    stopped.wait()
    receiver.stop()
    ingesting.stop()


def _prepare(folder: Spool) -> None:
    try:
        folder.prepare()
    except BlockingIOError:
        fail(f"{folder.folder}: another receiver keeps its files there; give another --spool", WRONG_USAGE)
    except OSError as error:
        fail(f"{folder.folder}: cannot hold received files ({error.strerror or error})", WRONG_USAGE)


def _take_in_what_waited(workflow: Workflow, folder: Spool) -> None:
    from dosetrack.errors import LedgerError
    from dosetrack.services.spool_ingest import drain

    try:
        waited = drain(workflow, folder)
    except (LedgerError, OSError) as error:  # receiving goes on all the same: nothing is lost by it
        print(f"Received files from before still wait: {error}", file=sys.stderr)
        return
    if waited:
        print(f"{waited} received files from before were taken in", file=sys.stderr)


def _peers(texts: list[str]) -> list[Peer]:
    from dosetrack.services.admission import Peer

    try:
        return [Peer.from_text(text) for text in texts]
    except InputError as error:
        fail(str(error), WRONG_USAGE)


def _tls(certificate: Path | None, key: Path | None, authorities: Path | None) -> ssl.SSLContext | None:
    from dosetrack.services.receiver import tls_context

    if certificate is None and key is None and authorities is None:
        return None
    if certificate is None or key is None:
        fail("TLS needs both --tls-certificate and --tls-key", WRONG_USAGE)
    try:
        return tls_context(
            certificate=str(certificate), key=str(key), authorities=str(authorities) if authorities else None
        )
    except (OSError, ssl.SSLError) as error:
        fail(f"TLS cannot be set up: {error}", WRONG_USAGE)


def _spool_folder() -> Path:
    named = os.environ.get(SPOOL_VARIABLE)
    if named:
        return Path(named)
    data_home = os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share"
    return Path(data_home) / "dosetrack" / "received"
