"""Options every command shares that works on a ledger, and how it opens one."""

from __future__ import annotations

import getpass
import os
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from dosetrack.errors import InputError, LedgerError, LedgerMissingError
from dosetrack.ledger import Ledger
from dosetrack.records.people import Actor, Role
from dosetrack.workflow import Workflow, open_workflow, utc_now

LEDGER_VARIABLE = "DOSETRACK_LEDGER"
WRONG_USAGE = 2
NOTHING_USABLE = 3

LedgerOption = Annotated[
    str | None,
    typer.Option(
        "--ledger",
        help=f"SQLAlchemy URL of the ledger; else {LEDGER_VARIABLE}, else one file of the user.",
        metavar="URL",
    ),
]
ActorOption = Annotated[
    str | None,
    typer.Option("--actor", help="Who does it; default: the user of this computer.", metavar="NAME"),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Write one JSON document to standard output.")]


def ledger_url(given: str | None) -> str:
    """The URL asked for, else the environment's, else one SQLite file in the user's data folder."""
    url = given or os.environ.get(LEDGER_VARIABLE)
    if url:
        return url
    data_home = os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share"
    return f"sqlite:///{Path(data_home) / 'dosetrack' / 'ledger.sqlite'}"


def actor_named(given: str | None) -> Actor:
    """The actor of a command: the name given, else the user of this computer, as administrator."""
    return Actor(name=given or _user(), role=Role.ADMINISTRATOR)


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown user"


def opened(given: str | None, *, create: bool = False) -> Workflow:
    """The workflow on the ledger asked for; ends the command with exit code 3 when there is none."""
    return _opened(partial(open_workflow, ledger_url(given), create=create))


def opened_to_read(given: str | None) -> Workflow:
    """The same for commands that only read: no permission to write the ledger is needed."""
    return _opened(partial(open_workflow, ledger_url(given), is_read_only=True))


def opened_to_rebuild(given: str | None) -> Workflow:
    """The same whichever version made its projections, for they are about to be made again."""

    def open_it() -> Workflow:
        return Workflow(Ledger.open(ledger_url(given), create=False, migrate=True, clock=utc_now))

    return _opened(open_it)


def _opened(open_it: Callable[[], Workflow]) -> Workflow:
    try:
        return open_it()
    except LedgerMissingError as error:
        fail(f"{error}. 'dosetrack ingest' or 'dosetrack serve' makes one.", NOTHING_USABLE)
    except LedgerError as error:
        fail(str(error), NOTHING_USABLE)
    except InputError as error:  # not an address of a ledger
        fail(str(error), WRONG_USAGE)


def fail(message: str, code: int) -> NoReturn:
    """Print `message` to standard error and end with `code`; never returns."""
    print(message, file=sys.stderr)
    raise typer.Exit(code)
