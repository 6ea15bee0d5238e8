"""What a department gives: typical values, levels passed, gaps in the data, reference levels.

`typical` holds the statistics - `cases` the rows they are made of - `reference` the published
levels and the comparison with them - `period` puts one audit together.
"""

from dosetrack.audit.cases import QUANTITIES, AgeGroup, AuditCase
from dosetrack.audit.period import (
    AuditResult,
    AuditSettings,
    ChosenReference,
    Completeness,
    LevelCount,
    MonthRow,
    OperatorRow,
    OverLevel,
    Present,
    ProcedureRow,
    RoomCompleteness,
    RoomRow,
    audit,
    audit_settings,
)
from dosetrack.audit.reception import ExpectedProcedure, ReceivedCase, Reception, reception
from dosetrack.audit.reference import Comparison, ReferenceLevel, Verdict, compare, reference_levels
from dosetrack.audit.typical import Statistics, quantile, statistics

__all__ = [
    "QUANTITIES",
    "AgeGroup",
    "AuditCase",
    "AuditResult",
    "AuditSettings",
    "ChosenReference",
    "Comparison",
    "Completeness",
    "ExpectedProcedure",
    "LevelCount",
    "MonthRow",
    "OperatorRow",
    "OverLevel",
    "Present",
    "ProcedureRow",
    "ReceivedCase",
    "Reception",
    "ReferenceLevel",
    "RoomCompleteness",
    "RoomRow",
    "Statistics",
    "Verdict",
    "audit",
    "audit_settings",
    "compare",
    "quantile",
    "reception",
    "reference_levels",
    "statistics",
]
