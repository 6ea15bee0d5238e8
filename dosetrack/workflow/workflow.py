"""The use cases: every way in which a person, a file or a machine changes or reads the ledger."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime

from dosetrack.errors import LedgerError
from dosetrack.ledger import Ledger, needs_rebuild, rebuild
from dosetrack.ledger.ledger import older_version
from dosetrack.workflow.base import utc_now
from dosetrack.workflow.feeding import Feeding
from dosetrack.workflow.follow_up_audit import FollowUpAudit
from dosetrack.workflow.follow_up_maps import FollowUpMaps
from dosetrack.workflow.governing import Governing
from dosetrack.workflow.machines import MachinesSeen
from dosetrack.workflow.papers import Papers
from dosetrack.workflow.patients import Patients

_LOG = logging.getLogger(__name__)


class Workflow(FollowUpAudit, Feeding, Governing, MachinesSeen, Papers, Patients, FollowUpMaps):
    """Joins ledger and calculators. Threads may share it; every change is one transaction."""


def open_workflow(
    url: str,
    *,
    create: bool = False,
    migrate: bool | None = None,
    is_read_only: bool = False,
    clock: Callable[[], datetime] = utc_now,
) -> Workflow:
    """The workflow on the ledger at `url` (SQLAlchemy URL).

    Parameters
    ----------
    create : make the ledger when it is missing
    migrate : bring a ledger of an older version up to date, its projections too; None: as `create`
    is_read_only : only what reads will do; needs no permission to write, and makes nothing

    Raises
    ------
    LedgerMissingError
        There is none, and `create` is False.
    LedgerError
        It cannot be used; another version made its projections, and `migrate` is False.
    """
    if is_read_only:
        workflow = Workflow(Ledger.open_to_read(url, clock=clock), clock=clock)
    else:
        ledger = Ledger.open(url, create=create, clock=clock, migrate=migrate)
        workflow = Workflow(ledger, clock=clock)
    may_migrate = not is_read_only and (create if migrate is None else migrate)
    try:
        _bring_up_to_date(workflow, may_migrate=may_migrate)
    except BaseException:
        workflow.ledger.close()
        raise
    return workflow


def _bring_up_to_date(workflow: Workflow, *, may_migrate: bool) -> None:
    ledger, projector = workflow.ledger, workflow.projector
    with ledger.reading() as reader:
        is_older = needs_rebuild(reader, projector)
        is_empty = reader.position() == 0
    if is_older and may_migrate:
        if not is_empty:
            _LOG.warning("the ledger was last written by another version; its summaries are made again")
        rebuild(ledger, projector)  # of an empty ledger it notes the version only
        workflow.decide_follow_ups()
    elif is_older and not is_empty:
        raise LedgerError(older_version(ledger.url.database))
