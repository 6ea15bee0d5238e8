"""`dosetrack serve`: the dashboard."""

from __future__ import annotations

import socket
import sys
from typing import Annotated

import typer

from dosetrack.cli._ledger_options import WRONG_USAGE, LedgerOption, fail, opened
from dosetrack.workflow import Workflow

HostOption = Annotated[str, typer.Option("--host", help="Address to listen on.")]
PortOption = Annotated[int, typer.Option("--port", min=1, max=65535, help="Port to listen on.")]
DEFAULT_PORT = 8050
_THREADS = 12


def serve(
    host: HostOption = "127.0.0.1", port: PortOption = DEFAULT_PORT, ledger: LedgerOption = None
) -> None:
    """Run the dashboard on the ledger; it is made when it is missing."""
    require_free(host, port)
    run_dashboard(opened(ledger, create=True), host=host, port=port)


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


def run_dashboard(workflow: Workflow, *, host: str, port: int) -> None:
    """Serve the pages until interrupted."""
    from waitress import serve as serve_forever

    from dashboards.app import make_app
    from dosetrack.services.housekeeping import Housekeeping

    app = make_app(workflow)
    housekeeping = Housekeeping(workflow).start()
    print(f"Dashboard on http://{host}:{port} - stop with Ctrl-C", file=sys.stderr)
    try:
        serve_forever(app.server, host=host, port=port, threads=_THREADS, ident="")
    finally:
        housekeeping.stop()
        workflow.ledger.close()
