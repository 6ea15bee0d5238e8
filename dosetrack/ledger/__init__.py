"""The append-only store: entries chained by digest, original bytes, and rebuildable projections.

`engine` opens a database, `schema` holds its tables, `codec` turns payloads into text. `Ledger` is
opened once per process; `Transaction` writes, `LedgerReader` reads; `rows` are what projections
hold. The ledger knows the records and no calculator: what a case amounts to is worked out by a
`Projector` given by the caller.
"""

from dosetrack.ledger.check import ProjectionDifference, ProjectionReport, check_projections
from dosetrack.ledger.follow_up_query import FollowUpFilter, follow_up_row_of, follow_up_rows
from dosetrack.ledger.ledger import Ledger
from dosetrack.ledger.query import LedgerReader
from dosetrack.ledger.rebuild import Projector, needs_rebuild, projection_digest, rebuild
from dosetrack.ledger.rows import (
    CaseMatch,
    CaseState,
    CaseTotalRow,
    FollowUpRow,
    OriginalRow,
    PlaneDose,
    ReportRow,
    SettingRow,
    StoredEvent,
)
from dosetrack.ledger.transaction import PackedOriginal, Transaction, pack_original
from dosetrack.ledger.verify import Anchor, ChainBreak, ChainReport, verify_chain

__all__ = [
    "Anchor",
    "CaseMatch",
    "CaseState",
    "CaseTotalRow",
    "ChainBreak",
    "ChainReport",
    "FollowUpFilter",
    "FollowUpRow",
    "Ledger",
    "LedgerReader",
    "OriginalRow",
    "PackedOriginal",
    "PlaneDose",
    "ProjectionDifference",
    "ProjectionReport",
    "Projector",
    "ReportRow",
    "SettingRow",
    "StoredEvent",
    "Transaction",
    "check_projections",
    "follow_up_row_of",
    "follow_up_rows",
    "needs_rebuild",
    "pack_original",
    "projection_digest",
    "rebuild",
    "verify_chain",
]
