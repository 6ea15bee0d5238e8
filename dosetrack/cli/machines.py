"""`dosetrack machines`: meters, conventions, conformance, calibration and clock of each machine."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from dosetrack.audit.machine_wording import (
    axes_words,
    calibration_words,
    clock_words,
    conformance_words,
    drift_words,
)
from dosetrack.audit.machines import Machine, Machines
from dosetrack.cli._ledger_options import JsonOption, LedgerOption, fail, opened_to_read
from dosetrack.cli.cases import WRONG_USAGE, day_option
from dosetrack.cli.json_out import plain, write_json

FirstDay = Annotated[
    str | None,
    typer.Option("--from", callback=day_option, metavar="DATE", help="First day; default: 24 months before."),
]
LastDay = Annotated[
    str | None, typer.Option("--to", callback=day_option, metavar="DATE", help="Last day; default: today.")
]


def machines(
    first: FirstDay = None, last: LastDay = None, as_json: JsonOption = False, ledger: LedgerOption = None
) -> None:
    """What the data of each machine say of it: meter drift, axes, conformance, calibration, clock."""
    if first and last and first > last:
        fail(f"--from {first} is after --to {last}", WRONG_USAGE)
    found = opened_to_read(ledger).machines(first, last)
    if as_json:
        write_json(machines_document(found))
        return
    _print(found)


def machines_document(found: Machines) -> dict[str, Any]:
    """The document of `dosetrack machines --json`."""
    return {
        "first_day": found.first_day,
        "last_day": found.last_day,
        "machines": [_document(machine) for machine in found.machines],
    }


def _document(machine: Machine) -> dict[str, Any]:
    facts = machine.facts
    return {
        "name": machine.name,
        "serial": facts.key.serial,
        "station": facts.key.station,
        "manufacturers": plain(facts.manufacturers),
        "models": plain(facts.models),
        "rooms": plain(facts.rooms),
        "reports": facts.reports,
        "cases": machine.cases,
        "events": machine.events,
        "drifts": plain(machine.drifts),
        "reference_points": _counts(machine.reference_points, "definition"),
        "table_axes": plain(machine.axes),
        "table_axes_verified": machine.axes_verified,
        "angles": plain(machine.angles),
        "calibration": plain(machine.calibration),
        "clock": plain(facts.clock),
        "finding_counts": _counts(facts.findings, "code"),
        "conformance": plain(machine.conformance),
    }


def _counts(pairs: tuple[tuple[str | None, int], ...], name: str) -> list[dict[str, Any]]:
    return [{name: word, "n": n} for word, n in pairs]


def _print(found: Machines) -> None:
    from rich.console import Console

    console = Console()

    def say(text: str) -> None:
        console.print(text, markup=False, highlight=False, soft_wrap=True)

    say(f"{found.first_day} to {found.last_day}: {len(found.machines)} machines")
    for machine in found.machines:
        key = machine.facts.key
        say(f"{machine.name}: serial {key.serial or 'not told'}, station {key.station or 'not told'}")
        planes = [d for d in machine.drifts if d.overall is not None] or list(machine.drifts[:1])
        for drift in planes:
            say("  " + (f"[{drift.plane}] " if len(planes) > 1 else "") + drift_words(drift))
        for axis in machine.axes:
            if axis.doubt:
                say(f"  table {axis.reading} reading, set to {axis.direction}: {axis.doubt}")
        say("  " + axes_words(machine))
        say("  " + calibration_words(machine.calibration))
        say("  " + clock_words(machine.facts.clock))
        say("  " + conformance_words(machine.conformance))
