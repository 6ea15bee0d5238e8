"""The command line: one module per command, imported only when its command is asked for."""

from __future__ import annotations

import sys
from importlib import import_module

import typer

# command -> (module, function or group); `dosetrack --help` lists them in this order
COMMANDS: dict[str, tuple[str, str]] = {
    "read": ("dosetrack.cli.read", "read"),
    "ingest": ("dosetrack.cli.ingest", "ingest"),
    "cases": ("dosetrack.cli.cases", "cases"),
    "case": ("dosetrack.cli.cases", "case"),
    "document": ("dosetrack.cli.document", "document"),
    "kidney": ("dosetrack.cli.kidney", "kidney"),
    "skin": ("dosetrack.cli.skin", "skin"),
    "followup": ("dosetrack.cli.followup", "followup"),
    "audit": ("dosetrack.cli.audit", "audit"),
    "machines": ("dosetrack.cli.machines", "machines"),
    "schedule": ("dosetrack.cli.schedule", "schedule"),
    "receive": ("dosetrack.cli.receive", "receive"),
    "watch": ("dosetrack.cli.watch", "watch"),
    "access": ("dosetrack.cli.access", "group"),
    "serve": ("dosetrack.cli.serve", "serve"),
    "demo": ("dosetrack.cli.demo", "demo"),
    "ledger": ("dosetrack.cli.ledger", "group"),
}


def build_app(only: str | None = None) -> typer.Typer:
    """The application with every command, or with `only` one so that nothing else is imported."""
    app = typer.Typer(
        name="dosetrack",
        help=(
            "Radiation and contrast dose of fluoroscopy-guided procedures. Decision support for trained "
            "staff: it does not replace local protocol or clinical judgement."
        ),
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    app.callback(invoke_without_command=True)(_version_option)
    for name, (module, function) in COMMANDS.items():
        if only is None or name == only:
            found = getattr(import_module(module), function)
            if isinstance(found, typer.Typer):
                app.add_typer(found, name=name)
            else:
                app.command(name)(found)
    return app


def _version_option(
    version: bool = typer.Option(False, "--version", help="Print the version and end.", is_eager=True),
) -> None:
    if version:
        from dosetrack.version import VERSION

        print(VERSION)
        raise typer.Exit(0)


def main() -> None:
    """Entry point of the `dosetrack` command."""
    named = next((word for word in sys.argv[1:] if word in COMMANDS), None)
    first = sys.argv[1] if len(sys.argv) > 1 else None
    build_app(only=named if named is not None and named == first else None)()
