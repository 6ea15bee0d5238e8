"""`dosetrack serve`: the dashboard."""

from __future__ import annotations

import logging
import socket
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dosetrack.cli._ledger_options import WRONG_USAGE, LedgerOption, fail, opened
from dosetrack.cli.watch import EVERY_S, folder_watching, require_folders
from dosetrack.workflow import Workflow

if TYPE_CHECKING:
    from dosetrack.services.watch import Watching

HostOption = Annotated[str, typer.Option("--host", help="Address to listen on.")]
PortOption = Annotated[int, typer.Option("--port", min=1, max=65535, help="Port to listen on.")]
DEFAULT_PORT = 8050
_THREADS = 24
"""Gateways of 20 rooms that wait for their turn to write leave some for the screens."""
_MOST_BYTES = 65 * 1024 * 1024
"""A body beyond these is refused before any of it is handed on; the interface itself accepts less."""


def serve(
    host: HostOption = "127.0.0.1",
    port: PortOption = DEFAULT_PORT,
    watch: Annotated[
        list[Path] | None,
        typer.Option(metavar="FOLDER", help="Take in what appears in this folder; may be given again."),
    ] = None,
    ledger: LedgerOption = None,
) -> None:
    """Run the dashboard and its HTTP interface on the ledger; it is made when it is missing."""
    require_folders(watch or [])
    require_free(host, port)
    workflow = opened(ledger, create=True)
    watching = folder_watching(workflow, watch, every_s=EVERY_S).start() if watch else None
    run_dashboard(workflow, host=host, port=port, watching=watching)


def require_free(host: str, port: int) -> None:
    """End the command, before anything else is touched, when it cannot listen at this address."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind, protocol) as trial:
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind(address)
    except OSError as error:
        reason = error.strerror or str(error)
        fail(f"Cannot listen on {host}:{port} ({reason}). Give another with --host or --port.", WRONG_USAGE)


def run_dashboard(workflow: Workflow, *, host: str, port: int, watching: Watching | None = None) -> None:
    """Serve the pages and the interface until interrupted; then end the watch of folders too."""
    from waitress import serve as serve_forever

    from dashboards.app import make_app
    from dosetrack.services.housekeeping import Housekeeping

    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # a line for each request that waits
    app = make_app(workflow)
    housekeeping = Housekeeping(workflow).start()
    print(f"Dashboard on http://{host}:{port} - stop with Ctrl-C", file=sys.stderr)
    try:
        serve_forever(
            app.server, host=host, port=port, threads=_THREADS, ident="", max_request_body_size=_MOST_BYTES
        )
    finally:
        if watching is not None:
            watching.stop()
        housekeeping.stop()
        workflow.ledger.close()
