"""Reading the ledger: entries, originals and projections, as of one moment."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any, get_args

from sqlalchemy import ColumnElement, Connection, Select, and_, func, null, or_, select
from sqlalchemy.sql import Subquery

from dosetrack.errors import LedgerError
from dosetrack.ledger import schema
from dosetrack.ledger.codec import from_json
from dosetrack.ledger.convert import (
    CASE_COLUMNS,
    EVENT_COLUMNS,
    REPORT_ROW_COLUMNS,
    SETTING_COLUMNS,
    case_from_row,
    entry_from_row,
    event_from_row,
    report_row_from_row,
    setting_from_row,
    stored_event_from_row,
)
from dosetrack.ledger.rows import (
    CaseMatch,
    CaseState,
    CaseTotalRow,
    MatchedBy,
    OriginalRow,
    ReportRow,
    SettingRow,
    StoredEvent,
)
from dosetrack.records.entries import Entry
from dosetrack.records.report import DoseReport

PAGE = 2000  # rows read at a time where there may be very many
_IN = 500  # values in one IN list

_ENTRIES = select(schema.entry, schema.payload.c.body).outerjoin_from(schema.entry, schema.payload)
_POSITION = select(func.coalesce(func.max(schema.entry.c.seq), 0))
_REPORTS = select(*REPORT_ROW_COLUMNS).order_by(schema.report.c.seq)
_EVENTS = select(*EVENT_COLUMNS).order_by(schema.event_table.c.ordinal)
_CASES = select(*CASE_COLUMNS).order_by(
    func.coalesce(schema.case_total.c.started_instant, ""), schema.case_total.c.id
)


class LedgerReader:
    """The ledger as it stood when reading began; inside a transaction, with its own writes.

    `connection` is for the ledger's own modules.
    """

    def __init__(self, connection: Connection) -> None:
        self.connection = connection
        self._settings: tuple[SettingRow, ...] | None = None

    # entries -------------------------------------------------------------------------------

    def position(self) -> int:
        """The last `seq`, 0 for an empty ledger. Cheap enough to be asked many times a second."""
        return int(self.connection.execute(_POSITION).scalar_one())

    def case_position(self, case_id: str) -> int:
        """The last `seq` that tells of this case or of no case (a setting, a schedule); 0 for none."""
        mine = _POSITION.where(schema.entry.c.case_id == case_id).scalar_subquery()
        general = _POSITION.where(schema.entry.c.case_id.is_(None)).scalar_subquery()
        found = self.connection.execute(select(mine, general)).one()
        return int(max(found))

    def cases_moved(self, *, after_seq: int) -> dict[str | None, int]:
        """The last `seq` of each case (None: of no case) that an entry after `after_seq` tells of."""
        case, seq = schema.entry.c.case_id, schema.entry.c.seq
        query = select(case, func.max(seq)).where(seq > after_seq).group_by(case)
        return {row[0]: row[1] for row in self.connection.execute(query)}

    def entry(self, entry_id: str) -> Entry | None:
        """The entry with this id, None when there is none."""
        row = self.connection.execute(_ENTRIES.where(schema.entry.c.id == entry_id)).one_or_none()
        return None if row is None else entry_from_row(row)

    def entries(
        self,
        *,
        case: str | None = None,
        after_seq: int = 0,
        kinds: Collection[str] | None = None,
        limit: int | None = None,
    ) -> tuple[Entry, ...]:
        """Entries in the order of `seq`, of one case or (None) of the whole ledger."""
        query = _ENTRIES.where(schema.entry.c.seq > after_seq).order_by(schema.entry.c.seq)
        if case is not None:
            query = query.where(schema.entry.c.case_id == case)
        if kinds is not None:
            query = query.where(schema.entry.c.kind.in_(list(kinds)))
        return tuple(map(entry_from_row, self.connection.execute(query.limit(limit))))

    def each_entry(self, *, after_seq: int = 0, kinds: Collection[str] | None = None) -> Iterator[Entry]:
        """The same for the whole ledger, a page at a time, so that memory stays flat."""
        while page := self.entries(after_seq=after_seq, kinds=kinds, limit=PAGE):
            yield from page
            after_seq = page[-1].seq

    def case_ids(self) -> tuple[str, ...]:
        """Every case named by an entry, in the order of their first entries."""
        case, first = schema.entry.c.case_id, func.min(schema.entry.c.seq)
        query = select(case).where(case.is_not(None)).group_by(case).order_by(first)
        return tuple(self.connection.execute(query).scalars())

    # original bytes ------------------------------------------------------------------------

    def holds_original(self, sha256: str) -> bool:
        """Whether the bytes with this digest are held."""
        query = select(schema.original.c.size).where(schema.original.c.sha256 == sha256)
        return self.connection.execute(query).first() is not None

    def original(self, sha256: str) -> bytes:
        """The bytes as received, checked against their digest. LedgerError when not held or altered."""
        query = select(schema.original.c.packed).where(schema.original.c.sha256 == sha256)
        packed = self.connection.execute(query).scalar_one_or_none()
        if packed is None:
            raise LedgerError(f"no original with the digest {sha256} is held")
        try:
            data = zlib.decompress(packed)
        except zlib.error as error:
            raise LedgerError(f"the original {sha256} was altered: {error}") from error
        if hashlib.sha256(data).hexdigest() != sha256:
            raise LedgerError(f"the original {sha256} was altered: its bytes have another digest")
        return data

    def original_row(self, sha256: str) -> OriginalRow | None:
        """Name, size and time of receipt of an original."""
        held = schema.original.c
        query = select(held.sha256, held.file, held.size, held.received_at).where(held.sha256 == sha256)
        row = self.connection.execute(query).one_or_none()
        return None if row is None else OriginalRow(*row)

    # reports and events --------------------------------------------------------------------

    def find_reports(
        self, *, sha256: str | None = None, sop_instance_uid: str | None = None
    ) -> tuple[ReportRow, ...]:
        """Reports with this digest, or this SOP Instance UID, in order of arrival (no events read)."""
        either = []
        if sha256 is not None:
            either.append(schema.report.c.sha256 == sha256)
        if sop_instance_uid is not None:
            either.append(schema.report.c.sop_instance_uid == sop_instance_uid)
        return self._report_rows(or_(*either)) if either else ()

    def report_rows_of(self, case_id: str) -> tuple[ReportRow, ...]:
        """The reports of a case in order of arrival, without their events."""
        return self._report_rows(schema.report.c.case_id == case_id)

    def report(self, sha256: str) -> DoseReport | None:
        """The whole report, as it was read; None when there is none with this digest."""
        found = self._whole_reports(schema.report.c.sha256 == sha256)
        return found[0] if found else None

    def reports_of(self, case_id: str) -> tuple[DoseReport, ...]:
        """The whole reports of a case in order of arrival."""
        return self._whole_reports(schema.report.c.case_id == case_id)

    def events_of(self, sha256: str) -> tuple[StoredEvent, ...]:
        """The events of a report in file order, with what was decided about each."""
        seq = select(schema.report.c.seq).where(schema.report.c.sha256 == sha256).scalar_subquery()
        query = _EVENTS.where(schema.event_table.c.report_seq == seq)
        return tuple(map(stored_event_from_row, self.connection.execute(query)))

    def held_event_keys(self, uids: Collection[str]) -> frozenset[tuple[str, str | None]]:
        """The (uid, plane) of those events that some report of the ledger holds already."""
        events = schema.event_table.c
        found: set[tuple[str, str | None]] = set()
        for part in _parts(uids):
            query = select(events.uid, events.plane).where(events.uid.in_(part)).distinct()
            found.update((row[0], row[1]) for row in self.connection.execute(query))
        return frozenset(found)

    def _report_rows(self, which: ColumnElement[bool]) -> tuple[ReportRow, ...]:
        return tuple(map(report_row_from_row, self.connection.execute(_REPORTS.where(which))))

    def _whole_reports(self, which: ColumnElement[bool]) -> tuple[DoseReport, ...]:
        held = schema.report.c
        headers = self.connection.execute(select(held.seq, held.header).where(which).order_by(held.seq)).all()
        return tuple(replace(from_json(DoseReport, row[1]), events=self._events(row[0])) for row in headers)

    def _events(self, report_seq: int) -> tuple[Any, ...]:
        query = _EVENTS.where(schema.event_table.c.report_seq == report_seq)
        return tuple(map(event_from_row, self.connection.execute(query)))

    # cases ---------------------------------------------------------------------------------

    def matching_cases(
        self,
        *,
        patient_id: str | None,
        patient_issuer: str | None,
        study_instance_uid: str | None = None,
        accession_number: str | None = None,
        event_uids: Sequence[str] = (),
    ) -> tuple[CaseMatch, ...]:
        """Cases that share an event UID, the Study UID or a non-empty accession number.

        Same patient first, then by identifier (event, study, accession), then by age of the case.
        Planned cases are found by the accession number of their case row.
        """
        found: dict[str, MatchedBy] = {}
        for by, query in _match_queries(study_instance_uid, accession_number, event_uids):
            for case_id in self.connection.execute(query).scalars():
                found.setdefault(case_id, by)
        patients = self._patients_of(found)
        person = (patient_id, patient_issuer)
        matches = [
            CaseMatch(case_id, by, patient_id is not None and patients[case_id][:2] == person)
            for case_id, by in found.items()
        ]
        strength = get_args(MatchedBy)
        return tuple(
            sorted(
                matches,
                key=lambda match: (
                    not match.is_same_patient,
                    strength.index(match.by),
                    patients[match.case_id][2] or "",
                    match.case_id,
                ),
            )
        )

    def cases_named(
        self, *, study_instance_uids: Collection[str], accession_numbers: Collection[str]
    ) -> dict[tuple[str, str], tuple[str, ...]]:
        """Cases by ('study', uid) and ('accession', number), of their reports and their own row."""
        report, case = schema.report.c, schema.case_total.c
        found: dict[tuple[str, str], dict[str, None]] = {}
        for by, names, columns in (
            ("study", study_instance_uids, ((report.study_instance_uid, report.case_id),)),
            (
                "accession",
                accession_numbers,
                ((report.accession_number, report.case_id), (case.accession_number, case.id)),
            ),
        ):
            for part in _parts(names):
                for named, case_id in columns:
                    rows = self.connection.execute(select(named, case_id).where(named.in_(part)).distinct())
                    for name, found_id in rows:
                        found.setdefault((by, name), {})[found_id] = None
        return {name: tuple(ids) for name, ids in found.items()}

    def _patients_of(self, case_ids: Iterable[str]) -> dict[str, tuple[str | None, str | None, str | None]]:
        """(patient id, issuer, start) of each case: of its row, else of its first report."""
        totals, reports = schema.case_total.c, schema.report.c
        found: dict[str, tuple[str | None, str | None, str | None]] = {}
        for part in _parts(case_ids):
            of_reports = (
                select(reports.case_id, reports.patient_id, reports.patient_issuer, null())
                .where(reports.case_id.in_(part))
                .order_by(reports.seq.desc())
            )
            of_totals = select(
                totals.id, totals.patient_id, totals.patient_issuer, totals.started_instant
            ).where(totals.id.in_(part))
            for query in (of_reports, of_totals):
                found.update({row[0]: (row[1], row[2], row[3]) for row in self.connection.execute(query)})
        return found

    def case_total(self, case_id: str) -> CaseTotalRow | None:
        """The row of one case."""
        found = self._cases(schema.case_total.c.id == case_id)
        return found[0] if found else None

    def has_skin_result(self, case_id: str) -> bool:
        """Whether any result of a case's skin map is kept, made from whatever."""
        kept = schema.skin_result.c
        query = select(kept.case_id).where(kept.case_id == case_id)
        return self.connection.execute(query).first() is not None

    def cases_with_skin_result(self) -> frozenset[str]:
        """Ids under which a result of a skin map is kept."""
        return frozenset(self.connection.execute(select(schema.skin_result.c.case_id)).scalars())

    def skin_results_of(self, case_ids: Collection[str]) -> dict[str, str]:
        """The kept results of these cases, whatever they were made from: case id -> body."""
        kept = schema.skin_result.c
        found: dict[str, str] = {}
        for part in _parts(case_ids):
            rows = self.connection.execute(select(kept.case_id, kept.body).where(kept.case_id.in_(part)))
            found.update({row[0]: row[1] for row in rows})
        return found

    def skin_result(self, case_id: str, *, made_from: str) -> str | None:
        """The kept result of a case's skin map, None unless it was made from exactly this."""
        kept = schema.skin_result.c
        return self.connection.execute(
            select(kept.body).where(kept.case_id == case_id, kept.made_from == made_from)
        ).scalar()

    def case_totals(
        self,
        *,
        from_day: str | None = None,
        to_day: str | None = None,
        state: CaseState | Collection[CaseState] | None = None,
    ) -> tuple[CaseTotalRow, ...]:
        """Cases by local day (YYYY-MM-DD, both ends included), ordered by start, then id.

        Cases without a day are listed only when no day is asked for, first.
        """
        case = schema.case_total.c
        which: list[ColumnElement[bool]] = []
        if from_day is not None:
            which.append(case.day >= from_day)
        if to_day is not None:
            which.append(case.day <= to_day)
        if state is not None:
            which.append(case.state.in_([state] if isinstance(state, str) else list(state)))
        return self._cases(*which)

    def running_cases(self) -> tuple[CaseTotalRow, ...]:
        """Every case whose state is 'running'."""
        return self.case_totals(state="running")

    def cases_of_patient(self, *, patient_id: str, patient_issuer: str | None) -> tuple[CaseTotalRow, ...]:
        """Every case of one person (id and issuer both equal; None equals None), by start."""
        case = schema.case_total.c
        return self._cases(case.patient_id == patient_id, case.patient_issuer == patient_issuer)

    def issuers_of_patient(self, patient_id: str) -> tuple[str, ...]:
        """The issuers with which cases hold this patient number, sorted; cases without one left out."""
        case = schema.case_total.c
        query = select(case.patient_issuer).where(case.patient_id == patient_id).distinct()
        return tuple(sorted(issuer for issuer in self.connection.execute(query).scalars() if issuer))

    def _cases(self, *which: ColumnElement[bool]) -> tuple[CaseTotalRow, ...]:
        query = _CASES.where(and_(*which)) if which else _CASES
        return tuple(map(case_from_row, self.connection.execute(query)))

    # settings ------------------------------------------------------------------------------

    def setting_history(
        self, *, key: str | None = None, up_to_seq: int | None = None
    ) -> tuple[SettingRow, ...]:
        """Changes of settings in the order of `seq`, corrected ones included and marked.

        With `up_to_seq`, as it stood then.
        """
        query = (
            select(*SETTING_COLUMNS).join_from(schema.setting, schema.entry).order_by(schema.setting.c.seq)
        )
        is_whole = key is None and up_to_seq is None
        if is_whole and self._settings is not None:
            return self._settings
        if key is not None:
            query = query.where(schema.setting.c.key == key)
        if up_to_seq is not None:
            query = query.where(schema.setting.c.seq <= up_to_seq)
        rows = map(setting_from_row, self.connection.execute(query))
        if is_whole:
            self._settings = tuple(rows)
            return self._settings
        if up_to_seq is None:
            return tuple(rows)
        return tuple(
            replace(row, replaced_by=None) if (row.replaced_by or 0) > up_to_seq else row for row in rows
        )

    # the ledger itself ---------------------------------------------------------------------

    def is_present(self) -> bool:
        """Whether the database holds a ledger."""
        return schema.has_ledger(self.connection)

    def is_empty(self) -> bool:
        """Whether the database holds no table at all."""
        return schema.is_empty(self.connection)

    def meta(self, key: str) -> str | None:
        """A fact about the ledger: 'schema_version', 'ledger_id', 'created_at'."""
        query = select(schema.meta.c.value).where(schema.meta.c.key == key)
        return self.connection.execute(query).scalar_one_or_none()

    def projection_version(self) -> int | None:
        """Version of the projector the projections were last rebuilt with, None when never."""
        query = select(schema.projection.c.version).where(schema.projection.c.name == "case")
        return self.connection.execute(query).scalar_one_or_none()


def _match_queries(
    study_instance_uid: str | None, accession_number: str | None, event_uids: Collection[str]
) -> Iterator[tuple[MatchedBy, Select[tuple[Any]]]]:
    report, event = schema.report.c, schema.event_table.c
    for part in _parts(event_uids):
        seqs: Subquery = select(event.report_seq).where(event.uid.in_(part)).distinct().subquery()
        yield "event", select(report.case_id).where(report.seq.in_(select(seqs))).distinct()
    if study_instance_uid:
        yield "study", select(report.case_id).where(report.study_instance_uid == study_instance_uid)
    if accession_number:
        yield "accession", select(report.case_id).where(report.accession_number == accession_number)
        case = schema.case_total.c
        yield "accession", select(case.id).where(case.accession_number == accession_number)


def _parts(values: Iterable[str]) -> Iterator[list[str]]:
    unique = sorted(set(values))
    for start in range(0, len(unique), _IN):
        yield unique[start : start + _IN]
