"""Where a machine's message belongs, and what a person must be asked about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from dosetrack.cases import Case, Stamped
from dosetrack.entry import Question, carried_over
from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.ledger import CaseTotalRow, LedgerReader
from dosetrack.records.entries import (
    ConsoleReading,
    Entry,
    HeldForPerson,
    Injection,
    InjectionSite,
    ReportReceived,
)
from dosetrack.records.people import Actor, Role
from dosetrack.settings import Settings
from dosetrack.workflow.contrast import kidney_now
from dosetrack.workflow.feed_index import IS_OF_A_FEED
from dosetrack.workflow.questions import last_reading_in_room, loosened_question, questions_about
from dosetrack.workflow.results import FeedAge
from dosetrack.workflow.wording import in_words

COUNTS, BEGAN_AGAIN, CARRIED_OVER, NOT_COUNTED = "counts", "began again", "carried over", "does not count"
CLOCKS_DIFFER = timedelta(minutes=2)
"""How far a machine's clock may be ahead of ours, or a case begin after what belongs to it."""
ASKED_AGAIN = timedelta(minutes=1)
"""A machine that reads every second is asked the same no more often than this."""
_SAID_ONCE = ("range", "fit")
"""Questions that a person answers once for a feed and plane of a case."""

Sent = ConsoleReading | Injection


def entry_id_of(grant_id: str, message_id: str) -> str:
    """The id of the entry for a message: two senders never share one."""
    return f"{grant_id}{IS_OF_A_FEED}{message_id}"


def counted_id_of(held_id: str) -> str:
    """The id of the entry that counts after a person said so."""
    return f"{held_id}{IS_OF_A_FEED}counted"


def answers_to(kinds: Sequence[str]) -> tuple[str, ...]:
    """The decisions a person may take about what was held with questions of these kinds."""
    if "reset" in kinds:
        return (BEGAN_AGAIN, NOT_COUNTED)
    if "carried-over" in kinds:
        return (CARRIED_OVER, COUNTS, NOT_COUNTED)
    return (COUNTS, NOT_COUNTED)


# the case ----------------------------------------------------------------------------------


def case_at(reader: LedgerReader, room: str, at: datetime) -> str | None:
    """The case that ran in `room` at that moment: the one begun last; None when none did.

    A case that begins within two minutes after is taken too: the clocks may differ.
    """
    days = (at - timedelta(days=3)).date().isoformat(), (at + timedelta(days=1)).date().isoformat()
    rows = {
        row.id: row
        for row in (*reader.case_totals(from_day=days[0], to_day=days[1]), *reader.running_cases())
    }
    here = [row for row in rows.values() if row.room == room and row.state != "planned"]
    for grace in (timedelta(0), CLOCKS_DIFFER):
        running = [(start, row.id) for row in here if (start := _start_if_during(row, at, grace)) is not None]
        if running:
            return max(running)[1]
    return None


def _start_if_during(row: CaseTotalRow, at: datetime, grace: timedelta) -> datetime | None:
    if row.started_instant is None or (row.state != "running" and row.ended_at is None):
        return None
    start = datetime.fromisoformat(row.started_instant)
    is_over = (
        row.state != "running" and row.ended_at is not None and datetime.fromisoformat(row.ended_at) < at
    )
    return None if is_over or at < start - grace else start


# questions ---------------------------------------------------------------------------------


def questions_for_machine(
    reader: LedgerReader,
    case: Case,
    settings: Settings,
    payload: Sent,
    typed: Sequence[Question],
    *,
    feed: str,
    at: datetime,
) -> tuple[Question, ...]:
    """What a person must answer before `payload`, sent by the machine `feed`, counts.

    typed : what the numbers alone raise. A person's word on those holds for the feed and plane
    """
    said = _said(case, feed, _plane(payload))
    found = [q for q in typed if q.kind not in said]
    if isinstance(payload, ConsoleReading):
        found += questions_about(reader, case, payload, at=at)
    else:
        asked = (
            _entered_by_hand(case, payload, feed=feed, at=at),
            _loosens_limit(reader, case, settings, payload, feed=feed, at=at),
        )
        found += [question for question in asked if question is not None]
    if case.state == "closed":
        text = "The case was reconciled and closed before this came: does it belong to it?"
        found.append(Question("change", "case", text))
    return tuple(found)


def _said(case: Case, feed: str, plane: str | None) -> set[str]:
    ids = {entry.id for entry in case.entries}
    return {
        kind
        for entry in case.entries
        if isinstance(entry.payload, HeldForPerson)
        and entry.payload.feed == feed
        and _plane(entry.payload.reading) == plane
        and counted_id_of(entry.id) in ids
        for kind in entry.payload.kinds
        if kind in _SAID_ONCE and plane is not None
    }


def _plane(payload: Sent | None) -> str | None:
    return payload.plane if isinstance(payload, ConsoleReading) else None


def _entered_by_hand(case: Case, new: Injection, *, feed: str, at: datetime) -> Question | None:
    """The question whether someone entered this injection too. The machine's own are told apart by id."""
    for stamped in case.injections:
        is_near = abs(at - stamped.at) <= ASKED_AGAIN
        is_alike = (stamped.value.volume_ml, stamped.value.agent) == (new.volume_ml, new.agent)
        if is_near and is_alike and (stamped.by.name != feed or stamped.at == at):
            told = f"{new.volume_ml:g} mL was entered by {stamped.by.name} at nearly this time"
            text = f"{told}: the same injection?"
            return Question("duplicate", "injection", text)
    return None


def _loosens_limit(
    reader: LedgerReader, case: Case, settings: Settings, new: Injection, *, feed: str, at: datetime
) -> Question | None:
    """The question that the injection would raise the leading contrast limit (by its site, for instance)."""
    stamped = Stamped(new, "", 0, at, at, Actor(feed, Role.ROOM))
    after = replace(case, injections=(*case.injections, stamped))
    return loosened_question(
        kidney_now(reader, case, settings, as_of=at), kidney_now(reader, after, settings, as_of=at)
    )


# content -----------------------------------------------------------------------------------


def completed(case: Case, payload: Sent) -> Sent:
    """`payload` with what the form told of the product, where the machine told nothing."""
    opening = case.opening.value if case.opening else None
    if not isinstance(payload, Injection) or opening is None or payload.agent != "iodinated":
        return payload
    is_unknown = payload.site is InjectionSite.UNKNOWN
    return replace(
        payload,
        concentration_mgi_ml=payload.concentration_mgi_ml or opening.concentration_mgi_ml,
        site=opening.injection_site if is_unknown else payload.site,
    )


def is_same_message(earlier: Entry, payload: Sent, happened_at: datetime | None) -> bool:
    """Whether `earlier` was recorded from the same content."""
    held = earlier.payload
    stands = (held.reading or held.injection) if isinstance(held, HeldForPerson) else held
    if happened_at is not None and not _is_same_time(earlier, happened_at):
        return False
    if isinstance(stands, Injection) and isinstance(payload, Injection):
        stands = replace(
            stands,
            concentration_mgi_ml=stands.concentration_mgi_ml if payload.concentration_mgi_ml else None,
            site=payload.site if payload.site is InjectionSite.UNKNOWN else stands.site,
        )
    return stands == payload


def _is_same_time(earlier: Entry, happened_at: datetime) -> bool:
    """Whether `earlier` was sent with this time; one a little ahead of ours was taken as the present."""
    ahead = happened_at - earlier.happened_at
    was_ahead = abs(earlier.recorded_at - earlier.happened_at) < timedelta(seconds=1)
    return abs(ahead) < timedelta(milliseconds=1) or (was_ahead and timedelta(0) < ahead <= CLOCKS_DIFFER)


def as_answered(reader: LedgerReader, case: Case, sent: HeldForPerson, decision: str) -> Sent | None:
    """What counts of `sent` after this decision; None when nothing does."""
    if decision == NOT_COUNTED:
        return None
    if sent.injection is not None:
        return completed(case, sent.injection)
    reading = sent.reading
    if reading is None or decision == COUNTS:
        return reading
    if decision == BEGAN_AGAIN:
        return replace(reading, is_reset=True)
    return carried_over(reading, last_reading_in_room(reader, case, plane=reading.plane))


# what the case shows -----------------------------------------------------------------------


def open_in_case(case: Case) -> tuple[Entry, ...]:
    """What waits for a person in a case. A reading no more waits once a later one of its plane counts."""
    gone = {entry.replaces for entry in case.entries if entry.replaces}
    newest: dict[str, int] = {}
    for stamped in case.readings:
        newest[stamped.value.plane] = max(newest.get(stamped.value.plane, 0), stamped.seq)
    return tuple(
        entry
        for entry in case.entries
        if isinstance(entry.payload, HeldForPerson)
        and entry.id not in gone
        and entry.seq > newest.get(_plane(entry.payload.reading) or "", 0)
    )


def waiting_findings(case: Case) -> tuple[Finding, ...]:
    """One finding for each thing that a machine sent and that does not count yet."""
    return tuple(
        finding(
            FindingCode.MACHINE_ENTRY_WAITS,
            feed=held.feed,
            sent=in_words(held.reading if held.reading is not None else held.injection),
            why=" ".join(held.questions),
        )
        for entry in open_in_case(case)
        if isinstance(held := entry.payload, HeldForPerson)
    )


def feed_ages(case: Case) -> tuple[FeedAge, ...]:
    """When each source told something of the case last, the newest first."""
    newest: dict[tuple[str, str], FeedAge] = {}
    for entry in reversed(case.entries):
        kind = _kind_of_source(entry)
        if kind is not None:
            name = entry.actor.name
            age = FeedAge(kind, name, entry.recorded_at)
            newest.setdefault((kind, name if kind.endswith("gateway") else ""), age)
    return tuple(newest.values())


def _kind_of_source(entry: Entry) -> str | None:
    payload = entry.payload
    sent = (payload.reading or payload.injection) if isinstance(payload, HeldForPerson) else payload
    if isinstance(sent, ReportReceived):
        return "dose report"
    if not isinstance(sent, ConsoleReading | Injection):
        return None
    if IS_OF_A_FEED not in entry.id or entry.id.endswith(counted_id_of("")):
        return "typed"
    return "console gateway" if isinstance(sent, ConsoleReading) else "injector gateway"
