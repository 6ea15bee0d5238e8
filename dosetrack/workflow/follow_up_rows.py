"""The follow-up items of a folded case, and their rows in the ledger's projection."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from dosetrack.cases import Case, standing
from dosetrack.followup import contact_days, stage_injury
from dosetrack.followup.items import FollowedCase, FollowUpItem, WorklistRules
from dosetrack.followup.profiles import Tier
from dosetrack.followup.worklist import fold_follow_up
from dosetrack.ledger import FollowUpRow, LedgerReader
from dosetrack.ledger.codec import from_json, to_json
from dosetrack.records.entries import CaseEnded, Entry
from dosetrack.records.follow_up import FollowUpDecided
from dosetrack.settings import Settings
from dosetrack.workflow.follow_up_case import injury_facts_of, performed_on, settings_of_day, zone_of


def items_of(reader: LedgerReader, case: Case) -> tuple[FollowUpItem, ...]:
    """The items of `case`; none where nothing was decided."""
    if not any(isinstance(entry.payload, FollowUpDecided) for entry in case.entries):
        return ()
    settings = settings_of_day(reader, case)
    zone = zone_of(settings)
    injury = injury_facts_of(case, settings)
    day = performed_on(case, zone)
    followed = FollowedCase(
        case_id=case.id,
        zone=zone,
        patient=case.patient,
        day=day.isoformat() if day else None,
        room=case.room,
        procedure=case.procedure,
        operators=case.operators,
        known_from=_known_from(case.entries),
        injury=stage_injury(injury, settings) if injury is not None else None,
    )
    days = contact_days(day, Tier.FOLLOW_UP, settings) if day else ()
    return fold_follow_up(standing(case.entries), followed, _rules(settings, days))


def rows_of(items: Sequence[FollowUpItem]) -> tuple[FollowUpRow, ...]:
    """The rows of `items`."""
    return tuple(
        FollowUpRow(
            case_id=item.case_id,
            kind=item.kind,
            state=item.state.value,
            is_open=item.is_open,
            is_urgent=item.is_urgent,
            unreached=item.unreached,
            body=to_json(item),
            patient_id=item.patient.id,
            patient_issuer=item.patient.id_issuer,
            day=item.day,
            room=item.room,
            procedure=item.procedure,
            tier=item.tier,
            owner=item.owner,
            next_due=item.next_due,
            estimate_due=item.decided.estimate_due,
            crossed_on=item.crossed_on,
            injury=item.injury.state.value if item.injury else None,
        )
        for item in items
    )


def item_of(row: FollowUpRow) -> FollowUpItem:
    """The item of a row."""
    return from_json(FollowUpItem, row.body)


def _rules(settings: Settings, days: tuple[str, ...]) -> WorklistRules:
    return WorklistRules(
        contact_days=days,
        early_days=int(settings.number("follow_up.early_look_days")),
        attempts=int(settings.number("follow_up.attempts")),
        left_after_h=settings.number("follow_up.left_after_h"),
    )


def _known_from(entries: Sequence[Entry]) -> datetime | None:
    """When the ledger first held the case as ended: the end recorded, else its first entry."""
    ended = [entry.recorded_at for entry in entries if isinstance(entry.payload, CaseEnded)]
    return min(ended) if ended else entries[0].recorded_at if entries else None
