"""What a ledger entry can say of the weeks after a case: decided, called, seen, settled."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FollowUpReason:
    """Why somebody should be seen again.

    quantity : 'reference_air_kerma_mgy', 'peak_skin_dose_mgy', 'contrast_ml', 'egfr_ml_min_173m2' ...
    value, level : in the unit of the quantity's name; None where the reason is no number
    low, high : range of an estimated value
    basis : 'stated', 'summed', 'map', 'estimated' ...
    """

    quantity: str
    text: str
    value: float | None = None
    level: float | None = None
    low: float | None = None
    high: float | None = None
    plane: str | None = None
    basis: str | None = None
    source: str | None = None


@dataclass(frozen=True, slots=True)
class FollowUpDecided:
    """What the rules say of one ended case, for skin or kidney; recorded when it differs from before.

    tier : 'follow-up', 'physicist', 'review'; None: nothing is due
    due : YYYY-MM-DD, in order
    estimate_due : the day by which a physicist estimates the skin dose; None: no estimate is asked for
    """

    kind: str
    tier: str | None
    reasons: tuple[FollowUpReason, ...]
    due: tuple[str, ...]
    profile: str
    settings_seq: int
    software_version: str
    estimate_due: str | None = None
    missing: tuple[str, ...] = ()
    tables_edition: str | None = None


@dataclass(frozen=True, slots=True)
class FollowUpAssigned:
    """Who looks after the item of this kind ('skin', 'kidney'); owner None: nobody."""

    kind: str
    owner: str | None


@dataclass(frozen=True, slots=True)
class ContactTried:
    """Somebody tried to reach the patient.

    outcome : 'reached', 'not reached', 'declined', 'wrong number', 'transferred', 'deceased'
    next_on : YYYY-MM-DD of the next step, if one was agreed
    """

    kind: str
    outcome: str
    note: str | None = None
    next_on: str | None = None


@dataclass(frozen=True, slots=True)
class SkinExamined:
    """What was seen of the skin.

    grade : of the named public toxicity scale, 0 where nothing was seen; None: not graded
    place : in words; is_at_predicted_site : whether it is where the map predicted it
    """

    seen_on: str
    examiner: str
    grade: int | None
    scale: str
    place: str | None = None
    is_at_predicted_site: bool | None = None
    photo: str | None = None
    is_urgent: bool = False
    note: str | None = None


@dataclass(frozen=True, slots=True)
class SkinDoseEstimated:
    """A physicist's estimate and decision. decision : 'call', 'no call'."""

    decision: str
    peak_skin_dose_mgy: float | None = None
    low_mgy: float | None = None
    high_mgy: float | None = None
    method: str | None = None


@dataclass(frozen=True, slots=True)
class FollowUpClosed:
    """A person settled the item of this kind; the entry's reason says why."""

    kind: str


@dataclass(frozen=True, slots=True)
class FollowUpReopened:
    """The item of this kind is open again; the entry's reason says why."""

    kind: str


@dataclass(frozen=True, slots=True)
class PatientContact:
    """How the patient of this case may be reached, as consented.

    consents_to : 'phone', 'letter', 'message' ...; interpreter : language, None: none asked for
    died_on : YYYY-MM-DD; the patient is no longer called
    """

    phone: str | None = None
    consents_to: tuple[str, ...] = ()
    interpreter: str | None = None
    family_doctor: str | None = None
    died_on: str | None = None
