"""Radiation and contrast dose of fluoroscopy-guided procedures.

The public names stand in `__all__`. Each is imported when it is first asked for, so that
`import dosetrack` itself opens no file and no socket and loads nothing heavy:

    from dosetrack import read_report, open_workflow, kidney, radiation
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dosetrack import kidney, radiation
    from dosetrack.errors import DosetrackError, ReportRefusedError
    from dosetrack.exchange.rdsr import WriteOptions, write_report
    from dosetrack.findings import Finding, FindingCode
    from dosetrack.ledger import Ledger
    from dosetrack.readers import read_report
    from dosetrack.records.people import Actor, Role
    from dosetrack.records.report import DoseReport, IrradiationEvent
    from dosetrack.version import VERSION
    from dosetrack.workflow import Workflow, open_workflow

__all__ = [
    "VERSION",
    "Actor",
    "DoseReport",
    "DosetrackError",
    "Finding",
    "FindingCode",
    "IrradiationEvent",
    "Ledger",
    "ReportRefusedError",
    "Role",
    "Workflow",
    "WriteOptions",
    "kidney",
    "open_workflow",
    "radiation",
    "read_report",
    "write_report",
]

_HOME = {
    "VERSION": "dosetrack.version",
    "Actor": "dosetrack.records.people",
    "DoseReport": "dosetrack.records.report",
    "DosetrackError": "dosetrack.errors",
    "Finding": "dosetrack.findings",
    "FindingCode": "dosetrack.findings",
    "IrradiationEvent": "dosetrack.records.report",
    "Ledger": "dosetrack.ledger",
    "ReportRefusedError": "dosetrack.errors",
    "Role": "dosetrack.records.people",
    "Workflow": "dosetrack.workflow",
    "WriteOptions": "dosetrack.exchange.rdsr",
    "open_workflow": "dosetrack.workflow",
    "read_report": "dosetrack.readers",
    "write_report": "dosetrack.exchange.rdsr",
}
_PARTS = ("kidney", "radiation")


def __getattr__(name: str) -> Any:
    if name in _PARTS:
        return import_module(f"{__name__}.{name}")
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
