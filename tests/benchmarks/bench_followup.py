"""What the worklist costs on a ledger of many cases: opening it, counting, and deciding.

    python tests/benchmarks/bench_followup.py [cases] [share of cases with an item, 0 to 1]

The rows are written in bulk, without their entries, so that the ledger is made in a minute; the
items' bodies are those of real cases of the workflow. It prints what it measured and decides no
test. The reference of the ratio is reading the same rows without their bodies.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from sqlalchemy import insert, text

from dosetrack.followup.items import FollowUpState
from dosetrack.ledger import CaseTotalRow, schema
from dosetrack.ledger.convert import case_row, follow_up_row
from dosetrack.records.entries import ConsoleReading, Injection
from dosetrack.records.follow_up import ContactTried
from dosetrack.workflow import Workflow, open_workflow
from dosetrack.workflow.follow_up_rows import rows_of
from tests.workflow.invented import NURSE, OPENING, Clock

_OPEN_SHARE = 0.2  # of the items; the others are settled
_PAGE = 100


def main(cases: int = 100_000, share: float = 0.1) -> None:
    """Print the figures for a ledger of so many cases."""
    with tempfile.TemporaryDirectory() as folder:
        clock = Clock()
        workflow = open_workflow(f"sqlite:///{folder}/ledger.sqlite", create=True, clock=clock)
        _model(workflow, clock)
        _fill(workflow, cases, share)
        print(f"{cases} cases, {int(cases * share)} items, {_OPEN_SHARE:.0%} of them open")
        plain = _time(lambda: _plain(workflow), "every open row without its body (reference)")
        _time(workflow.follow_up_counts, "head of the page: counts", plain)
        _time(lambda: workflow.follow_up_items(limit=_PAGE), f"first {_PAGE} items", plain)
        _time(workflow.follow_up_items, "every open item", plain)
        _time(lambda: workflow.follow_up_items(text="Invented^Person", limit=_PAGE), "search by text", plain)
        _time(lambda: workflow.follow_up_item("model-7", "skin"), "one item", plain)
        _time(lambda: workflow.call_list(date(2026, 6, 1)), "call list of a day", plain)
        workflow.ledger.close()


def _model(workflow: Workflow, clock: Clock) -> None:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    workflow.record(case_id, ConsoleReading(reference_air_kerma_mgy=6200), actor=NURSE, is_confirmed=True)
    workflow.record(
        case_id, Injection(volume_ml=350, concentration_mgi_ml=320), actor=NURSE, is_confirmed=True
    )
    workflow.end_case(case_id, actor=NURSE)
    clock.forward(days=20)
    workflow.try_contact(case_id, ContactTried("skin", "not reached"), actor=NURSE)


def _fill(workflow: Workflow, cases: int, share: float) -> None:
    model = next(one.item for one in workflow.follow_up_items() if one.item.kind == "skin")
    every = max(1, round(1 / share))
    first = datetime(2016, 1, 1, tzinfo=UTC)
    totals, items = [], []
    for number in range(cases):
        day = (first + timedelta(hours=number * 0.9)).date().isoformat()
        name = f"model-{number}"
        patient = replace(model.patient, id=f"P{number // 2}")
        row = CaseTotalRow(name, "ended", patient_id=patient.id, day=day, started_at=day, started_instant=day)
        totals.append(case_row(row))
        if number % every == every - 1 or number == 7:
            is_open = (number // every) % round(1 / _OPEN_SHARE) == 0
            state = model.state if is_open else FollowUpState.SETTLED
            item = replace(model, case_id=name, patient=patient, day=day, is_open=is_open, state=state)
            items.append(follow_up_row(rows_of([item])[0]))
    with workflow.ledger.transaction() as tx:
        tx.connection.execute(insert(schema.case_total), totals)
        tx.connection.execute(insert(schema.follow_up), items)


def _plain(workflow: Workflow) -> int:
    with workflow.ledger.reading() as reader:
        query = text("SELECT case_id, kind, state, next_due FROM follow_up WHERE is_open = 1")
        return len(reader.connection.execute(query).all())


def _time(call: Callable[[], object], what: str, reference: float | None = None) -> float:
    times = []
    for _ in range(5):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    best = sorted(times)[len(times) // 2]
    ratio = "" if reference is None else f", {best / reference:.1f} times the reference"
    print(f"{what}: {best * 1000:.1f} ms{ratio}")
    return best


if __name__ == "__main__":
    main(*[kind(word) for kind, word in zip((int, float), sys.argv[1:], strict=False)])
