"""The use cases: every way in which a person, a file or a machine changes or reads the ledger."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from dosetrack.ledger import Ledger
from dosetrack.workflow.base import utc_now
from dosetrack.workflow.filing import Filing
from dosetrack.workflow.governing import Governing
from dosetrack.workflow.recording import Recording
from dosetrack.workflow.skin_maps import SkinMaps


class Workflow(Recording, Filing, Governing, SkinMaps):
    """Joins ledger and calculators. Threads may share it; every change is one transaction."""


def open_workflow(url: str, *, create: bool = False, clock: Callable[[], datetime] = utc_now) -> Workflow:
    """The workflow on the ledger at `url` (SQLAlchemy URL); LedgerMissingError when there is none."""
    return Workflow(Ledger.open(url, create=create, clock=clock), clock=clock)
