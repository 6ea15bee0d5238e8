"""Follow-up for the audit: its measures, its states, and the items as a table."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from datetime import date

from dosetrack.followup import rules_in_force
from dosetrack.followup.measures import FollowUpMeasures, TriggerCase, measures, trigger_table
from dosetrack.followup.on_day import ItemOnDay, state_on
from dosetrack.followup.profiles import KERMA, PSD, Rule
from dosetrack.ledger import CaseTotalRow, FollowUpFilter, LedgerReader, follow_up_rows
from dosetrack.ledger.codec import from_json
from dosetrack.workflow.follow_up_rows import item_of
from dosetrack.workflow.following_up import FollowingUp
from dosetrack.workflow.results import SkinResult
from dosetrack.workflow.site import settings_for

_AT_A_TIME = 500


class FollowUpAudit(FollowingUp):
    """Calls that look at the follow-up of many cases."""

    def follow_up_measures(
        self, *, first_day: str, last_day: str, room: str | None = None, on: date | None = None
    ) -> FollowUpMeasures:
        """Completeness of the follow-up of the cases of a period (YYYY-MM-DD, both ends included), and
        the kerma trigger against the peak of their kept maps.
        """
        with self.ledger.reading() as reader:
            settings = settings_for(reader, room=room)
            wanted = FollowUpFilter(first_day=first_day, last_day=last_day, room=room)
            items = [item_of(row) for row in follow_up_rows(reader, wanted)]
            rows = [
                row
                for row in reader.case_totals(from_day=first_day, to_day=last_day, state=("ended", "closed"))
                if room is None or row.room == room
            ]
            rules = rules_in_force(settings)
            kerma, peak = _lowest(rules, KERMA), _lowest(rules, PSD)
            table = None
            if kerma is not None and peak is not None:
                cases = list(_trigger_cases(reader, rows))
                table = trigger_table(cases, kerma_level_mgy=kerma, peak_level_mgy=peak)
            return measures(
                [item for item in items if item.was_asked],
                on=on or self._today(settings),
                skin_grace_days=int(settings.number("follow_up.escalate_skin_days")),
                kidney_grace_days=int(settings.number("follow_up.escalate_kidney_days")),
                trigger=table,
            )

    def follow_up_states(
        self, case_ids: Sequence[str], *, on: date | None = None
    ) -> Mapping[str, Mapping[str, str]]:
        """The state of each item of these cases: case id -> kind -> state."""
        found: dict[str, dict[str, str]] = {}
        with self.ledger.reading() as reader:
            day = on or self._today(settings_for(reader))
            for start in range(0, len(case_ids), _AT_A_TIME):
                wanted = FollowUpFilter(case_ids=case_ids[start : start + _AT_A_TIME])
                for row in follow_up_rows(reader, wanted):
                    found.setdefault(row.case_id, {})[row.kind] = state_on(item_of(row), day).value
        return found


def export_follow_up(items: Iterable[ItemOnDay]) -> str:
    """The items as CSV with a header line; empty where not known."""
    told = io.StringIO()
    out = csv.writer(told, lineterminator="\n")
    out.writerow(_COLUMNS)
    for one in items:
        item = one.item
        last = item.attempts[-1] if item.attempts else None
        graded = [look.seen.grade for look in item.looks if look.seen.grade is not None]
        out.writerow(
            _plain(value)
            for value in (
                item.patient.id,
                item.patient.name,
                item.patient.birth_date,
                item.case_id,
                item.day,
                item.room,
                item.procedure,
                item.kind,
                item.tier,
                one.state.value,
                item.owner,
                item.next_due,
                one.days_overdue,
                one.escalation,
                item.crossed_on,
                "; ".join(reason.text for reason in item.decided.reasons),
                len(item.attempts),
                last.outcome if last else None,
                max(graded, default=None),
                item.injury.text if item.injury else None,
                one.next_step,
                item.settled_reason,
            )
        )
    return told.getvalue()


_COLUMNS = (
    "patient_id", "name", "birth_date", "case_id", "case_day", "room", "procedure", "kind", "tier", "state",
    "owner", "next_due", "days_overdue", "escalation", "crossed_after_leaving_on", "reasons", "attempts",
    "last_outcome", "highest_grade", "kidney", "next_step", "settled_because",
)  # fmt: skip


def _plain(value: object) -> str:
    """Text of a cell; one that a spreadsheet would take as a formula is quoted."""
    text = "" if value is None else str(value)
    return f"'{text}" if text[:1] in ("=", "+", "-", "@") else text


def _lowest(rules: Sequence[Rule], quantity: str) -> float | None:
    return min((rule.level for rule in rules if rule.quantity == quantity), default=None)


def _trigger_cases(reader: LedgerReader, rows: Sequence[CaseTotalRow]) -> Iterable[TriggerCase]:
    kept = reader.skin_results_of([row.id for row in rows])
    for row in rows:
        body = kept.get(row.id)
        planes = [p.reference_air_kerma_mgy for p in row.by_plane if p.reference_air_kerma_mgy is not None]
        yield TriggerCase(
            reference_air_kerma_mgy=max(planes, default=None),
            peak_skin_dose_mgy=from_json(SkinResult, body).peak_mgy if body else None,
        )
