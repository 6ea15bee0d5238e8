"""The use cases: what people, files and machines do with the ledger, and what they get to see.

`workflow` holds the calls - `taking_in` and `tables_in` take reports and tables in - `joining`
finds a report's case - `projector` folds a case and puts its row - `views` shows one case -
`prompting` raises what is due - `site` resolves settings - `auditing` feeds the month - `results`
are the answers.
"""

from dosetrack.workflow.base import SYSTEM, utc_now
from dosetrack.workflow.results import (
    CaseSummary,
    CaseView,
    Earlier,
    Feeds,
    IngestResult,
    Recorded,
    SettingView,
    Stair,
    TimelineRow,
    TypedEntry,
)
from dosetrack.workflow.tables_in import TableTakenIn
from dosetrack.workflow.taking_in import TakenIn
from dosetrack.workflow.workflow import Workflow, open_workflow

__all__ = [
    "SYSTEM",
    "CaseSummary",
    "CaseView",
    "Earlier",
    "Feeds",
    "IngestResult",
    "Recorded",
    "SettingView",
    "Stair",
    "TableTakenIn",
    "TakenIn",
    "TimelineRow",
    "TypedEntry",
    "Workflow",
    "open_workflow",
    "utc_now",
]
