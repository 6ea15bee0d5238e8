"""Everything that the papers of one case are written from: results, never computed here."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, TypeVar
from zoneinfo import ZoneInfo

from dosetrack.alerts import Prompt
from dosetrack.cases import Case, CaseState, standing
from dosetrack.findings import Finding
from dosetrack.kidney import KidneyAssessment
from dosetrack.radiation import RadiationAccount
from dosetrack.reconcile import Difference
from dosetrack.records.entries import Creatinine
from dosetrack.records.follow_up import FollowUpDecided, PatientContact, SkinDoseEstimated
from dosetrack.records.levels import LevelReached
from dosetrack.reports import words
from dosetrack.reports.blocks import Block, Document
from dosetrack.settings import Settings
from dosetrack.skin.screening import SkinRange
from dosetrack.skin.setup import PatientSetup, SystemSetup

if TYPE_CHECKING:  # the map brings numpy
    from dosetrack.skin.model import SkinMap

T = TypeVar("T")
SUPPORT = "Decision support for licensed staff; local protocol and clinical judgement come first."


@dataclass(frozen=True, slots=True)
class TimelineLine:
    """One entry in words. role : of who made it; is_replaced : a later entry corrects or withdraws it."""

    at: datetime
    text: str
    by: str
    role: str
    reason: str | None
    is_replaced: bool


@dataclass(frozen=True, slots=True)
class SkinFacts:
    """The skin dose of the case: its map, or why there is none and the range from air kerma alone."""

    map: SkinMap | None
    reason: str | None
    screening: SkinRange | None
    setup: PatientSetup
    system: SystemSetup


@dataclass(frozen=True, slots=True)
class CasePaper:
    """What is known of one case at one ledger position.

    differences : typed against reported; undecided ones that nobody settled
    earlier_cases : the patient's cases with radiation in the look-back window before this one
    by_the_rules : of an ended case, for which nothing is recorded where nothing is due
    printed_at : zone-aware; position : of the ledger; tables_edition : of the packaged numbers
    """

    case: Case
    radiation: RadiationAccount
    kidney: KidneyAssessment
    levels: tuple[LevelReached, ...]
    prompts: tuple[Prompt, ...]
    findings: tuple[Finding, ...]
    differences: tuple[Difference, ...]
    undecided: tuple[Difference, ...]
    timeline: tuple[TimelineLine, ...]
    earlier_cases: int
    earlier_days: float
    skin: SkinFacts
    settings: Settings
    zone: ZoneInfo
    position: int
    printed_at: datetime
    software_version: str
    tables_edition: str
    by_the_rules: tuple[FollowUpDecided, ...] = ()

    def follow_up(self, kind: str) -> FollowUpDecided | None:
        """What was recorded last for 'skin' or 'kidney', else what the rules say; None: not decided yet."""
        recorded = [one for one in self._standing(FollowUpDecided) if one.kind == kind]
        said = recorded or [one for one in self.by_the_rules if one.kind == kind]
        return said[-1] if said else None

    @property
    def physicist_estimate(self) -> SkinDoseEstimated | None:
        """What a physicist estimated last."""
        return self._last(SkinDoseEstimated)

    @property
    def contact(self) -> PatientContact | None:
        """How the patient may be reached, as told last."""
        return self._last(PatientContact)

    @property
    def last_creatinine(self) -> Creatinine | None:
        """The last creatinine entered."""
        return self.case.creatinines[-1].value if self.case.creatinines else None

    @property
    def is_reconciled(self) -> bool:
        """A person compared what was typed with what was reported and closed the case."""
        return self.case.state is CaseState.CLOSED

    @property
    def day(self) -> str:
        """The day of the case, YYYY-MM-DD, or 'not known'."""
        return words.sent_moment(self.case.started_at)[:10]

    def levels_of(self, quantity: str) -> list[float]:
        """The levels of `quantity` that its digits must not cross."""
        return [level.level for level in self.levels if level.quantity == quantity]

    def skin_range_mgy(self) -> tuple[float, float] | None:
        """The range of the estimated peak skin dose: of the map, else from air kerma alone [mGy]."""
        found = self.skin.map
        if found is not None and found.low_mgy is not None and found.high_mgy is not None:
            return found.low_mgy, found.high_mgy
        screening = self.skin.screening
        return None if screening is None else (screening.low_mgy, screening.high_mgy)

    def _last(self, kind: type[T]) -> T | None:
        found = self._standing(kind)
        return found[-1] if found else None

    def _standing(self, kind: type[T]) -> list[T]:
        return [e.payload for e in standing(self.case.entries) if isinstance(e.payload, kind)]


def paper(
    facts: CasePaper,
    title: str,
    *,
    blocks: list[Block],
    cautions: tuple[str, ...],
    identity: tuple[tuple[str, str], ...] | None = None,
    is_large: bool = False,
) -> Document:
    """A document of this case with its head, its data version and its cautions."""
    return Document(
        title=title,
        department=facts.settings.text("site.name"),
        address=facts.settings.lines("document.address"),
        identity=identity_of(facts) if identity is None else identity,
        running=_running(facts, is_large=is_large),
        blocks=tuple(blocks),
        provenance=_provenance(facts),
        cautions=cautions,
        is_large=is_large,
        paper=facts.settings.text("document.paper"),
    )


def identity_of(facts: CasePaper) -> tuple[tuple[str, str], ...]:
    """Patient, case, procedure, day and place, and who operated."""
    case = facts.case
    started = words.sent_moment(case.started_at)
    ended = f" to {words.moment(case.ended_at, facts.zone)}" if case.ended_at else ""
    return (
        *words.two_identifiers(case.patient),
        ("Procedure", case.procedure or words.NOT_KNOWN),
        ("When", f"{started}{ended}"),
        ("Room", case.room or words.NOT_KNOWN),
        ("Operators", ", ".join(map(words.person, case.operators)) or words.NOT_KNOWN),
        ("Case", case.id),
    )


def contact_rows(facts: CasePaper) -> tuple[tuple[str, str], ...]:
    """Whom to call, lines to fill in where the site told nothing."""
    settings, line = facts.settings, "______________________________"
    hours = settings.text("document.contact_hours")
    return (
        ("Call", settings.text("document.contact_name") or line),
        ("Telephone", settings.text("document.contact_phone") or line),
        *((("When", hours),) if hours else ()),
        ("The same day", settings.text("document.urgent_contact") or "the same number"),
    )


def _running(facts: CasePaper, *, is_large: bool) -> str:
    patient = facts.case.patient
    who = words.joined(words.person(patient.name), patient.id or "number not known", by=", ")
    if is_large:
        return who
    return f"{who}, born {patient.birth_date or words.NOT_KNOWN} · case {facts.case.id}"


def _provenance(facts: CasePaper) -> tuple[str, ...]:
    return (
        f"Data: ledger entry {facts.position}, settings of entry {facts.settings.seq}, "
        f"tables {facts.tables_edition}.",
        f"Software: version {facts.software_version}. Printed {words.moment(facts.printed_at, facts.zone)} "
        f"({facts.zone.key}).",
    )
