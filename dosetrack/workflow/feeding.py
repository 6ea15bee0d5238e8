"""Machines in the room: what they send, and what a person decides about it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from dosetrack.cases import Case
from dosetrack.entry import Question
from dosetrack.errors import AccessError, InputError, ReportRefusedError, StateError
from dosetrack.ledger import Transaction
from dosetrack.readers import read_report
from dosetrack.readers.head import kept_bytes
from dosetrack.records.entries import (
    ConsoleReading,
    Entry,
    HeldForPerson,
    Injection,
    NewEntry,
    Withdrawn,
)
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import DoseReport
from dosetrack.times import instant_of, local_text, zone_named
from dosetrack.workflow.feed_case import (
    ASKED_AGAIN,
    CLOCKS_DIFFER,
    NOT_COUNTED,
    Sent,
    answers_to,
    as_answered,
    case_at,
    completed,
    counted_id_of,
    entry_id_of,
    is_same_message,
    open_in_case,
    questions_for_machine,
)
from dosetrack.workflow.filing import Filing
from dosetrack.workflow.granting import Granting
from dosetrack.workflow.results import Fed, FeedAge, Grant, Held, Recorded
from dosetrack.workflow.site import settings_for
from dosetrack.workflow.taking_in import TakenIn

HELD_WITHOUT_CASE = timedelta(days=1)
"""How long the room is shown what came while no case ran in it."""


class Feeding(Granting, Filing):
    """Calls by which gateways feed a room, and by which people decide about what they sent."""

    # what they send ------------------------------------------------------------------------

    def moment_in_room(self, room: str, text: str) -> datetime:
        """The instant of ISO 8601 `text`; without an offset in the zone of the room.

        Raises
        ------
        InputError
            No full date and time, or later than now by more than clocks differ.
        """
        zone = zone_named(self.settings(room=room).text("site.time_zone"))
        found = instant_of(text, zone)
        now = self._clock()
        if found is None:
            accepted = f"ISO 8601 date and time, such as {local_text(now, zone)}"
            raise InputError(field="happened_at", given=text, accepted=accepted)
        if found.utc > now + CLOCKS_DIFFER:
            accepted = f"a time that is not in the future; here it is {local_text(now, zone)}"
            raise InputError(field="happened_at", given=text, accepted=accepted)
        return found.utc

    def feed(
        self,
        grant: Grant,
        payload: Sent,
        *,
        message_id: str,
        questions: Sequence[Question] = (),
        happened_at: datetime | None = None,
    ) -> Fed:
        """Record what a gateway sent in the case that ran in its room then; once for each `message_id`.

        A machine cannot answer. What a person must be asked about is held in the ledger and counts
        nowhere until then. A reading never opens a case.

        Parameters
        ----------
        questions : what the numbers alone raise
        happened_at : None: now
        """
        now = self._clock()
        at = min(happened_at, now) if happened_at is not None else now
        entry_id = entry_id_of(grant.id, message_id)
        waiting = {entry.id for entry in self._feed_index.held()}
        with self.ledger.transaction() as tx:
            earlier = tx.entry(entry_id)
            if earlier is not None:
                return _sent_before(tx, earlier, payload, happened_at, waiting)
            case_id = case_at(tx, grant.room, at)
            if case_id is None:
                return self._without_case(tx, grant, payload, entry_id=entry_id, at=at)
            case, settings = self.projector.case(tx, case_id)
            whole = completed(case, payload)
            asked = questions_for_machine(tx, case, settings, whole, questions, feed=grant.name, at=at)
            if asked:
                return self._hold(tx, grant, case, payload, asked, entry_id=entry_id, at=at)
            done = self._append(tx, case_id, whole, actor=_actor(grant), at=at, entry_id=entry_id)
            return Fed("recorded", entry_id=done.entry_id, case_id=case_id, prompts=done.prompts)

    def _without_case(
        self, tx: Transaction, grant: Grant, payload: Sent, *, entry_id: str, at: datetime
    ) -> Fed:
        zone = zone_named(settings_for(tx, room=grant.room).text("site.time_zone"))
        then = at.astimezone(zone)
        reason = f"No case ran in {grant.room} at {then:%H:%M} on {then:%Y-%m-%d}; a machine opens none."
        if isinstance(payload, ConsoleReading):  # cumulative: the next one tells it all
            return Fed("no case", reason=reason)
        held = HeldForPerson(grant.name, grant.room, ("no-case",), (reason,), injection=payload)
        entry = NewEntry(payload=held, actor=_actor(grant), happened_at=at, id=entry_id)
        return Fed("no case", reason=reason, held_as=tx.append(entry).id)

    def _hold(
        self,
        tx: Transaction,
        grant: Grant,
        case: Case,
        payload: Sent,
        asked: tuple[Question, ...],
        *,
        entry_id: str,
        at: datetime,
    ) -> Fed:
        reason = " ".join(question.text for question in asked)
        kinds = tuple(dict.fromkeys(question.kind for question in asked))
        is_reading = isinstance(payload, ConsoleReading)
        open_before = _same_question(case, grant.name, payload, kinds) if is_reading else None
        if open_before is not None and open_before.recorded_at > self._clock() - ASKED_AGAIN:
            return Fed("asked", reason, case_id=case.id, questions=asked)
        held = HeldForPerson(
            feed=grant.name,
            room=grant.room,
            kinds=kinds,
            questions=tuple(question.text for question in asked),
            reading=payload if isinstance(payload, ConsoleReading) else None,
            injection=payload if isinstance(payload, Injection) else None,
        )
        is_open = open_before is not None and open_before in open_in_case(case)
        replaces = open_before.id if open_before is not None and is_open else None
        self._append(tx, case.id, held, actor=_actor(grant), at=at, replaces=replaces, entry_id=entry_id)
        return Fed("asked", reason, case_id=case.id, held_as=entry_id, questions=asked)

    def take_in_sent_report(self, grant: Grant, data: bytes) -> TakenIn:
        """Take in a dose report that a gateway sent; what cannot be read is kept in quarantine.

        Raises
        ------
        AccessError
            It is of a machine that stands in another room.
        ReportRefusedError
            It cannot be read.
        """
        file, kept = f"sent by {grant.name}", kept_bytes(data)
        try:
            report = read_report(kept, file=file)
        except ReportRefusedError as refused:
            if data:
                self.quarantine(data, file=file, reason=refused.reason, actor=_actor(grant))
            raise
        room = self._room_of(report)
        if room not in (None, grant.room):
            raise AccessError(f"{grant.name} may feed {grant.room}; this dose report is of {room}")
        return self.take_in_reports([(report, kept)], actor=_actor(grant))[0]

    def _room_of(self, report: DoseReport) -> str | None:
        rooms = self.settings().pairs("site.rooms")
        names = (report.equipment.station, report.equipment.serial)
        return next((rooms[name] for name in names if name in rooms), None)

    # what a person sees and decides --------------------------------------------------------

    def case_on(self, room: str) -> str | None:
        """The case that runs in `room`: the one begun last; None when none does."""
        with self.ledger.reading() as reader:
            here = [row for row in reader.running_cases() if row.room == room]
        newest = max(here, key=lambda row: row.started_instant or "", default=None)
        return newest.id if newest else None

    def held_in_room(self, room: str) -> tuple[Held, ...]:
        """What machines sent and nobody has decided about, oldest first.

        Of the cases that run in `room`, and of the last day without a case.
        """
        since = self._clock() - HELD_WITHOUT_CASE
        with self.ledger.reading() as reader:
            running = [row.id for row in reader.running_cases() if row.room == room]
        return self._held(
            entry
            for entry in self._feed_index.held()
            if entry.case in running
            or (entry.case is None and entry.recorded_at > since and _room_of(entry) == room)
        )

    def all_held(self) -> tuple[Held, ...]:
        """The same for every room and case, however long ago."""
        return self._held(self._feed_index.held())

    def _held(self, entries: Iterable[Entry]) -> tuple[Held, ...]:
        found: list[Held] = []
        open_in: dict[str, set[str]] = {}
        for entry in entries:
            if entry.case is not None and entry.case not in open_in:
                with self.ledger.reading() as reader:
                    case, _ = self.projector.case(reader, entry.case)
                open_in[entry.case] = {one.id for one in open_in_case(case)}
            if entry.case is not None and entry.id not in open_in[entry.case]:
                continue
            if isinstance(entry.payload, HeldForPerson):
                found.append(_held_view(entry, entry.payload))
        return tuple(found)

    def answer_held(
        self, entry_id: str, decision: str, *, actor: Actor, case_id: str | None = None
    ) -> Recorded:
        """A person decides about what a machine sent.

        Parameters
        ----------
        decision : one of `Held.answers`
        case_id : the case it belongs to, where none ran when it came

        Raises
        ------
        InputError
            Not a decision it may be given, or the case is missing.
        StateError
            It was decided already.
        """
        with self.ledger.transaction() as tx:
            held = tx.entry(entry_id)
            sent = held.payload if held is not None else None
            if held is None or not isinstance(sent, HeldForPerson):
                raise InputError(field="entry", given=entry_id, accepted="the id of what waits for a person")
            since = tx.entries(after_seq=held.seq, kinds=["withdrawn", "held-for-person"])
            if any(entry.replaces == entry_id for entry in since):
                raise StateError("this was decided already, or a newer reading took its place")
            if decision not in answers_to(sent.kinds):
                accepted = " or ".join(answers_to(sent.kinds))
                raise InputError(field="decision", given=decision, accepted=accepted)
            return self._answered(tx, held, sent, decision, actor=actor, case_id=held.case or case_id)

    def _answered(
        self,
        tx: Transaction,
        held: Entry,
        sent: HeldForPerson,
        decision: str,
        *,
        actor: Actor,
        case_id: str | None,
    ) -> Recorded:
        gone = NewEntry(
            payload=Withdrawn(),
            actor=actor,
            happened_at=held.happened_at,
            case=held.case,
            reason=decision,
            replaces=held.id,
        )
        if case_id is not None:
            self._case_entries(tx, case_id)
        if decision == NOT_COUNTED:
            withdrawn = tx.append(gone)
            if held.case is None:
                return Recorded(entry_id=withdrawn.id, case_id=None, questions=())
            return self._after(tx, held.case, withdrawn.id)
        if case_id is None:
            raise InputError(field="case", given=None, accepted="the case to which it belongs")
        case, _ = self.projector.case(tx, case_id)
        counting = as_answered(tx, case, sent, decision)
        if counting is None:
            raise InputError(field="decision", given=decision, accepted="one that fits what was sent")
        tx.append(gone)
        return self._append(
            tx,
            case_id,
            counting,
            actor=actor,
            at=held.happened_at,
            reason=f"sent by {sent.feed}; {decision}",
            entry_id=counted_id_of(held.id),
        )

    def silent_feeds(self, room: str, ages: Sequence[FeedAge]) -> tuple[FeedAge, ...]:
        """The gateways granted to `room` that told nothing of the case that `ages` speak of."""
        heard = {age.name for age in ages}
        return tuple(
            FeedAge("gateway", grant.name, None)
            for grant in self.grants()
            if grant.room == room and grant.name not in heard
        )


def _held_view(entry: Entry, sent: HeldForPerson) -> Held:
    return Held(
        entry_id=entry.id,
        case_id=entry.case,
        at=entry.happened_at,
        recorded_at=entry.recorded_at,
        sent=sent,
        answers=answers_to(sent.kinds),
    )


def _room_of(entry: Entry) -> str | None:
    return entry.payload.room if isinstance(entry.payload, HeldForPerson) else None


def _actor(grant: Grant) -> Actor:
    return Actor(name=grant.name, role=Role.ROOM)


def _same_question(case: Case, feed: str, payload: Sent, kinds: tuple[str, ...]) -> Entry | None:
    """The last time this was asked about the feed and plane in the case."""
    plane = payload.plane if isinstance(payload, ConsoleReading) else None
    return next(
        (
            entry
            for entry in reversed(case.entries)
            if isinstance(entry.payload, HeldForPerson)
            and (entry.payload.feed, entry.payload.kinds) == (feed, kinds)
            and entry.payload.reading is not None
            and entry.payload.reading.plane == plane
        ),
        None,
    )


def _sent_before(
    tx: Transaction, earlier: Entry, payload: Sent, happened_at: datetime | None, waiting: set[str]
) -> Fed:
    """What became of a message whose id was used before."""
    if not is_same_message(earlier, payload, happened_at):
        reason = "Another message came under this message_id; give each message an id of its own."
        return Fed("other content", reason, entry_id=earlier.id, case_id=earlier.case)
    held = earlier.payload
    if not isinstance(held, HeldForPerson):
        return Fed("held already", entry_id=earlier.id, case_id=earlier.case)
    counted = tx.entry(counted_id_of(earlier.id))
    if counted is not None:
        return Fed("held already", entry_id=counted.id, case_id=counted.case)
    reason = " ".join(held.questions)
    newer = tx.entries(after_seq=earlier.seq, kinds=["held-for-person"])
    if any(entry.replaces == earlier.id for entry in newer):
        return Fed("asked", reason, case_id=earlier.case)
    if earlier.id not in waiting:
        return Fed("not counted", f"A person decided that it does not count. {reason}", case_id=earlier.case)
    if earlier.case is None:
        return Fed("no case", reason, held_as=earlier.id)
    return Fed("asked", reason, case_id=earlier.case, held_as=earlier.id)
