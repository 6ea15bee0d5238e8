"""Machines: what their own data say of them, from the stored events, reports and settings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from threading import Lock

from dosetrack.audit.machine_conformance import Conformance, conformance_of
from dosetrack.audit.machine_facts import (
    EVENT_FIELDS,
    TABLE_READINGS,
    CaseOfMachine,
    MachineKey,
    ReportOfMachine,
    facts_of,
)
from dosetrack.audit.machines import (
    Calibration,
    CalibrationFactor,
    Machine,
    MachineFacts,
    Machines,
    calibration_of,
    clock_bound,
    machine_of,
)
from dosetrack.audit.months import rolling_start
from dosetrack.errors import LedgerError, ReportRefusedError
from dosetrack.ledger import LedgerReader
from dosetrack.ledger.machine_query import MachineReport, cases_touched, event_values, machine_reports
from dosetrack.readers import check_template
from dosetrack.records.template import TemplateCheck
from dosetrack.settings import SettingChange, resolve
from dosetrack.tables import constants
from dosetrack.times import instant_of, zone_named
from dosetrack.workflow.base import LedgerUser
from dosetrack.workflow.last_used import LastUsed
from dosetrack.workflow.site import changes_in

FACTORS = {"radiation.calibration_factor": "a", "radiation.calibration_factor_b": "b"}
"""Setting -> plane it counts for; 'a' is also that of a single plane."""
_CHECKS_HELD = 4096
_TOUCHED_MOST = 400  # more cases than this are read anew at once


@dataclass(frozen=True, slots=True)
class _Check:
    """A check that was made; None: the report is of no template that is checked."""

    found: TemplateCheck | None


class MachinesSeen(LedgerUser):
    """Calls about machines."""

    def machines(
        self, first_day: str | None = None, last_day: str | None = None, *, with_conformance: bool = True
    ) -> Machines:
        """Every machine that sent something from `first_day` to `last_day` (YYYY-MM-DD, both included).

        Parameters
        ----------
        first_day, last_day : None: the window of the table, ending today
        with_conformance : also hold the newest reports of each against their template
        """
        today = self.today()
        last = last_day or today
        months = int(constants("machines")["window_months"].number)
        first = first_day or rolling_start(date.fromisoformat(last), months).isoformat()
        with self.ledger.reading() as reader:
            reports, cases = _HELD.of(reader, str(self.ledger.url), first_day=first, last_day=last)
            found = _machines(reports, cases, changes_in(reader), today=today)
            if with_conformance:
                newest = _newest(reports)
                cards = {key: _conformance(reader, members) for key, members in newest.items()}
                found = [replace(one, conformance=cards[one.facts.key]) for one in found]
        return Machines(first, last, tuple(sorted(found, key=lambda one: (one.name, str(one.facts.key)))))

    def machine_conformance(self, key: MachineKey, first_day: str, last_day: str) -> Conformance:
        """The newest reports of one machine in these days against their template."""
        with self.ledger.reading() as reader:
            reports, _ = _HELD.of(reader, str(self.ledger.url), first_day=first_day, last_day=last_day)
            return _conformance(reader, _newest(reports).get(key, []))


def _machines(
    reports: Sequence[MachineReport],
    cases: Sequence[CaseOfMachine],
    changes: Sequence[SettingChange],
    *,
    today: str,
) -> list[Machine]:
    by_machine: dict[MachineKey, list[MachineReport]] = {}
    for report in reports:
        by_machine.setdefault(_key(report), []).append(report)
    cases_of: dict[MachineKey, list[CaseOfMachine]] = {}
    for case in cases:
        cases_of.setdefault(case.machine, []).append(case)
    return [
        _machine(key, members, cases_of.get(key, []), changes, today=today)
        for key, members in by_machine.items()
    ]


def _machine(
    key: MachineKey,
    reports: Sequence[MachineReport],
    cases: Sequence[CaseOfMachine],
    changes: Sequence[SettingChange],
    *,
    today: str,
) -> Machine:
    rooms = _most_used(report.room for report in reports)
    settings = resolve(changes, day=today, room=rooms[0] if rooms else None)
    days = [report.day for report in reports]
    facts = MachineFacts(
        key=key,
        manufacturers=_most_used(report.manufacturer for report in reports),
        models=_most_used(report.model for report in reports),
        rooms=rooms,
        reports=len(reports),
        sources=tuple(Counter(report.source for report in reports).most_common()),
        first_day=min(days),
        last_day=max(days),
        findings=tuple(Counter(code for report in reports for code in report.finding_codes).most_common()),
        clock=clock_bound(_lags_s(reports, settings.text("site.time_zone"))),
    )
    return machine_of(
        facts,
        cases,
        directions={name: settings.text(f"skin.table_{name}_axis") for name in TABLE_READINGS},
        axes_verified=settings.flag("skin.table_axes_verified") if rooms else None,
        calibration=_calibration(
            changes,
            rooms[0] if rooms else None,
            {case.plane for case in cases},
            interval=int(settings.number("machines.calibration_interval_months")),
            today=today,
        ),
    )


def _calibration(
    changes: Iterable[SettingChange],
    room: str | None,
    planes: Iterable[str | None],
    *,
    interval: int,
    today: str,
) -> Calibration:
    factors = [
        CalibrationFactor(
            room=room,
            plane=FACTORS[change.key],
            factor=float(change.value),
            valid_from=change.valid_from,
            source=change.source,
            by=change.actor,
        )
        for change in changes
        if room and change.key in FACTORS and change.scope == f"room:{room}" and change.value
    ]
    return calibration_of(factors, interval_months=interval, today=today, planes=planes)


def _key(report: MachineReport) -> MachineKey:
    return MachineKey(report.serial, report.station)


def _most_used(words: Iterable[str | None]) -> tuple[str, ...]:
    return tuple(word for word, _ in Counter(word for word in words if word).most_common())


def _lags_s(reports: Iterable[MachineReport], zone: str) -> list[float]:
    """Seconds from the report's own time to its receipt."""
    found, of_room = [], zone_named(zone)
    for report in reports:
        made = instant_of(report.reported_at, of_room) if report.reported_at else None
        if made is not None and report.received_at:
            found.append((datetime.fromisoformat(report.received_at) - made.utc).total_seconds())
    return found


# conformance: reports never change, so their checks are held by digest --------------------------


def _newest(reports: Sequence[MachineReport]) -> dict[MachineKey, list[MachineReport]]:
    most = int(constants("machines")["sample_reports"].number)
    found: dict[MachineKey, list[MachineReport]] = {}
    for report in sorted(reports, key=lambda one: (one.day, one.seq), reverse=True):
        members = found.setdefault(_key(report), [])
        if len(members) < most:
            members.append(report)
    return found


def _conformance(reader: LedgerReader, reports: Sequence[MachineReport]) -> Conformance:
    return conformance_of([_checked(reader, report) for report in reports])


def _checked(reader: LedgerReader, report: MachineReport) -> TemplateCheck | None:
    held = _CHECKS.get(report.sha256)
    if held is None:
        try:
            held = _Check(check_template(reader.original(report.sha256), file=report.file))
        except (ReportRefusedError, LedgerError):
            held = _Check(None)  # bytes kept elsewhere, or of no kind that is checked
        _CHECKS.remember(report.sha256, held)
    return held.found


_CHECKS: LastUsed[str, _Check] = LastUsed(_CHECKS_HELD)


# facts: a case is read again only when an entry named it ----------------------------------------


class _Held:
    """Reports and facts of the last ledger and window asked for, brought up to its position."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._key: tuple[str, str, str] | None = None
        self._position = 0
        self._reports: dict[str, list[MachineReport]] = {}
        self._cases: dict[str, list[CaseOfMachine]] = {}

    def of(
        self, reader: LedgerReader, url: str, *, first_day: str, last_day: str
    ) -> tuple[list[MachineReport], list[CaseOfMachine]]:
        """Counted reports and facts of the window, as `reader` sees them."""
        key = (f"{url} {reader.meta('ledger_id')}", first_day, last_day)
        with self._lock:
            position = reader.position()
            if key != self._key or position < self._position:
                self._reports, self._cases = _read(reader, first_day=first_day, last_day=last_day)
            elif position > self._position:
                self._renew(reader, first_day=first_day, last_day=last_day)
            self._key, self._position = key, position
            reports = sorted((r for rows in self._reports.values() for r in rows), key=lambda r: r.seq)
            cases = sorted(
                (c for rows in self._cases.values() for c in rows), key=lambda c: (c.day, c.case_id)
            )
        return reports, cases

    def _renew(self, reader: LedgerReader, *, first_day: str, last_day: str) -> None:
        touched = cases_touched(reader, after_seq=self._position)
        if len(touched) > _TOUCHED_MOST:
            self._reports, self._cases = _read(reader, first_day=first_day, last_day=last_day)
            return
        for case_id in touched:
            self._reports.pop(case_id, None)
            self._cases.pop(case_id, None)
        if touched:
            reports, cases = _read(reader, first_day=first_day, last_day=last_day, case_ids=touched)
            self._reports.update(reports)
            self._cases.update(cases)


def _read(
    reader: LedgerReader, *, first_day: str, last_day: str, case_ids: frozenset[str] | None = None
) -> tuple[dict[str, list[MachineReport]], dict[str, list[CaseOfMachine]]]:
    found = list(machine_reports(reader, first_day=first_day, last_day=last_day, case_ids=case_ids))
    by_seq = {
        report.seq: ReportOfMachine(report.case_id, report.day, report.room, _key(report)) for report in found
    }
    parts = event_values(reader, EVENT_FIELDS, first_day=first_day, last_day=last_day, case_ids=case_ids)
    reports: dict[str, list[MachineReport]] = {}
    cases: dict[str, list[CaseOfMachine]] = {}
    for report in found:
        reports.setdefault(report.case_id, []).append(report)
    for case in facts_of(parts, by_seq):
        cases.setdefault(case.case_id, []).append(case)
    return reports, cases


_HELD = _Held()
