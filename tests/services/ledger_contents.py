"""What a ledger says, without the ids and times that differ between two fillings of the same files."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from dosetrack.ledger import Ledger, verify_chain
from dosetrack.records.entries import JoinProposed


def contents(url: str) -> list[Any]:
    """Every case with its entries, row, reports and events; the chain is verified on the way."""
    ledger = Ledger.open(url, create=False, clock=lambda: datetime.now(UTC))
    with ledger.reading() as reader:
        assert verify_chain(reader).first_break is None
        cases = []
        place = {case_id: f"case {number}" for number, case_id in enumerate(reader.case_ids())}
        for case_id in place:
            entries = [(e.kind, _told(e.payload, place), e.actor) for e in reader.entries(case=case_id)]
            row = reader.case_total(case_id)
            reports = [replace(one, case_id="", seq=0) for one in reader.report_rows_of(case_id)]
            events = [reader.events_of(one.sha256) for one in reports]
            wholes = reader.reports_of(case_id)
            cases.append((entries, row and replace(row, id=""), reports, events, wholes))
    ledger.close()
    return cases


def _told(payload: object, place: dict[str, str]) -> object:
    """The payload, a case it names by its place instead of its id."""
    if isinstance(payload, JoinProposed):
        return replace(payload, other_case=place[payload.other_case])
    return payload
