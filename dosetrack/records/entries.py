"""What a ledger entry can say: one payload class per kind, and the entry that carries it.

Times inside payloads are ISO 8601 text with an offset. A correction is an entry of the same
kind whose `replaces` names the earlier one, or a `Withdrawn` when nothing takes its place.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from dosetrack.records.follow_up import (
    ContactTried,
    FollowUpAssigned,
    FollowUpClosed,
    FollowUpDecided,
    FollowUpReopened,
    PatientContact,
    SkinDoseEstimated,
    SkinExamined,
)
from dosetrack.records.levels import LevelReached
from dosetrack.records.people import Actor
from dosetrack.records.report import Patient, PlaneName


class Agent(StrEnum):
    """What was injected. Only IODINATED counts toward contrast and iodine."""

    IODINATED = "iodinated"
    CARBON_DIOXIDE = "carbon dioxide"
    GADOLINIUM = "gadolinium"
    SALINE = "saline"


class InjectionSite(StrEnum):
    """How the contrast reaches the kidneys (contrast guidelines' first and second pass)."""

    FIRST_PASS = "first-pass"
    SECOND_PASS = "second-pass"
    VENOUS = "venous"
    NOT_INTRAVASCULAR = "not-intravascular"
    UNKNOWN = "unknown"


class Knowledge(StrEnum):
    """Whether something about the patient is known."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class CaseOpened:
    """A case was planned or started by a person. `is_planned`: not yet running.

    `earlier_*` is contrast of the look-back window given elsewhere, told by a person;
    None with `earlier_contrast` UNKNOWN means 'earlier contrast not known'. `scheduled_key` names
    the scheduled procedure the form was filled from.
    """

    room: str
    patient: Patient
    procedure: str | None = None
    operators: tuple[str, ...] = ()
    is_planned: bool = False
    concentration_mgi_ml: float | None = None
    injection_site: InjectionSite = InjectionSite.UNKNOWN
    is_inpatient: bool = False
    dialysis: Knowledge = Knowledge.UNKNOWN
    passes_urine: Knowledge = Knowledge.UNKNOWN
    is_creatinine_unstable: bool = False
    earlier_contrast: Knowledge = Knowledge.UNKNOWN
    earlier_contrast_ml: float | None = None
    earlier_iodine_g: float | None = None
    arms: str | None = None
    pregnancy: Knowledge = Knowledge.UNKNOWN
    accession_number: str | None = None
    scheduled_key: str | None = None


@dataclass(frozen=True, slots=True)
class CaseStarted:
    """A planned case began."""


@dataclass(frozen=True, slots=True)
class CaseEnded:
    """The case ended. `how`: 'person', 'mpps', 'no feed', 'report only'."""

    how: str = "person"


@dataclass(frozen=True, slots=True)
class SettledDifference:
    """One quantity that was typed and reported with different values, and what a person decided.

    typed, reported : in the unit of the quantity's name
    slip : 'typed is 10 times the reported' and the like, where a slip of unit or digit was suspected
    counts : 'typed', 'reported' or 'neither'
    """

    quantity: str
    plane: str | None
    typed: float | None
    reported: float | None
    counts: str
    slip: str | None = None


@dataclass(frozen=True, slots=True)
class CaseClosed:
    """A person reconciled the case. differences : typed against reported, each settled."""

    note: str | None = None
    differences: tuple[SettledDifference, ...] = ()


@dataclass(frozen=True, slots=True)
class ReportReceived:
    """A dose report arrived; its original bytes are held under `sha256`."""

    sha256: str
    file: str
    source: str
    sop_instance_uid: str | None = None


@dataclass(frozen=True, slots=True)
class TableReceived:
    """A table arrived. entries : typed entries it gave, or dose reports through a saved mapping."""

    sha256: str
    file: str
    entries: int


@dataclass(frozen=True, slots=True)
class FileQuarantined:
    """A received file could not be read; its bytes are held under `sha256`."""

    sha256: str
    file: str
    reason: str


@dataclass(frozen=True, slots=True)
class JoinProposed:
    """A report may belong to `other_case` (same patient and room within the join window)."""

    other_case: str
    why: str


@dataclass(frozen=True, slots=True)
class ReportMoved:
    """A person moved the report `sha256` of `from_case` into the case of this entry."""

    sha256: str
    from_case: str


@dataclass(frozen=True, slots=True)
class PatientSize:
    """Weight [kg] and height [cm] as measured; sex and birth date if told with them."""

    weight_kg: float | None = None
    height_cm: float | None = None
    sex: str | None = None
    birth_date: str | None = None


@dataclass(frozen=True, slots=True)
class PatientPlaced:
    """How the patient lay, as a person saw it; None is not told.

    position : 'HFS', 'FFP' ... as in DICOM's Patient Position
    region : what lay at the isocentre at first: 'head', 'neck', 'chest', 'abdomen', 'pelvis', 'legs'
    arms : 'beside', 'raised' or 'unknown'
    shift_*_mm : where the body lay against where it was assumed to lie, patient's left, back, head [mm]
    """

    position: str | None = None
    region: str | None = None
    arms: str | None = None
    shift_left_mm: float = 0.0
    shift_back_mm: float = 0.0
    shift_head_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class PatientChanged:
    """The case belongs to another patient than was first entered (wrong-patient swap)."""

    patient: Patient


@dataclass(frozen=True, slots=True)
class Creatinine:
    """Serum creatinine in the laboratory's own unit, exact.

    value : decimal digits as typed, e.g. '1.20'
    unit : 'mg/dL' or 'umol/L'
    taken_on : YYYY-MM-DD or ISO 8601 time, None when not told
    """

    value: str
    unit: str
    taken_on: str | None = None
    is_unstable: bool = False


@dataclass(frozen=True, slots=True)
class RenalStatus:
    """Facts that decide whether an estimate from creatinine may be used.

    passes_urine : asked of patients on dialysis
    is_old_creatinine_confirmed : a person confirmed that a stale creatinine may be used
    """

    dialysis: Knowledge = Knowledge.UNKNOWN
    is_creatinine_unstable: bool = False
    is_inpatient: bool = False
    passes_urine: Knowledge = Knowledge.UNKNOWN
    is_old_creatinine_confirmed: bool = False


@dataclass(frozen=True, slots=True)
class Injection:
    """One injection as delivered to the patient.

    volume_ml : mL of what was injected, diluted or not
    concentration_mgi_ml : of the undiluted product; None when not told
    contrast_fraction : part of the volume that is product, 0 to 1 (1 = undiluted)
    """

    volume_ml: float
    concentration_mgi_ml: float | None = None
    contrast_fraction: float = 1.0
    agent: Agent = Agent.IODINATED
    site: InjectionSite = InjectionSite.UNKNOWN
    route: str | None = None
    from_injector: bool = False
    run: str | None = None


@dataclass(frozen=True, slots=True)
class ConsoleReading:
    """Cumulative numbers read off the console for one plane.

    `offset_*` is what the console still showed from an earlier patient; it is subtracted.
    `is_reset`: the console began again from zero since the last reading of this plane.
    """

    plane: PlaneName = "single"
    reference_air_kerma_mgy: float | None = None
    dose_area_product_gycm2: float | None = None
    fluoroscopy_time_s: float | None = None
    offset_reference_air_kerma_mgy: float = 0.0
    offset_dose_area_product_gycm2: float = 0.0
    offset_fluoroscopy_time_s: float = 0.0
    is_reset: bool = False


@dataclass(frozen=True, slots=True)
class OperatorsChanged:
    """The primary operator (first) and assistants from now on."""

    operators: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LevelsReached:
    """One prompt: the levels found reached by one update, the highest first.

    `levels` are keys of `dosetrack.records.levels.LevelReached`; `facts` are those levels as they
    were found. An entry with the `prompt_id` of an earlier one states the same card, grown.
    """

    prompt_id: str
    lane: str
    levels: tuple[str, ...]
    headline: str
    say: str
    priority: str
    settings_seq: int
    software_version: str
    facts: tuple[LevelReached, ...] = ()


@dataclass(frozen=True, slots=True)
class PromptShown:
    """The card of a prompt stood on a screen of the room for the first time. screen : 'wall', 'hand'."""

    prompt_id: str
    screen: str


@dataclass(frozen=True, slots=True)
class PromptAnswered:
    """A person answered a prompt."""

    prompt_id: str
    decision: str
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class SettingChanged:
    """A setting has a new value from `valid_from` on. scope: 'site', 'room:NAME', 'procedure:NAME'."""

    key: str
    scope: str
    value: str
    valid_from: str
    source: str | None = None


@dataclass(frozen=True, slots=True)
class ProcedureScheduled:
    """A procedure is planned: from a worklist or a table. A newer entry of the same `key` replaces it.

    key : what names it at its source: accession number and scheduled step, as far as told; else
        patient, day and procedure
    scheduled_at : ISO 8601 as the source gave it; a day alone where no time was told
    source : 'worklist of' the server's title, or the name of the table
    station : of the scheduled step, as its source wrote it; room None where no room is set for it
    """

    key: str
    patient: Patient
    scheduled_at: str | None = None
    room: str | None = None
    procedure: str | None = None
    operators: tuple[str, ...] = ()
    accession_number: str | None = None
    study_instance_uid: str | None = None
    source: str = "worklist"
    station: str | None = None


@dataclass(frozen=True, slots=True)
class AccessGranted:
    """A gateway may feed `room` over HTTP. Only the digest of its token is kept; withdrawn, it ends.

    sees_patient : it may be told who the patient of the running case is
    """

    name: str
    room: str
    token_sha256: str
    sees_patient: bool = False


@dataclass(frozen=True, slots=True)
class HeldForPerson:
    """A machine sent something that a person must decide about; until then it counts nowhere.

    feed : name of the machine's grant
    kinds : of the questions, such as 'reset' or 'carried-over'; 'no-case' where none ran in the room
    questions : the same in words
    reading, injection : what was sent; one of them
    """

    feed: str
    room: str
    kinds: tuple[str, ...]
    questions: tuple[str, ...]
    reading: ConsoleReading | None = None
    injection: Injection | None = None


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """The entry named by `replaces` is taken back; nothing stands in its place."""


@dataclass(frozen=True, slots=True)
class DataDeleted:
    """What the named entries said was deleted for good, on the ground of this entry's reason."""

    entry_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Note:
    """Free words of a person."""

    text: str


Payload = (
    CaseOpened
    | CaseStarted
    | CaseEnded
    | CaseClosed
    | ReportReceived
    | TableReceived
    | FileQuarantined
    | JoinProposed
    | ReportMoved
    | PatientSize
    | PatientPlaced
    | PatientChanged
    | Creatinine
    | RenalStatus
    | Injection
    | ConsoleReading
    | OperatorsChanged
    | LevelsReached
    | PromptShown
    | PromptAnswered
    | SettingChanged
    | ProcedureScheduled
    | AccessGranted
    | HeldForPerson
    | FollowUpDecided
    | FollowUpAssigned
    | ContactTried
    | SkinExamined
    | SkinDoseEstimated
    | FollowUpClosed
    | FollowUpReopened
    | PatientContact
    | Withdrawn
    | DataDeleted
    | Note
)

PAYLOAD_KINDS: dict[str, type] = {
    "case-opened": CaseOpened,
    "case-started": CaseStarted,
    "case-ended": CaseEnded,
    "case-closed": CaseClosed,
    "report-received": ReportReceived,
    "table-received": TableReceived,
    "file-quarantined": FileQuarantined,
    "join-proposed": JoinProposed,
    "report-moved": ReportMoved,
    "patient-size": PatientSize,
    "patient-placed": PatientPlaced,
    "patient-changed": PatientChanged,
    "creatinine": Creatinine,
    "renal-status": RenalStatus,
    "injection": Injection,
    "console-reading": ConsoleReading,
    "operators-changed": OperatorsChanged,
    "levels-reached": LevelsReached,
    "prompt-shown": PromptShown,
    "prompt-answered": PromptAnswered,
    "setting-changed": SettingChanged,
    "procedure-scheduled": ProcedureScheduled,
    "access-granted": AccessGranted,
    "held-for-person": HeldForPerson,
    "follow-up-decided": FollowUpDecided,
    "follow-up-assigned": FollowUpAssigned,
    "contact-tried": ContactTried,
    "skin-examined": SkinExamined,
    "skin-dose-estimated": SkinDoseEstimated,
    "follow-up-closed": FollowUpClosed,
    "follow-up-reopened": FollowUpReopened,
    "patient-contact": PatientContact,
    "withdrawn": Withdrawn,
    "data-deleted": DataDeleted,
    "note": Note,
}


@dataclass(frozen=True, slots=True)
class NewEntry:
    """An entry to be appended. `happened_at` is timezone-aware; `case` None for site-wide kinds.

    id : None: a new one. Given by a sender that may send again: the same id is recorded once
    """

    payload: Payload
    actor: Actor
    happened_at: datetime
    case: str | None = None
    reason: str | None = None
    replaces: str | None = None
    id: str | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry as it stands in the ledger.

    `payload` is None when the person's data was deleted; the digest of what stood there remains.
    """

    seq: int
    id: str
    kind: str
    case: str | None
    happened_at: datetime
    recorded_at: datetime
    actor: Actor
    reason: str | None
    replaces: str | None
    payload: Payload | None
    payload_digest: str
    previous_digest: str
    digest: str
