"""What the worklist holds of one case and kind, and what its fold must be told."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from dosetrack.followup.injury import InjuryStage
from dosetrack.records.follow_up import (
    FollowUpDecided,
    PatientContact,
    SkinDoseEstimated,
    SkinExamined,
)
from dosetrack.records.report import Patient

SKIN, KIDNEY = "skin", "kidney"
KINDS = (SKIN, KIDNEY)
OUTCOMES = ("reached", "not reached", "declined", "wrong number", "transferred", "deceased")
DECISIONS = ("call", "no call")


class FollowUpState(StrEnum):
    """Where an item stands, in the words of the worklist."""

    TO_ESTIMATE = "to be estimated"
    TO_CALL = "to be called"
    CREATININE_DUE = "creatinine due"
    WAITING = "called, waiting"
    CANNOT_REACH = "cannot be reached"
    SEEN = "seen"
    RESULT_IN = "result in"
    DECLINED = "declined"
    TRANSFERRED = "transferred"
    DECEASED = "deceased"
    SETTLED = "settled"
    NOTHING_DUE = "nothing due"


@dataclass(frozen=True, slots=True)
class DueDay:
    """A day on which something is due, YYYY-MM-DD.

    day : by the rules; by : the same, or the day the item was first asked for where that was later
    done_on : None while nobody did it
    """

    day: str
    by: str
    done_on: str | None = None


@dataclass(frozen=True, slots=True)
class Attempt:
    """Somebody tried to reach the patient."""

    at: datetime
    by: str
    outcome: str
    note: str | None = None
    next_on: str | None = None


@dataclass(frozen=True, slots=True)
class Look:
    """Somebody looked at the skin."""

    at: datetime
    by: str
    seen: SkinExamined


@dataclass(frozen=True, slots=True)
class TraceLine:
    """What changed the item other than a call or a look, oldest first."""

    at: datetime
    by: str
    text: str


@dataclass(frozen=True, slots=True)
class FollowUpItem:
    """One case and kind, whole; see the module for what it leaves to `on_day`.

    day : local day of the case
    next_due : the next look or agreed day, the estimate, or the end of the creatinine's window
    agreed_on : of the last attempt
    unreached : attempts in a row that reached nobody
    was_asked : something was asked for at some time
    crossed_on : day on which a level was crossed after the patient had left; None once somebody acted
    """

    case_id: str
    kind: str
    decided: FollowUpDecided
    decided_at: datetime
    state: FollowUpState
    is_open: bool
    patient: Patient = field(default_factory=Patient)
    day: str | None = None
    room: str | None = None
    procedure: str | None = None
    operators: tuple[str, ...] = ()
    owner: str | None = None
    due: tuple[DueDay, ...] = ()
    next_due: str | None = None
    agreed_on: str | None = None
    estimate: SkinDoseEstimated | None = None
    estimated_by: str | None = None
    estimated_at: datetime | None = None
    attempts: tuple[Attempt, ...] = ()
    unreached: int = 0
    looks: tuple[Look, ...] = ()
    is_urgent: bool = False
    injury: InjuryStage | None = None
    contact: PatientContact | None = None
    died_on: str | None = None
    settled_by: str | None = None
    settled_at: datetime | None = None
    settled_reason: str | None = None
    trace: tuple[TraceLine, ...] = ()
    crossed_on: str | None = None
    was_asked: bool = True

    @property
    def tier(self) -> str | None:
        """The highest tier reached by the rules."""
        return self.decided.tier


@dataclass(frozen=True, slots=True)
class FollowedCase:
    """What the fold must know of the case beside its follow-up entries.

    known_from : when the ledger first held it as ended
    injury : as staged by the creatinines; None where no contrast was given
    """

    case_id: str
    zone: ZoneInfo
    patient: Patient = field(default_factory=Patient)
    day: str | None = None
    room: str | None = None
    procedure: str | None = None
    operators: tuple[str, ...] = ()
    known_from: datetime | None = None
    injury: InjuryStage | None = None


@dataclass(frozen=True, slots=True)
class WorklistRules:
    """Settings of the worklist, in force on the day of the case.

    contact_days : days on which a call is enough, YYYY-MM-DD; other days ask for an examination
    early_days : how many days before its day a look may be made and still count for it
    attempts : calls that reached nobody, in a row, after which a letter goes out
    left_after_h : hours after the case by which the patient has left
    """

    contact_days: tuple[str, ...]
    early_days: int
    attempts: int
    left_after_h: float
