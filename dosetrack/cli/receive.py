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
    from dosetrack.services.receiver import Peer

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
    from dosetrack.services.receiver import Receiver
    from dosetrack.services.spool import Spool
    from dosetrack.services.spool_ingest import SpoolIngest, drain

    logging.basicConfig(
        stream=sys.stderr, format="%(asctime)s %(levelname)s %(message)s", level=logging.WARNING
    )
    peers = _peers(allow or [])
    tls = _tls(tls_certificate, tls_key, tls_authorities)
    if not 0 < len(ae_title) <= 16:
        fail(f"--ae-title {ae_title!r}: 1 to 16 characters are accepted", WRONG_USAGE)
    workflow = opened(ledger, create=True)
    folder = Spool(spool or _spool_folder())
    try:
        folder.prepare()
    except OSError as error:
        fail(f"{folder.folder}: cannot hold received files ({error.strerror or error})", WRONG_USAGE)
    waited = drain(workflow, folder)
    if waited:
        print(f"{waited} received files from before were taken in", file=sys.stderr)
    workflow.ledger.close()
    receiver = Receiver(folder, ae_title=ae_title, allowed=peers, tls=tls)
    try:
        in_use = receiver.start(host, port)
    except OSError as error:
        fail(f"Cannot listen on {host}:{port} ({error.strerror or error}).", WRONG_USAGE)
    ingesting = SpoolIngest(ledger_url(ledger), folder.folder).start()
    print(f"Receiving as {ae_title} on {host}:{in_use} - stop with Ctrl-C", file=sys.stderr, flush=True)
    stopped = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stopped.set())
    stopped.wait()
    receiver.stop()
    ingesting.stop()


def _peers(texts: list[str]) -> list[Peer]:
    from dosetrack.services.receiver import Peer

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
