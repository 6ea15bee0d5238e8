"""Whatever order reports and entries arrive in, the worklist asks for the same."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dosetrack.workflow import Workflow, open_workflow
from tests.workflow.invented import Clock, dose_report, event
from tests.workflow.skin_cases import straight_event

_DAYS = ("2026-01-10", "2026-02-20", "2026-03-02", "2026-03-20")
_KERMA = (3400.0, 2100.0, 5200.0, 1400.0)


def reports() -> list[tuple[str, bytes]]:
    """Four cases of one patient in three months, each told in two reports of one study."""
    found = []
    for number, (day, kerma) in enumerate(zip(_DAYS, _KERMA, strict=True)):
        for part in range(2):
            shot = replace(
                event(10 * number + part + 1, kerma=kerma * (0.7 if part == 0 else 0.3)),
                started_at=f"{day}T09:{part:02d}:00",
            )
            name = f"r{number}{part}"
            found.append(
                (
                    name,
                    dose_report(
                        name + "x" * number,
                        [shot],
                        accession=f"A-{number}",
                        study=f"1.2.826.0.1.3680043.10.999.7.{number}",
                        started=f"{day}T09:00:00",
                        reported=f"{day}T10:0{part}:00",
                    ),
                )
            )
    return found


def asked(workflow: Workflow) -> list[tuple[object, ...]]:
    """What is asked for, without how it came about."""
    return sorted(
        (
            one.item.day,
            one.item.kind,
            one.item.tier,
            one.state.value,
            tuple((r.quantity, r.basis, round(r.value or 0, 6)) for r in one.item.decided.reasons),
            tuple(due.day for due in one.item.due),
            one.item.decided.missing,
        )
        for one in workflow.follow_up_items(is_open=None)
        if one.item.is_open
    )


@pytest.mark.parametrize("seed", range(5))
def test_any_order_of_arrival_asks_for_the_same(tmp_path: Path, seed: int) -> None:
    found = []
    told = reports()
    for turn in range(2):
        clock = Clock()
        clock.now = datetime(2026, 4, 1, 8, tzinfo=UTC)
        workflow = open_workflow(f"sqlite:///{tmp_path / f'{turn}.sqlite'}", create=True, clock=clock)
        order = list(told)
        if turn:
            random.Random(seed).shuffle(order)
        for name, data in order:
            workflow.take_in_bytes(data, file=f"{name}.dcm")
        found.append(asked(workflow))
        position = workflow.position()
        assert workflow.decide_follow_ups() == 0
        assert workflow.position() == position
        workflow.ledger.close()
    assert found[0], "something must be asked for"
    assert found[0] == found[1]


def _straight(number: int, day: str, kerma: float, longitudinal_mm: float = 0.0) -> bytes:
    shot = straight_event(number, kerma=kerma, longitudinal_mm=longitudinal_mm)
    return dose_report(
        f"s{number}",
        [replace(shot, started_at=f"{day}T09:00:00")],
        accession=f"S-{number}",
        study=f"1.2.826.0.1.3680043.10.999.8.{number}",
        started=f"{day}T09:00:00",
    )


def test_a_map_takes_the_place_of_the_estimate(workflow: Workflow) -> None:
    """2.4 Gy in one straight field: the upper end of the estimate passes 3 Gy, and the map tells its own."""
    workflow.take_in_bytes(_straight(1, "2026-03-01", 2400.0), file="a.dcm")
    (one,) = workflow.follow_up_items()
    assert one.state.value == "to be estimated"
    assert any(r.basis == "estimated" for r in one.item.decided.reasons)
    (case_id,) = workflow.cases_wanting_a_map()
    workflow.settle_maps(case_id)
    assert workflow.cases_wanting_a_map() == ()
    (one,) = workflow.follow_up_items(is_open=None)
    assert {r.basis for r in one.item.decided.reasons} <= {"map"}
    assert "map of the skin dose" not in one.item.decided.missing
    assert workflow.settle_maps(case_id) is False, "settled twice, nothing changes"


def test_maps_of_two_cases_on_one_site_add(workflow: Workflow) -> None:
    """Twice 2.0 Gy on the same skin within the window: the summed map passes 3 Gy, neither alone does."""
    workflow.take_in_bytes(_straight(1, "2026-02-20", 2000.0), file="a.dcm")
    workflow.take_in_bytes(_straight(2, "2026-03-01", 2000.0), file="b.dcm")
    for case_id in workflow.cases_wanting_a_map():
        workflow.settle_maps(case_id)
    found = {one.item.day: one.item for one in workflow.follow_up_items(is_open=None)}
    later = found["2026-03-01"]
    accumulated = [r for r in later.decided.reasons if r.basis == "accumulated map"]
    assert later.tier == "follow-up"
    assert accumulated
    single = workflow.skin_map(later.case_id, detail="peak").map
    assert single is not None
    assert single.peak_mgy is not None
    # the same beam twice: twice its peak; patch against patch, to 2 %
    assert accumulated[0].value == pytest.approx(2 * single.peak_mgy, rel=0.02)
    assert not any(r.basis == "sum over cases" for r in later.decided.reasons)


def test_a_map_made_old_by_a_late_report_is_not_taken_back_before_it_is_made_again(
    workflow: Workflow,
) -> None:
    workflow.take_in_bytes(_straight(1, "2026-03-01", 3200.0), file="a.dcm")
    (case_id,) = workflow.cases_wanting_a_map()
    workflow.settle_maps(case_id)
    before = workflow.follow_up_items(is_open=None)[0].item
    assert before.tier == "follow-up", "a straight field of 3.2 Gy gives the skin more than 3 Gy"
    late = dose_report(
        "late",
        [replace(straight_event(7, kerma=50.0), started_at="2026-03-01T09:30:00")],
        accession="S-1",
        study="1.2.826.0.1.3680043.10.999.8.1",
        started="2026-03-01T09:00:00",
    )
    workflow.take_in_bytes(late, file="late.dcm")
    assert workflow.follow_up_items(is_open=None)[0].item.tier == "follow-up"
    assert workflow.cases_wanting_a_map([case_id]) == (case_id,)
    workflow.settle_maps(case_id)
    assert workflow.follow_up_items(is_open=None)[0].item.tier == "follow-up"
