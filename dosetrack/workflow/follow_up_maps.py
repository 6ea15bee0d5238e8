"""The second step of deciding: maps of the cases whose air kerma makes the skin dose matter.

A map takes a second or more, so that no case waits for it when it is taken in. Cases are decided
first by what is known at once, and again when their maps are kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta

from dosetrack.errors import InputError
from dosetrack.followup import rules_in_force
from dosetrack.followup.profiles import PSD
from dosetrack.ledger import CaseState, CaseTotalRow, LedgerReader
from dosetrack.ledger.codec import to_json
from dosetrack.settings import Settings
from dosetrack.workflow.base import SYSTEM
from dosetrack.workflow.follow_up_case import settings_of_day
from dosetrack.workflow.follow_up_deciding import decide_case
from dosetrack.workflow.projector import extras_of
from dosetrack.workflow.site import settings_for
from dosetrack.workflow.skin_maps import SkinMaps
from dosetrack.workflow.skin_window import accumulated, window_digest, window_key, window_of

_COUNTED: tuple[CaseState, ...] = ("ended", "closed")


class FollowUpMaps(SkinMaps):
    """Calls that bring maps into the decisions."""

    def cases_wanting_a_map(self, case_ids: Sequence[str] | None = None) -> tuple[str, ...]:
        """Ended cases whose skin dose may matter and whose map is not kept, oldest first.

        Parameters
        ----------
        case_ids : of these, also those whose kept map no longer holds; None: of every case

        Notes
        -----
        The upper end of the estimate from air kerma alone, summed over the look-back window, is held
        against a part (a setting) of the lowest skin dose level in force.
        """
        with self.ledger.reading() as reader:
            settings = settings_for(reader)
            rows = self._rows(reader, case_ids)
            kept = reader.cases_with_skin_result() if case_ids is None else frozenset()
            window = timedelta(days=settings.number("radiation.lookback_days"))
            earlier = _by_patient(reader.case_totals(state=_COUNTED) if case_ids is None else ())
            wanted = []
            for row in rows:
                if row.id in kept:
                    continue
                whose = (row.patient_id, row.patient_issuer)
                others = earlier[whose] if whose in earlier else _of_patient(reader, row)
                if _upper(row, others, window) >= _from_mgy(settings):
                    wanted.append(row.id)
        return tuple(wanted)

    def settle_maps(self, case_id: str) -> bool:
        """Make and keep what maps the decision of a case wants, then decide; whether it changed.

        One case at a time, so that an interruption loses at most this one.
        """
        try:
            own = self.worked_out_skin_result(case_id)
            self.keep_skin_results([own])
            if own.result.peak_mgy is not None:  # a case without a map adds to none
                self._keep_window(case_id)
        except InputError:  # table axes of its room contradict each other: it is decided without a map
            pass
        with self.ledger.transaction() as tx:
            return decide_case(tx, self.projector, case_id, actor=SYSTEM, now=self._clock())

    def cases_touched_since(self, position: int) -> tuple[tuple[str, ...], int]:
        """(cases with entries after `position`, the position now)."""
        with self.ledger.reading() as reader:
            now = reader.position()
            found = reader.entries(after_seq=position, kinds=_BEAR_ON_MAPS) if now > position else ()
        return tuple(dict.fromkeys(e.case for e in found if e.case is not None)), now

    # -----------------------------------------------------------------------------------------

    def _rows(self, reader: LedgerReader, case_ids: Sequence[str] | None) -> Iterable[CaseTotalRow]:
        if case_ids is None:
            return reader.case_totals(state=_COUNTED)
        found = [row for one in case_ids if (row := reader.case_total(one)) is not None]
        return [row for row in found if row.state in _COUNTED]

    def _keep_window(self, case_id: str) -> None:
        """Keep the common map with the earlier cases, where they may matter together."""
        with self.ledger.reading() as reader:
            case, _ = self.projector.case(reader, case_id)
            settings = settings_of_day(reader, case)
            window = window_of(reader, case, settings)
            made_from = window_digest(reader, window) if window.every else None
            if made_from is None or reader.skin_result(window_key(case_id), made_from=made_from):
                return
            found = accumulated(reader, window)
        if found is not None:
            with self.ledger.transaction() as tx:
                tx.keep_skin_result(window_key(case_id), to_json(found), made_from=made_from)


_BEAR_ON_MAPS = (
    "report-received",
    "report-moved",
    "case-ended",
    "patient-placed",
    "patient-size",
    "patient-changed",
    "console-reading",
    "withdrawn",
)


def _from_mgy(settings: Settings) -> float:
    levels = [rule.level for rule in rules_in_force(settings) if rule.quantity == PSD]
    return min(levels, default=float("inf")) * settings.number("follow_up.map_from_fraction")


def _by_patient(
    rows: Iterable[CaseTotalRow],
) -> Mapping[tuple[str | None, str | None], Sequence[CaseTotalRow]]:
    found: dict[tuple[str | None, str | None], list[CaseTotalRow]] = {}
    for row in rows:
        found.setdefault((row.patient_id, row.patient_issuer), []).append(row)
    return found


def _of_patient(reader: LedgerReader, row: CaseTotalRow) -> Sequence[CaseTotalRow]:
    if row.patient_id is None:
        return ()
    return reader.cases_of_patient(patient_id=row.patient_id, patient_issuer=row.patient_issuer)


def _upper(row: CaseTotalRow, others: Iterable[CaseTotalRow], window: timedelta) -> float:
    """The most that the skin may have received over the window, by air kerma alone [mGy]."""
    own = extras_of(row).skin_high_mgy or 0.0
    if row.started_instant is None or row.patient_id is None:
        return own
    start = datetime.fromisoformat(row.started_instant)
    before = [
        extras_of(one).skin_high_mgy or 0.0
        for one in others
        if one.id != row.id
        and one.started_instant
        and timedelta() <= start - datetime.fromisoformat(one.started_instant) <= window
    ]
    return own + sum(before) if own else 0.0
