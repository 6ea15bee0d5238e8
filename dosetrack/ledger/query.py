"""Reading the ledger: entries, originals and projections, as of one moment."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from sqlalchemy import Connection

from dosetrack.ledger.rows import (
    CaseMatch,
    CaseState,
    CaseTotalRow,
    OriginalRow,
    ReportRow,
    SettingRow,
    StoredEvent,
)
from dosetrack.records.entries import Entry
from dosetrack.records.report import DoseReport


class LedgerReader:
    """The ledger as it stood when reading began; inside a transaction, with its own writes."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    # entries -------------------------------------------------------------------------------

    def position(self) -> int:
        """The last `seq`, 0 for an empty ledger. Cheap enough to be asked many times a second."""
        raise NotImplementedError

    def entry(self, entry_id: str) -> Entry | None:
        """The entry with this id, None when there is none."""
        raise NotImplementedError

    def entries(
        self,
        *,
        case: str | None = None,
        after_seq: int = 0,
        kinds: Collection[str] | None = None,
        limit: int | None = None,
    ) -> tuple[Entry, ...]:
        """Entries in the order of `seq`, of one case or (None) of the whole ledger."""
        raise NotImplementedError

    def each_entry(self, *, after_seq: int = 0, kinds: Collection[str] | None = None) -> Iterator[Entry]:
        """The same for the whole ledger, a page at a time, so that memory stays flat."""
        raise NotImplementedError

    def case_ids(self) -> tuple[str, ...]:
        """Every case named by an entry, in the order of their first entries."""
        raise NotImplementedError

    # original bytes ------------------------------------------------------------------------

    def holds_original(self, sha256: str) -> bool:
        """Whether the bytes with this digest are held."""
        raise NotImplementedError

    def original(self, sha256: str) -> bytes:
        """The bytes as received, checked against their digest. LookupError when not held."""
        raise NotImplementedError

    def original_row(self, sha256: str) -> OriginalRow | None:
        """Name, size and time of receipt of an original."""
        raise NotImplementedError

    # reports and events --------------------------------------------------------------------

    def find_reports(
        self, *, sha256: str | None = None, sop_instance_uid: str | None = None
    ) -> tuple[ReportRow, ...]:
        """Reports with this digest or SOP Instance UID, in order of arrival (no events read)."""
        raise NotImplementedError

    def report_rows_of(self, case_id: str) -> tuple[ReportRow, ...]:
        """The reports of a case in order of arrival, without their events."""
        raise NotImplementedError

    def report(self, sha256: str) -> DoseReport | None:
        """The whole report, as it was read; None when there is none with this digest."""
        raise NotImplementedError

    def reports_of(self, case_id: str) -> tuple[DoseReport, ...]:
        """The whole reports of a case in order of arrival."""
        raise NotImplementedError

    def events_of(self, sha256: str) -> tuple[StoredEvent, ...]:
        """The events of a report in file order, with what was decided about each."""
        raise NotImplementedError

    def held_event_keys(self, uids: Collection[str]) -> frozenset[tuple[str, str | None]]:
        """The (uid, plane) of those events that some report of the ledger holds already."""
        raise NotImplementedError

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
        raise NotImplementedError

    def case_total(self, case_id: str) -> CaseTotalRow | None:
        """The row of one case."""
        raise NotImplementedError

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
        raise NotImplementedError

    def running_cases(self) -> tuple[CaseTotalRow, ...]:
        """Every case whose state is 'running'."""
        raise NotImplementedError

    def cases_of_patient(self, *, patient_id: str, patient_issuer: str | None) -> tuple[CaseTotalRow, ...]:
        """Every case of one person (id and issuer both equal; None equals None), by start."""
        raise NotImplementedError

    # settings, projections -----------------------------------------------------------------

    def setting_history(
        self, *, key: str | None = None, up_to_seq: int | None = None
    ) -> tuple[SettingRow, ...]:
        """Changes of settings in the order of `seq`, corrected ones included and marked.

        With `up_to_seq`, as it stood then.
        """
        raise NotImplementedError

    def projection_version(self) -> int | None:
        """Version of the projector the projections were last rebuilt with, None when never."""
        raise NotImplementedError
