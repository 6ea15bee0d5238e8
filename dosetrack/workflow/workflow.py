"""The use cases: every way in which a person, a file or a machine changes or reads the ledger."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from dosetrack.alerts import Prompt, answer, answer_payload
from dosetrack.audit import AuditResult
from dosetrack.cases import CaseState
from dosetrack.errors import InputError, StateError, UnknownCaseError
from dosetrack.ledger import Ledger, PackedOriginal, Transaction
from dosetrack.readers import read_report
from dosetrack.records.entries import (
    CaseClosed,
    CaseEnded,
    CaseOpened,
    CaseStarted,
    NewEntry,
    Payload,
    ReportMoved,
    ReportReceived,
    SettingChanged,
    Withdrawn,
)
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import DoseReport
from dosetrack.settings import Settings, checked_scope, checked_value, definitions
from dosetrack.times import zone_named
from dosetrack.workflow.auditing import audit_of, months_with_cases
from dosetrack.workflow.ingest import Progress, TakenIn, ingest_reports, take_in
from dosetrack.workflow.listing import summary_of
from dosetrack.workflow.projector import CaseProjector
from dosetrack.workflow.prompting import raise_due_prompts
from dosetrack.workflow.questions import questions_about
from dosetrack.workflow.results import (
    CaseSummary,
    CaseView,
    Earlier,
    IngestResult,
    Recorded,
    SettingView,
    TypedEntry,
)
from dosetrack.workflow.site import changes_in, settings_for
from dosetrack.workflow.tables_in import ingest_tables
from dosetrack.workflow.views import case_view, earlier_of, prompts_of

SYSTEM = Actor(name="dosetrack", role=Role.SYSTEM)


def utc_now() -> datetime:
    """The clock of the computer, in UTC."""
    return datetime.now(UTC)


def open_workflow(url: str, *, create: bool = False, clock: Callable[[], datetime] = utc_now) -> Workflow:
    """The workflow on the ledger at `url` (SQLAlchemy URL); LedgerMissingError when there is none."""
    return Workflow(Ledger.open(url, create=create, clock=clock), clock=clock)


class Workflow:
    """Joins ledger and calculators. Threads may share it; every change is one transaction."""

    def __init__(self, ledger: Ledger, *, clock: Callable[[], datetime] = utc_now) -> None:
        self.ledger = ledger
        self.projector = CaseProjector()
        self._clock = clock

    # reading -----------------------------------------------------------------------------

    def position(self) -> int:
        """The last ledger seq; cheap enough to ask twice a second."""
        return self.ledger.position()

    def cases(self, *, first_day: str | None = None, last_day: str | None = None) -> tuple[CaseSummary, ...]:
        """Cases by local day (YYYY-MM-DD, both ends included), oldest first."""
        with self.ledger.reading() as reader:
            return tuple(map(summary_of, reader.case_totals(from_day=first_day, to_day=last_day)))

    def running_cases(self) -> tuple[CaseSummary, ...]:
        """The cases that are running now."""
        with self.ledger.reading() as reader:
            return tuple(map(summary_of, reader.running_cases()))

    def planned_cases(self) -> tuple[CaseSummary, ...]:
        """The cases that are planned and have not begun."""
        with self.ledger.reading() as reader:
            return tuple(map(summary_of, reader.case_totals(state="planned")))

    def case_view(self, case_id: str, *, as_of: datetime | None = None) -> CaseView:
        """Everything known of one case. UnknownCaseError when there is none with this id."""
        with self.ledger.reading() as reader:
            case, settings = self.projector.case(reader, case_id)
            if not case.entries:
                raise UnknownCaseError(f"there is no case with the id {case_id!r}")
            return case_view(reader, case, settings, as_of=as_of or self._clock())

    def patient_history(
        self, patient_id: str, *, patient_issuer: str | None = None, before: datetime | None = None
    ) -> Earlier:
        """What the patient received before `before` inside the look-back windows."""
        with self.ledger.reading() as reader:
            return earlier_of(
                reader,
                settings_for(reader),
                patient_id=patient_id,
                patient_issuer=patient_issuer,
                before=before or self._clock(),
            )

    def rooms(self) -> tuple[str, ...]:
        """The rooms of the settings and of every case, sorted."""
        with self.ledger.reading() as reader:
            named = set(settings_for(reader).pairs("site.rooms").values())
            seen = {row.room for row in reader.case_totals() if row.room}
        return tuple(sorted(named | seen))

    def people(self, room: str | None = None) -> tuple[str, ...]:
        """Names offered when someone acknowledges a prompt in `room`."""
        return self.settings(room=room).lines("site.people")

    # cases -------------------------------------------------------------------------------

    def open_case(
        self, opening: CaseOpened, *, actor: Actor, happened_at: datetime | None = None
    ) -> Recorded[str]:
        """Plan or start a case from the pre-case form; its id is random, never derived."""
        if not opening.room.strip():
            raise InputError(field="room", given=opening.room, accepted="the name of a room")
        case_id = str(uuid.uuid4())
        with self.ledger.transaction() as tx:
            return self._append(tx, case_id, opening, actor=actor, at=happened_at)

    def start_case(self, case_id: str, *, actor: Actor) -> Recorded[str]:
        """A planned case begins."""
        return self._step(case_id, CaseStarted(), allowed={CaseState.PLANNED}, actor=actor)

    def end_case(self, case_id: str, *, actor: Actor, how: str = "person") -> Recorded[str]:
        """The case ends; it can still be corrected and receive late reports."""
        return self._step(
            case_id, CaseEnded(how=how), allowed={CaseState.PLANNED, CaseState.RUNNING}, actor=actor
        )

    def close_case(self, case_id: str, *, actor: Actor, note: str | None = None) -> Recorded[str]:
        """A person reconciled the ended case."""
        return self._step(case_id, CaseClosed(note=note), allowed={CaseState.ENDED}, actor=actor)

    def end_idle_cases(self) -> tuple[str, ...]:
        """End running cases that had no entry for longer than the setting; their ids."""
        now = self._clock()
        ended: list[str] = []
        for row in self.running_cases():
            with self.ledger.reading() as reader:
                entries = reader.entries(case=row.id)
                hours = settings_for(reader, room=row.room).number("case.idle_end_h")
            last = max((entry.recorded_at for entry in entries), default=now)
            if now - last > timedelta(hours=hours):
                self.end_case(row.id, actor=SYSTEM, how="no feed")
                ended.append(row.id)
        return tuple(ended)

    def join_report(self, sha256: str, *, into: str, actor: Actor, reason: str) -> Recorded[str]:
        """A person moves a report into another case; the case it leaves keeps the trace."""
        with self.ledger.transaction() as tx:
            rows = tx.find_reports(sha256=sha256)
            if not rows:
                raise InputError(field="report", given=sha256, accepted="the digest of a report held")
            source = rows[0].case_id
            received = [
                entry
                for entry in tx.entries(case=source)
                if isinstance(entry.payload, ReportReceived | ReportMoved) and entry.payload.sha256 == sha256
            ]
            self._case_entries(tx, into)
            now = self._clock()
            tx.append(
                NewEntry(
                    payload=Withdrawn(),
                    actor=actor,
                    happened_at=now,
                    case=source,
                    reason=reason,
                    replaces=received[-1].id,
                )
            )
            report = tx.report(sha256)
            entry = tx.append(
                NewEntry(
                    payload=ReportMoved(sha256=sha256, from_case=source),
                    actor=actor,
                    happened_at=now,
                    case=into,
                    reason=reason,
                )
            )
            if report is not None:
                tx.put_report(report, case_id=into, seq=entry.seq)
            self.projector.refresh(tx, source, is_report_new=True)
            return self._after(tx, into, entry.id, is_report_new=True)

    # entries -----------------------------------------------------------------------------

    def record(
        self,
        case_id: str,
        payload: Payload,
        *,
        actor: Actor,
        happened_at: datetime | None = None,
        reason: str | None = None,
        is_confirmed: bool = False,
    ) -> Recorded[str]:
        """Record one entry of a case, unless something must be asked first.

        When the result has questions and no entry id, nothing was recorded: a person answers, and
        the call is made again with `is_confirmed`.
        """
        with self.ledger.transaction() as tx:
            self._case_entries(tx, case_id)
            case, settings = self.projector.case(tx, case_id)
            questions = () if is_confirmed else questions_about(tx, case, payload, settings=settings)
            if questions:
                return Recorded(entry_id=None, case_id=case_id, questions=questions)
            return self._append(tx, case_id, payload, actor=actor, at=happened_at, reason=reason)

    def import_case(
        self, entries: Sequence[TypedEntry], *, actor: Actor, ended_at: datetime | None = None
    ) -> str:
        """Take in a past case from its typed entries, the opening first; the id of the case.

        Nothing is asked and nothing prompts: the people have left the room. One transaction.
        """
        if not entries or not isinstance(entries[0].payload, CaseOpened):
            raise InputError(field="entries", given=len(entries), accepted="an opening and what follows")
        case_id = str(uuid.uuid4())
        typed = list(entries)
        if ended_at is not None:
            typed.append(TypedEntry(CaseEnded(how="person"), ended_at))
        with self.ledger.transaction() as tx:
            self._append_typed(tx, case_id, typed, actor=actor)
        return case_id

    def import_entries(self, case_id: str, entries: Sequence[TypedEntry], *, actor: Actor) -> None:
        """Add typed entries, in one transaction, to a case that is held; nothing is asked."""
        with self.ledger.transaction() as tx:
            self._case_entries(tx, case_id)
            self._append_typed(tx, case_id, entries, actor=actor)

    def _append_typed(
        self, tx: Transaction, case_id: str, entries: Sequence[TypedEntry], *, actor: Actor
    ) -> None:
        last = ""
        for typed in entries:
            new = NewEntry(
                payload=typed.payload,
                actor=typed.actor or actor,
                happened_at=typed.happened_at,
                case=case_id,
                reason=typed.reason,
            )
            last = tx.append(new).id
        self._after(tx, case_id, last)

    def correct(self, entry_id: str, payload: Payload | None, *, actor: Actor, reason: str) -> Recorded[str]:
        """Replace an entry of a case by `payload`, or take it back when that is None.

        The earlier value stays readable on the timeline. The correction keeps the time at which
        the thing happened.
        """
        if not reason.strip():
            raise InputError(field="reason", given=reason, accepted="a few words why")
        with self.ledger.transaction() as tx:
            earlier = tx.entry(entry_id)
            if earlier is None or earlier.case is None:
                raise InputError(field="entry", given=entry_id, accepted="the id of an entry of a case")
            if payload is not None and type(payload) is not type(earlier.payload):
                raise InputError(
                    field="correction",
                    given=type(payload).__name__,
                    accepted=f"a value of kind {earlier.kind}",
                )
            if any(entry.replaces == entry_id for entry in tx.entries(case=earlier.case)):
                raise StateError("this entry was corrected already; correct the newer one")
            return self._append(
                tx,
                earlier.case,
                payload or Withdrawn(),
                actor=actor,
                at=earlier.happened_at,
                reason=reason,
                replaces=entry_id,
            )

    def answer_prompt(
        self, case_id: str, prompt_id: str, *, decision: str, reason: str | None, actor: Actor
    ) -> Recorded[str]:
        """A person answers a prompt: what was decided and why. StateError when it was answered."""
        with self.ledger.transaction() as tx:
            case, _ = self.projector.case(tx, case_id)
            prompt = next((p for p in prompts_of(case) if p.id == prompt_id), None)
            if prompt is None:
                raise InputError(field="prompt", given=prompt_id, accepted="a prompt of this case")
            now = self._clock()
            answered = answer(prompt, by=actor.name, at=now, decision=decision, reason=reason)
            return self._append(tx, case_id, answer_payload(answered), actor=actor, at=now)

    def _step(
        self, case_id: str, payload: Payload, *, allowed: set[CaseState], actor: Actor
    ) -> Recorded[str]:
        with self.ledger.transaction() as tx:
            self._case_entries(tx, case_id)
            case, _ = self.projector.case(tx, case_id)
            if case.state not in allowed:
                wanted = " or ".join(sorted(allowed))
                raise StateError(f"the case is {case.state}; this needs a case that is {wanted}")
            return self._append(tx, case_id, payload, actor=actor)

    def _append(
        self,
        tx: Transaction,
        case_id: str,
        payload: Payload,
        *,
        actor: Actor,
        at: datetime | None = None,
        reason: str | None = None,
        replaces: str | None = None,
    ) -> Recorded[str]:
        new = NewEntry(
            payload=payload,
            actor=actor,
            happened_at=at or self._clock(),
            case=case_id,
            reason=reason,
            replaces=replaces,
        )
        entry = tx.append(new)
        return self._after(tx, case_id, entry.id)

    def _after(
        self, tx: Transaction, case_id: str, entry_id: str, *, is_report_new: bool = False
    ) -> Recorded[str]:
        """Project the case again and raise the prompts that are due, in the same transaction."""
        case = self.projector.refresh(tx, case_id, is_report_new=is_report_new)
        prompts: tuple[Prompt, ...] = ()
        if case.state is CaseState.RUNNING:
            settings = settings_for(tx, room=case.room, procedure=case.procedure)
            prompts = raise_due_prompts(tx, case, settings, now=self._clock(), actor=SYSTEM)
            if prompts:
                case = self.projector.refresh(tx, case_id)
        return Recorded(
            entry_id=entry_id, case_id=case_id, questions=(), prompts=prompts, findings=case.findings
        )

    def _case_entries(self, tx: Transaction, case_id: str) -> None:
        if not tx.entries(case=case_id, limit=1):
            raise UnknownCaseError(f"there is no case with the id {case_id!r}")

    # files -------------------------------------------------------------------------------

    def take_in_bytes(
        self, data: bytes, *, file: str, actor: Actor = SYSTEM, happened_at: datetime | None = None
    ) -> TakenIn:
        """Take in one dose report from its bytes; ReportRefusedError when it cannot be read."""
        report = read_report(data, file=file)
        with self.ledger.transaction() as tx:
            return self._take_in(tx, report, data, actor=actor, at=happened_at or self._clock())

    def ingest(
        self,
        paths: Sequence[Path],
        *,
        actor: Actor,
        progress: Progress | None = None,
        workers: int | None = None,
    ) -> IngestResult:
        """Take in every dose report and table of typed entries under `paths`."""

        def take_in_one(tx: Transaction, report: DoseReport, original: bytes | PackedOriginal) -> TakenIn:
            return self._take_in(tx, report, original, actor=actor, at=self._clock())

        tally, tables = ingest_reports(self.ledger, take_in_one, paths, progress=progress, workers=workers)
        ingest_tables(self, tables, tally, actor=actor)
        return IngestResult(
            added=tally.added,
            already_held=tally.already_held,
            entries_added=tally.entries,
            refused=tuple(tally.refused),
            cases=tuple(tally.cases),
        )

    def _take_in(
        self,
        tx: Transaction,
        report: DoseReport,
        original: bytes | PackedOriginal,
        *,
        actor: Actor,
        at: datetime,
    ) -> TakenIn:
        taken = take_in(tx, self.projector, report, original, actor=actor, at=at)
        row = tx.case_total(taken.case_id)
        if taken.is_new and row is not None and row.state == "running":
            case, settings = self.projector.case(tx, taken.case_id)
            if raise_due_prompts(tx, case, settings, now=self._clock(), actor=SYSTEM):
                self.projector.refresh(tx, taken.case_id)
        return taken

    # settings ----------------------------------------------------------------------------

    def settings(
        self, *, room: str | None = None, procedure: str | None = None, day: str | None = None
    ) -> Settings:
        """The settings in force on `day` (None: today) for a room and a procedure."""
        with self.ledger.reading() as reader:
            return settings_for(reader, room=room, procedure=procedure, day=day or self.today())

    def setting_views(self, scope: str = "site") -> tuple[SettingView, ...]:
        """Every setting with its value in `scope` and its history, newest change first."""
        place, _, name = scope.partition(":")
        with self.ledger.reading() as reader:
            changes = changes_in(reader)
        settings = self.settings(
            room=name if place == "room" else None, procedure=name if place == "procedure" else None
        )
        return tuple(
            SettingView(
                definition=definition,
                value=settings.values[key],
                origin=settings.origins[key],
                history=tuple(c for c in reversed(changes) if c.key == key),
            )
            for key, definition in definitions().items()
        )

    def change_setting(
        self,
        *,
        key: str,
        scope: str,
        value: str,
        valid_from: str,
        actor: Actor,
        reason: str,
        source: str | None = None,
    ) -> None:
        """Record a new value of a setting; InputError naming what is accepted when it cannot be."""
        text = checked_value(key, value)
        checked_scope(key, scope)
        if key == "site.time_zone" and text:
            zone_named(text)
        if not reason.strip():
            raise InputError(field="reason", given=reason, accepted="a few words why")
        payload = SettingChanged(
            key=key, scope=scope, value=text, valid_from=_checked_day(valid_from), source=source
        )
        with self.ledger.transaction() as tx:
            tx.append(NewEntry(payload=payload, actor=actor, happened_at=self._clock(), reason=reason))

    # month -------------------------------------------------------------------------------

    def audit(self, *, first_day: str, last_day: str) -> AuditResult:
        """The audit of the ended cases from `first_day` to `last_day`, both included."""
        with self.ledger.reading() as reader:
            return audit_of(reader, settings_for(reader), first_day=first_day, last_day=last_day)

    def months(self) -> tuple[str, ...]:
        """The months 'YYYY-MM' that hold cases, oldest first."""
        with self.ledger.reading() as reader:
            return months_with_cases(reader)

    def today(self) -> str:
        """The local day of the site, YYYY-MM-DD."""
        with self.ledger.reading() as reader:
            zone = zone_named(settings_for(reader).text("site.time_zone"))
        return self._clock().astimezone(zone).date().isoformat()


def _checked_day(text: str) -> str:
    try:
        return datetime.strptime(text, "%Y-%m-%d").date().isoformat()  # noqa: DTZ007 - a day has no zone
    except ValueError:
        raise InputError(field="valid from", given=text, accepted="a day such as 2026-03-01") from None
