"""Measures: the exact interval against scipy and a printed table, the 2 x 2 table, what counts as in time."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from scipy.stats import beta

from dosetrack.followup.injury import InjuryStage, InjuryState
from dosetrack.followup.items import DueDay, FollowUpItem, FollowUpState
from dosetrack.followup.measures import TriggerCase, completeness, share, trigger_table
from dosetrack.records.follow_up import FollowUpDecided

ON = date(2026, 4, 30)


@pytest.mark.parametrize(
    ("n", "of"), [(0, 10), (1, 10), (5, 10), (10, 10), (37, 41), (3, 2000), (1200, 2000)]
)
def test_interval_is_that_of_the_beta_distribution(n: int, of: int) -> None:
    """The ends are quantiles of a beta distribution (scipy), to 1e-9."""
    found = share(n, of=of)
    low = 0.0 if n == 0 else beta.ppf(0.025, n, of - n + 1)
    high = 1.0 if n == of else beta.ppf(0.975, n + 1, of - n)
    assert found.low == pytest.approx(low, abs=1e-9)
    assert found.high == pytest.approx(high, abs=1e-9)


def test_rule_of_three_for_none_of_many() -> None:
    """None of 300: the upper end is 1 - 0.025^(1/300), by hand."""
    assert share(0, of=300).high == pytest.approx(1 - 0.025 ** (1 / 300), abs=1e-9)


def test_nothing_to_divide_is_not_known() -> None:
    assert share(0, of=0).value is None


def test_two_by_two_table_counts_each_case_once() -> None:
    """Levels of 5 Gy air kerma and 3 Gy skin dose; at the level counts as reached."""
    cases = [
        TriggerCase(5000.0, 3000.0),
        TriggerCase(6000.0, 2999.0),
        TriggerCase(4999.0, 3500.0),
        TriggerCase(1000.0, 800.0),
        TriggerCase(1000.0, 900.0),
        TriggerCase(7000.0, None),
        TriggerCase(None, 4000.0),
    ]
    found = trigger_table(cases, kerma_level_mgy=5000.0, peak_level_mgy=3000.0)
    assert (found.both, found.only_trigger, found.only_peak, found.neither) == (1, 1, 1, 2)
    assert found.not_mapped == 1
    assert (found.sensitivity.n, found.sensitivity.of) == (1, 2)
    assert (found.specificity.n, found.specificity.of) == (2, 3)


def item(**changes: object) -> FollowUpItem:
    plain = FollowUpItem(
        case_id="c",
        kind="skin",
        decided=FollowUpDecided("skin", "follow-up", (), ("2026-03-16",), "society", 0, "0"),
        decided_at=datetime(2026, 3, 2, tzinfo=UTC),
        state=FollowUpState.TO_CALL,
        is_open=True,
        due=(DueDay("2026-03-16", "2026-03-16"),),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def done(day: str) -> tuple[DueDay, ...]:
    return (DueDay("2026-03-16", "2026-03-16", day),)


@pytest.mark.parametrize(
    ("one", "on", "outcome"),
    [
        (item(), date(2026, 3, 23), "not_yet_due"),
        (item(), date(2026, 3, 24), "not_done"),
        (item(due=done("2026-03-14")), ON, "done_in_time"),
        (item(due=done("2026-03-23")), ON, "done_in_time"),
        (item(due=done("2026-03-24")), ON, "done_late"),
        (item(unreached=2), ON, "not_reached"),
        (item(state=FollowUpState.DECEASED, died_on="2026-03-10"), ON, "set_apart"),
        (item(state=FollowUpState.DECLINED), ON, "set_apart"),
        (item(state=FollowUpState.SETTLED, is_open=False), ON, "settled_without"),
        (item(state=FollowUpState.SETTLED, is_open=False, due=done("2026-03-16")), ON, "done_in_time"),
    ],
)
def test_each_item_counts_under_one_outcome(one: FollowUpItem, on: date, outcome: str) -> None:
    found = completeness([one], "skin", on=on, grace_days=7)
    names = (
        "not_yet_due", "done_in_time", "done_late", "not_done", "not_reached", "set_apart", "settled_without",
    )  # fmt: skip
    assert {name: getattr(found, name) for name in names if getattr(found, name)} == {outcome: 1}


def test_kidney_not_assessed_is_no_absence_of_injury() -> None:
    stages = [
        InjuryStage(InjuryState.NOT_ASSESSED, "x"),
        InjuryStage(InjuryState.NOT_MET, "x"),
        InjuryStage(InjuryState.INJURY, "x", stage=1),
        None,
    ]
    items = [item(kind="kidney", injury=stage) for stage in stages]
    found = completeness(items, "kidney", on=ON, grace_days=1)
    assert (found.asked, found.not_assessed, found.injury) == (4, 2, 1)
