"""What the workflow hands to command line and pages: whole results, ready to be shown.

Calculator results stand inside unchanged; nothing here computes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Literal

from dosetrack.alerts import Prompt
from dosetrack.cases import Case, CaseState
from dosetrack.entry import Question
from dosetrack.findings import Finding
from dosetrack.kidney import InjectionsAhead, KidneyAssessment
from dosetrack.radiation import BeamOn, Driver, Forecast, NextRun, PlaneCurve, RadiationAccount
from dosetrack.records.entries import HeldForPerson, Injection, Payload
from dosetrack.records.levels import LevelLine, LevelReached
from dosetrack.records.people import Actor
from dosetrack.records.report import RefusedFile
from dosetrack.settings import SettingChange, SettingDefinition, Settings
from dosetrack.skin.screening import SkinRange
from dosetrack.skin.setup import PatientSetup, SystemSetup
from dosetrack.workflow.settling import Reconciliation

if TYPE_CHECKING:  # the map brings numpy; a view without one does not need it
    from dosetrack.skin.accumulate import CaseShare, NotOnMap
    from dosetrack.skin.model import SkinMap


@dataclass(frozen=True, slots=True)
class CaseSummary:
    """One row of the list of cases; keys of `dosetrack cases`."""

    id: str
    patient_id: str | None
    room: str | None
    procedure: str | None
    operators: tuple[str, ...]
    started_at: str | None
    state: CaseState
    reports: int
    events: int
    dose_area_product_gycm2: float | None
    reference_air_kerma_mgy: float | None
    reference_air_kerma_by_plane_mgy: dict[str, float | None]
    fluoroscopy_time_s: float | None
    contrast_ml: float | None
    iodine_g: float | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Stair:
    """One counted injection and the totals after it. entry_id names it for a correction.

    contrast_ml : as given, diluted or not; neat_ml : the undiluted product in it, which is what
    limits are compared with; both of this case alone [mL]
    """

    at: datetime
    entry_id: str
    injection: Injection
    contrast_ml: float
    neat_ml: float
    iodine_g: float | None
    by: str


@dataclass(frozen=True, slots=True)
class FeedAge:
    """When one source told something of a case last.

    kind : 'console gateway', 'injector gateway', 'dose report', 'typed'
    name : of the gateway, or of who typed or sent it last
    last_at : when it arrived; None where a granted gateway sent nothing in this case
    """

    kind: str
    name: str
    last_at: datetime | None


@dataclass(frozen=True, slots=True)
class Feeds:
    """How old the numbers are. `is_stale`: nothing for longer than the setting (running cases).

    ages : each source that told something, the newest first
    """

    last_reading_at: datetime | None
    last_report_at: datetime | None
    last_entry_at: datetime | None
    is_stale: bool
    ages: tuple[FeedAge, ...] = ()


@dataclass(frozen=True, slots=True)
class TimelineRow:
    """One entry of the case in words, newest last. `replaced_by`: entry id of its correction."""

    entry_id: str
    seq: int
    kind: str
    at: datetime
    recorded_at: datetime
    by: Actor
    text: str
    reason: str | None
    replaces: str | None
    replaced_by: str | None


@dataclass(frozen=True, slots=True)
class Earlier:
    """What the patient received before this case, inside the look-back windows."""

    radiation: tuple[CaseSummary, ...]
    radiation_days: float
    contrast_cases: tuple[CaseSummary, ...]
    contrast_hours: float


@dataclass(frozen=True, slots=True)
class CaseView:
    """Everything known of one case at one ledger position, live or at rest.

    position : ledger seq the view was computed at
    as_of : the moment ages and forecasts refer to
    radiation, kidney : the two accounts
    curves : cumulative Ka,r, DAP and time per plane on the clock
    stairs : the injections as given, cumulative
    radiation_lines, contrast_lines : levels to draw in each lane
    levels : every level reached so far, radiation and contrast
    reconciliation : what was typed against what was reported
    next_run : what one more run like the last ones would add; None at rest
    drivers : what raised the dose so far, as far as the reports tell
    """

    case: Case
    position: int
    as_of: datetime
    time_zone: str
    settings: Settings
    radiation: RadiationAccount
    skin: SkinRange | None
    curves: tuple[PlaneCurve, ...]
    beam_on: tuple[BeamOn, ...]
    radiation_lines: tuple[LevelLine, ...]
    radiation_forecast: Forecast | None
    kidney: KidneyAssessment
    stairs: tuple[Stair, ...]
    contrast_lines: tuple[LevelLine, ...]
    contrast_forecast: Forecast | None
    injections_ahead: InjectionsAhead | None
    levels: tuple[LevelReached, ...]
    prompts: tuple[Prompt, ...]
    reconciliation: Reconciliation
    next_run: NextRun | None
    drivers: tuple[Driver, ...]
    feeds: Feeds
    findings: tuple[Finding, ...]
    timeline: tuple[TimelineRow, ...]
    earlier: Earlier
    summary: CaseSummary


@dataclass(frozen=True, slots=True)
class Recorded:
    """What recording one entry led to.

    entry_id : None when `questions` must be answered first; then nothing was recorded
    questions : what a person must confirm ('first reading is not near zero: carried over?')
    """

    entry_id: str | None
    case_id: str | None
    questions: tuple[Question, ...]
    prompts: tuple[Prompt, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Grant:
    """A gateway that may feed one room. id : of the entry that granted it, not the token."""

    id: str
    name: str
    room: str
    sees_patient: bool
    granted_at: datetime
    granted_by: str


@dataclass(frozen=True, slots=True)
class Held:
    """What a machine sent and a person has not decided about.

    case_id : None where no case ran in the room
    answers : the decisions it may be given
    """

    entry_id: str
    case_id: str | None
    at: datetime
    recorded_at: datetime
    sent: HeldForPerson
    answers: tuple[str, ...]


FedOutcome = Literal["recorded", "held already", "asked", "no case", "other content", "not counted"]


@dataclass(frozen=True, slots=True)
class Fed:
    """What became of a machine's message.

    outcome : 'recorded'; 'held already' (sent before and recorded); 'asked' (a person must decide, it
        counts nowhere until then); 'no case' (none ran in the room); 'other content' (the id was used
        for something else); 'not counted' (a person decided so)
    entry_id : of what was recorded
    held_as : id under which it waits for a person; None where the same question stands open already
        and the next reading will tell
    """

    outcome: FedOutcome
    reason: str = ""
    entry_id: str | None = None
    case_id: str | None = None
    held_as: str | None = None
    questions: tuple[Question, ...] = ()
    prompts: tuple[Prompt, ...] = ()


@dataclass(frozen=True, slots=True)
class TypedEntry:
    """One thing typed elsewhere and taken in later. actor None: whoever takes it in."""

    payload: Payload
    happened_at: datetime
    actor: Actor | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class IngestResult:
    """What `dosetrack ingest` did. Counts of reports; entries_added counts typed entries.

    cases : ids touched, in order of first touch
    """

    added: int
    already_held: int
    entries_added: int
    refused: tuple[RefusedFile, ...]
    cases: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SettingView:
    """One setting with its value in force and its history, newest first."""

    definition: SettingDefinition
    value: str
    origin: str
    history: tuple[SettingChange, ...]


@dataclass(frozen=True, slots=True)
class SkinMapView:
    """The skin dose map of a case, or why there is none.

    map : None when no event could be placed; then `reason` says why in a plain sentence
    setup, system : the patient on the table and the x-ray system the map was made with
    cases : ids of the cases on the map, the one asked for last
    screening : the possible range from air kerma alone, which stands in where there is no map
    shares : what each case on the map gave; not_on_map : the cases that could not be placed
    """

    map: SkinMap | None
    reason: str | None
    setup: PatientSetup
    system: SystemSetup
    cases: tuple[str, ...]
    screening: SkinRange | None
    shares: tuple[CaseShare, ...] = ()
    not_on_map: tuple[NotOnMap, ...] = ()


@dataclass(frozen=True, slots=True)
class SkinResult:
    """What is kept of a case's skin map.

    peak_mgy, low_mgy, high_mgy : peak skin dose and its range (k = 2); None without a map
    reason : why there is no map
    """

    case_id: str
    peak_mgy: float | None
    low_mgy: float | None
    high_mgy: float | None
    site: str | None
    mapped_fraction: float | None
    surface: str | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class SameSite:
    """An earlier case. peak_mgy : its highest dose on the skin that the present case irradiates."""

    case_id: str
    peak_mgy: float


@dataclass(frozen=True, slots=True)
class AccumulatedSkin:
    """What is kept of the map of a case with the patient's earlier ones.

    result : peak of the sum over the look-back window; cases : ids of the earlier cases in it
    same_site : earlier cases of any day that lie on the skin of this one
    """

    case_id: str
    result: SkinResult
    cases: tuple[str, ...]
    same_site: tuple[SameSite, ...]
    long_result: SkinResult | None = None


@dataclass(frozen=True, slots=True)
class WorkedOutSkin:
    """A result with the digest of what it was made from. is_kept: it stands in the ledger already."""

    result: SkinResult
    made_from: str
    is_kept: bool
