"""What the ledger's projections hold, one small record per table.

A projection is worked out from the entries and the original bytes and can be thrown away and made
again (`dosetrack.ledger.rebuild`). Absent is None. Text columns hold the same text as the records.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from dosetrack.findings import Finding
from dosetrack.records.people import Actor
from dosetrack.records.report import IrradiationEvent, PlaneName

CaseState = Literal["planned", "running", "ended", "closed"]
MatchedBy = Literal["event", "study", "accession"]


@dataclass(frozen=True, slots=True)
class StoredEvent:
    """An irradiation event with what was decided about it.

    is_counted : False for an event held already (another report, or twice in this one)
    instant_utc : start in UTC, ISO 8601 text that sorts by time; None when not known
    """

    event: IrradiationEvent
    is_counted: bool = True
    instant_utc: str | None = None


@dataclass(frozen=True, slots=True)
class ReportRow:
    """A report as it stands in a case, without its events.

    seq : of the entry that brought it; also the order in which reports arrived
    is_counted : False when another report of the same SOP Instance UID counts in its place
    events : number of events it holds, counted or not
    """

    sha256: str
    case_id: str
    seq: int
    file: str
    source: str
    sop_instance_uid: str | None
    study_instance_uid: str | None
    accession_number: str | None
    patient_id: str | None
    patient_issuer: str | None
    station: str | None
    completion: str | None
    started_at: str | None
    is_counted: bool
    events: int


@dataclass(frozen=True, slots=True)
class PlaneDose:
    """Totals of one plane of a case, as the case's totals use them."""

    plane: PlaneName
    reference_air_kerma_mgy: float | None = None
    dose_area_product_gycm2: float | None = None


@dataclass(frozen=True, slots=True)
class CaseTotalRow:
    """One case in one row: what lists, follow-up and audit read.

    Attributes
    ----------
    started_at : local time, ISO 8601 with the digits as sent or typed
    started_instant : the same in UTC, ISO 8601 text that sorts by time
    day : local calendar day of the start, YYYY-MM-DD
    reports, events : counted ones
    reference_air_kerma_mgy : labelled sum over planes; `by_plane` holds each [mGy], [Gy cm2]
    summary : JSON text for everything else (`dosetrack.ledger.codec.to_json` of a record of the
        caller's choice); the ledger keeps it as it is
    """

    id: str
    state: CaseState
    patient_id: str | None = None
    patient_issuer: str | None = None
    accession_number: str | None = None
    room: str | None = None
    procedure: str | None = None
    operators: tuple[str, ...] = ()
    started_at: str | None = None
    started_instant: str | None = None
    ended_at: str | None = None
    day: str | None = None
    reports: int = 0
    events: int = 0
    dose_area_product_gycm2: float | None = None
    reference_air_kerma_mgy: float | None = None
    by_plane: tuple[PlaneDose, ...] = ()
    fluoroscopy_time_s: float | None = None
    contrast_ml: float | None = None
    iodine_g: float | None = None
    findings: tuple[Finding, ...] = ()
    summary: str | None = None


@dataclass(frozen=True, slots=True)
class FollowUpRow:
    """One follow-up item: a case and a kind. Days are YYYY-MM-DD.

    state : in the words of the worklist, as long as nobody waits
    next_due : None where nothing is due
    crossed_on : a level was crossed after the patient had left, and nobody has acted since
    injury : what the creatinines say; None for the skin
    body : JSON text of the whole item; the ledger keeps it as it is
    """

    case_id: str
    kind: str
    state: str
    is_open: bool
    is_urgent: bool
    unreached: int
    body: str
    patient_id: str | None = None
    patient_issuer: str | None = None
    day: str | None = None
    room: str | None = None
    procedure: str | None = None
    tier: str | None = None
    owner: str | None = None
    next_due: str | None = None
    estimate_due: str | None = None
    crossed_on: str | None = None
    injury: str | None = None


@dataclass(frozen=True, slots=True)
class SettingRow:
    """One change of a setting. `replaced_by`: seq of the entry that corrects or withdraws it."""

    seq: int
    entry_id: str
    key: str
    scope: str
    value: str
    valid_from: str
    source: str | None
    actor: Actor
    recorded_at: str
    reason: str | None
    replaced_by: int | None


@dataclass(frozen=True, slots=True)
class CaseMatch:
    """A case that shares an identifier with a report.

    by : the identifier shared, the strongest one
    is_same_patient : patient id and issuer are both the same (two unknown ids are not)
    """

    case_id: str
    by: MatchedBy
    is_same_patient: bool


@dataclass(frozen=True, slots=True)
class OriginalRow:
    """A file whose bytes are held. size : of the original bytes [byte]."""

    sha256: str
    file: str
    size: int
    received_at: str
