"""The schedule: planned procedures taken in, offered to a room, and held against what came."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, datetime, timedelta
from pathlib import PurePath
from zoneinfo import ZoneInfo

from dosetrack.audit import ExpectedProcedure, ReceivedCase, Reception, reception
from dosetrack.ledger import CaseState, CaseTotalRow, Ledger, LedgerReader, Transaction
from dosetrack.readers.schedule_table import RefusedLine, ScheduleTable, read_schedule_table
from dosetrack.records.entries import NewEntry, ProcedureScheduled, Withdrawn
from dosetrack.records.people import Actor
from dosetrack.times import instant_of, zone_named
from dosetrack.workflow.base import LedgerUser, utc_now
from dosetrack.workflow.projector import extras_of
from dosetrack.workflow.schedule_index import ScheduleIndex, Told
from dosetrack.workflow.site import settings_for

CHANGED, CANCELLED = "the schedule changed: {parts}", "cancelled"
GONE = "no longer on the {source}"
_DAY = len("2026-03-02")
_ONE_DAY = timedelta(days=1)
_RECEIVED: tuple[CaseState, ...] = ("ended", "closed")


@dataclass(frozen=True, slots=True)
class Asked:
    """What a worklist was asked for whole: what it no longer tells of this, has gone.

    source : as in the planned procedures it gave
    first_day, last_day : YYYY-MM-DD, both included
    station : None: of every station
    """

    source: str
    first_day: str
    last_day: str
    station: str | None = None


@dataclass(frozen=True, slots=True)
class ScheduleTakenIn:
    """Keys of planned procedures by what became of them.

    kept : gone from the worklist, but a case was opened or a report came: it stays as it stands
    """

    added: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    unchanged: tuple[str, ...] = ()
    withdrawn: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Planned:
    """A planned procedure with the case that came of it.

    at : instant; None where no time of day was told
    day : local day of the site
    case_id, case_state, matched_by : of that case; None while there is none
    has_report : whether a dose report of that case is held
    """

    told: ProcedureScheduled
    at: datetime | None
    day: str | None
    told_at: datetime
    withdrawn_at: datetime | None = None
    case_id: str | None = None
    case_state: str | None = None
    matched_by: str | None = None
    has_report: bool = False


class Scheduling(LedgerUser):
    """Calls about what is planned."""

    def __init__(self, ledger: Ledger, *, clock: Callable[[], datetime] = utc_now) -> None:
        super().__init__(ledger, clock=clock)
        self._schedule = ScheduleIndex()

    def take_in_schedule_table(
        self, data: bytes, *, file: str, actor: Actor
    ) -> tuple[ScheduleTakenIn, ScheduleTable]:
        """Take in a table of planned procedures; ReportRefusedError when it is none."""
        table = read_schedule_table(data, file=PurePath(file).name)
        taken = self.take_in_schedule(table.procedures, cancelled=table.cancelled, actor=actor)
        return taken, table

    def take_in_schedule(
        self,
        procedures: Sequence[ProcedureScheduled],
        *,
        actor: Actor,
        cancelled: Sequence[str] = (),
        asked: Asked | None = None,
    ) -> ScheduleTakenIn:
        """Take in planned procedures: new ones, changed ones in place of what they were; the same again
        changes nothing.

        Parameters
        ----------
        cancelled : keys of procedures taken back
        asked : what a worklist was asked for and answered whole; None: nothing may be missed
        """
        with self.ledger.transaction() as tx:
            held = self._schedule.all(tx)
            found: dict[str, list[str]] = {field.name: [] for field in fields(ScheduleTakenIn)}
            for procedure in {p.key: p for p in procedures}.values():
                found[self._put(tx, procedure, held.get(procedure.key), actor)].append(procedure.key)
            gone = _gone(held.values(), {p.key for p in procedures} | set(cancelled), asked)
            reasons = dict.fromkeys(cancelled, CANCELLED) | {
                told.procedure.key: GONE.format(source=told.procedure.source) for told in gone
            }
            linked = self._linked(tx, [told for told in gone if told.procedure.key not in cancelled])
            for key, reason in reasons.items():
                told = held.get(key)
                if told is None or told.withdrawn_at is not None:
                    continue
                if key in linked:
                    found["kept"].append(key)
                    continue
                tx.append(NewEntry(Withdrawn(), actor, self._clock(), reason=reason, replaces=told.entry_id))
                found["withdrawn"].append(key)
        return ScheduleTakenIn(**{name: tuple(keys) for name, keys in found.items()})

    def schedule_of(self, day: str, room: str | None = None) -> tuple[Planned, ...]:
        """What is planned on a local day, in order of time; of a room, with what names no room."""
        with self.ledger.reading() as reader:
            found = [p for p in self._planned(reader, first=day, last=day) if p.withdrawn_at is None]
        return tuple(p for p in found if room is None or p.told.room in (None, room))

    def scheduled(self, key: str) -> ProcedureScheduled | None:
        """The planned procedure of this key as it stands; None when there is none."""
        with self.ledger.reading() as reader:
            told = self._schedule.all(reader).get(key)
        return told.procedure if told is not None and told.withdrawn_at is None else None

    def issuers_of(self, patient_id: str) -> tuple[str, ...]:
        """The issuers with which cases here hold this patient number."""
        with self.ledger.reading() as reader:
            return reader.issuers_of_patient(patient_id)

    def expected_and_received(self, first_day: str, last_day: str, *, room: str | None = None) -> Reception:
        """What was planned from `first_day` to `last_day`, both included, beside what came.

        Only procedures whose time has passed are expected. One that a worklist took back before its
        time was cancelled; one that went after its time is expected still, and marked.
        """
        with self.ledger.reading() as reader:
            planned = self._planned(reader, first=first_day, last=last_day)
            rows = reader.case_totals(from_day=first_day, to_day=last_day, state=_RECEIVED)
        now, today = self._clock(), self.today()
        expected = [
            _expected(p)
            for p in planned
            if p.day and _is_due(p, now=now, today=today) and room in (None, p.told.room)
        ]
        received = [_received(row) for row in rows if row.day and room in (None, row.room)]
        return reception(expected, received)

    # -----------------------------------------------------------------------------------------

    def _put(self, tx: Transaction, new: ProcedureScheduled, held: Told | None, actor: Actor) -> str:
        """Append one procedure unless it stands already; which list it belongs to."""
        now = self._clock()
        if held is None or held.withdrawn_at is not None:
            tx.append(NewEntry(new, actor, now))
            return "added"
        parts = _differences(held.procedure, new)
        if not parts:
            return "unchanged"
        tx.append(
            NewEntry(new, actor, now, reason=CHANGED.format(parts=", ".join(parts)), replaces=held.entry_id)
        )
        return "changed"

    def _planned(self, reader: LedgerReader, *, first: str, last: str) -> list[Planned]:
        """What is or was planned in a span of days, with the cases that came of it, by time."""
        site = zone_named(settings_for(reader).text("site.time_zone"))
        rooms = {told.procedure.room for told in self._schedule.all(reader).values()} - {None}
        zones = {room: zone_named(settings_for(reader, room=room).text("site.time_zone")) for room in rooms}
        found = [
            _as_planned(told, zones.get(told.procedure.room, site))
            for told in self._schedule.all(reader).values()
        ]
        inside = [p for p in found if p.day is not None and first <= p.day <= last]
        cases = _Cases(reader, inside, first=first, last=last)
        return sorted(
            map(cases.joined, inside),
            key=lambda p: (p.day or "", p.at is None, p.at.isoformat() if p.at else "", p.told.key),
        )

    def _linked(self, reader: LedgerReader, gone: Sequence[Told]) -> set[str]:
        """Keys of those that came to a case."""
        days = [told.procedure.scheduled_at[:_DAY] for told in gone if told.procedure.scheduled_at]
        if not days:
            return set()
        planned = self._planned(reader, first=min(days), last=max(days))
        keys = {told.procedure.key for told in gone}
        return {p.told.key for p in planned if p.told.key in keys and p.case_id is not None}


class _Cases:
    """The cases that may have come of planned procedures."""

    def __init__(self, reader: LedgerReader, planned: Sequence[Planned], *, first: str, last: str) -> None:
        self._reader = reader
        near = [
            *reader.case_totals(state="planned"),  # perhaps days before
            *reader.case_totals(
                from_day=(date.fromisoformat(first) - _ONE_DAY).isoformat(),
                to_day=(date.fromisoformat(last) + _ONE_DAY).isoformat(),
            ),
        ]
        self._rows: dict[str, CaseTotalRow] = {row.id: row for row in near}
        self._by_form = {key: row for row in near if (key := extras_of(row).scheduled_key) is not None}
        self._by_name = reader.cases_named(
            study_instance_uids=[p.told.study_instance_uid for p in planned if p.told.study_instance_uid],
            accession_numbers=[p.told.accession_number for p in planned if p.told.accession_number],
        )
        self._of_patient: dict[tuple[str, str], list[CaseTotalRow]] = {}
        for row in self._rows.values():
            if row.patient_id and row.day:
                self._of_patient.setdefault((row.patient_id, row.day), []).append(row)
        days = [(p.told.patient.id, p.day) for p in planned if p.withdrawn_at is None]
        self._once = {day for day in days if days.count(day) == 1}

    def joined(self, planned: Planned) -> Planned:
        """`planned` with its case, if any."""
        found = self._found(planned)
        if found is None:
            return planned
        row, by = found
        return replace(
            planned, case_id=row.id, case_state=row.state, matched_by=by, has_report=row.reports > 0
        )

    def _found(self, planned: Planned) -> tuple[CaseTotalRow, str] | None:
        told = planned.told
        opened = self._by_form.get(told.key)
        if opened is not None and opened.patient_id in (
            None,
            told.patient.id,
        ):  # not after a change of patient
            return opened, "form"
        for by, name in (("study", told.study_instance_uid), ("accession", told.accession_number)):
            for case_id in self._by_name.get((by, name or ""), ()):
                row = self._row(case_id)
                if row is not None and row.patient_id in (None, told.patient.id):
                    return row, by
        whose = (told.patient.id or "", planned.day or "")
        rows = self._of_patient.get(whose, ())
        # one planned procedure and one case of this person on this day: no other reading is likelier
        if len(rows) == 1 and whose in self._once and extras_of(rows[0]).scheduled_key is None:
            return rows[0], "patient and day"
        return None

    def _row(self, case_id: str) -> CaseTotalRow | None:
        if case_id not in self._rows:
            row = self._reader.case_total(case_id)
            if row is None:
                return None
            self._rows[case_id] = row
        return self._rows[case_id]


def _differences(old: ProcedureScheduled, new: ProcedureScheduled) -> list[str]:
    """Names of what differs; where it was told does not."""
    names = [field.name for field in fields(old) if field.name != "source"]
    return [name.replace("_", " ") for name in names if getattr(old, name) != getattr(new, name)]


def _gone(held: Iterable[Told], told: set[str], asked: Asked | None) -> list[Told]:
    """What stands from the same source inside what was asked, and was not told again."""
    if asked is None:
        return []
    return [
        one
        for one in held
        if one.withdrawn_at is None
        and one.procedure.key not in told
        and one.procedure.source == asked.source
        and asked.station in (None, one.procedure.station)
        and asked.first_day <= (one.procedure.scheduled_at or "")[:_DAY] <= asked.last_day
    ]


def _as_planned(told: Told, zone: ZoneInfo) -> Planned:
    text = told.procedure.scheduled_at
    found = instant_of(text, zone) if text else None
    day = found.utc.astimezone(zone).date().isoformat() if found else (text or "")[:_DAY] or None
    return Planned(
        told=told.procedure,
        at=found.utc if found else None,
        day=day,
        told_at=told.told_at,
        withdrawn_at=told.withdrawn_at,
    )


def _is_due(planned: Planned, *, now: datetime, today: str) -> bool:
    """Whether its time has passed, and it was not taken back before."""
    is_past = planned.at <= now if planned.at else (planned.day or today) < today
    if not is_past or planned.withdrawn_at is None:
        return is_past
    return planned.at is not None and planned.withdrawn_at > planned.at


def _expected(planned: Planned) -> ExpectedProcedure:
    told = planned.told
    return ExpectedProcedure(
        key=told.key,
        day=date.fromisoformat(planned.day or ""),
        scheduled_at=told.scheduled_at,
        room=told.room,
        procedure=told.procedure,
        accession_number=told.accession_number,
        case_id=planned.case_id,
        matched_by=planned.matched_by,
        has_report=planned.has_report,
        left_list=planned.withdrawn_at is not None,
    )


def _received(row: CaseTotalRow) -> ReceivedCase:
    return ReceivedCase(
        case_id=row.id,
        day=date.fromisoformat(row.day or ""),
        room=row.room,
        procedure=row.procedure,
        has_report=row.reports > 0,
    )


__all__ = ["Asked", "Planned", "RefusedLine", "ScheduleTakenIn", "Scheduling"]
