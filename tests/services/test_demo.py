"""The demonstration tells the story it promises, through the same calls that a room uses."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from threading import Event

import pytest

from dosetrack.cases import CaseState
from dosetrack.exchange.department import DEPARTMENT_SETTINGS, TAGS
from dosetrack.ledger import verify_chain
from dosetrack.records.people import Actor, Role
from dosetrack.services.demo import LiveCase, build_department, demo_ledger
from dosetrack.workflow import CaseView, Workflow, open_workflow
from tests.workflow.invented import Clock

TODAY = date(2026, 3, 18)


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Iterator[CaseView]:
    """The live case after its last step, played without waiting."""
    clock = Clock()
    clock.now = datetime(2026, 3, 18, 7, 0, tzinfo=UTC)
    folder = tmp_path_factory.mktemp("live")
    workflow = open_workflow(f"sqlite:///{folder / 'live.sqlite'}", create=True, clock=clock)
    for key, value in DEPARTMENT_SETTINGS.items():
        workflow.change_setting(
            key=key,
            scope="site",
            value=value,
            valid_from="2026-01-01",
            actor=Actor("demonstration", Role.SYSTEM),
            reason="invented department",
        )

    def wait_until(moment: datetime, _: Event) -> None:
        clock.now = max(clock.now, moment)

    case_id = LiveCase(workflow, start=clock.now, wait_until=wait_until).play()
    assert case_id is not None
    yield workflow.case_view(case_id)
    workflow.ledger.close()


def test_live_case_passes_twice_the_clearance_and_prompts_before_and_at_it(played: CaseView) -> None:
    headlines = [p.headline for p in played.prompts if p.lane == "contrast"]
    assert headlines[:2] == ["75 % of 2 × CrCl", "2 × CrCl"]
    assert "past 2 × CrCl" in played.kidney.headline


def test_live_case_crosses_three_and_four_gray_on_one_plane(played: CaseView) -> None:
    names = {fact.name for p in played.prompts for fact in p.facts if fact.plane == "a"}
    assert {"Ka,r 3 Gy", "Ka,r 4 Gy"} <= names


def test_live_case_ends_may_be_above_because_planes_may_overlap(played: CaseView) -> None:
    by_plane = {p.plane: p.reference_air_kerma_mgy.higher for p in played.radiation.planes}
    assert all(figure is not None and figure.value < 5000 for figure in by_plane.values())
    above = [level for level in played.levels if level.tier == "may-be-above"]
    assert any(level.level == 5000 for level in above)


def test_live_case_gets_a_cumulative_report_late_and_counts_each_event_once(played: CaseView) -> None:
    assert len(played.case.reports) == 2
    partial, complete = sorted(played.case.reports, key=lambda r: len(r.events))
    assert {e.uid for e in partial.events} < {e.uid for e in complete.events}
    assert len(played.case.events) == len(complete.events)
    stated = {t.plane: t.reference_air_kerma_mgy for t in complete.totals if t.basis == "stated"}
    assert {t.plane: t.reference_air_kerma_mgy for t in played.case.stated} == stated
    assert played.case.state is CaseState.ENDED


def test_no_level_prompts_twice_in_the_live_case(played: CaseView) -> None:
    keys = [key for p in played.prompts for key in p.levels]
    assert len(keys) == len(set(keys))


@pytest.fixture(scope="module")
def department(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Workflow]:
    """A thin department: the cases that test the rules and a few more."""
    url = f"sqlite:///{tmp_path_factory.mktemp('department') / 'thin.sqlite'}"
    build_department(url, today=TODAY, scale=0.01)
    workflow = open_workflow(url)
    yield workflow
    workflow.ledger.close()


def test_department_holds_every_case_that_tests_a_rule(department: Workflow) -> None:
    assert len(department.cases()) >= len(TAGS) - 1
    with department.ledger.reading() as reader:
        verify_chain(reader).require_whole()


def test_department_is_built_in_the_order_things_happened(department: Workflow) -> None:
    with department.ledger.reading() as reader:
        recorded = [entry.recorded_at for entry in reader.each_entry()]
    assert recorded == sorted(recorded)
    assert recorded[-1].date() <= TODAY


def test_resent_cumulative_reports_count_once(department: Workflow) -> None:
    several = [c for c in department.cases() if c.reports > 1]
    assert several
    for summary in several:
        view = department.case_view(summary.id)
        most = max(len(report.events) for report in view.case.reports)
        assert summary.events == most


def test_last_month_can_be_audited(department: Workflow) -> None:
    assert department.audit(first_day="2026-02-01", last_day="2026-02-28").n > 0


def test_department_is_built_once_and_copied_for_each_start(tmp_path: Path) -> None:
    first = demo_ledger(tmp_path, today=TODAY, scale=0.0)
    built = next(tmp_path.glob("department-*.sqlite"))
    stamp = built.stat().st_mtime_ns
    workflow = open_workflow(first)
    cases = len(workflow.cases())
    workflow.change_setting(
        key="site.name",
        scope="site",
        value="changed in one demonstration",
        valid_from="2026-01-01",
        actor=Actor("demonstration", Role.SYSTEM),
        reason="try",
    )
    workflow.ledger.close()
    second = open_workflow(demo_ledger(tmp_path, today=TODAY, scale=0.0))
    assert built.stat().st_mtime_ns == stamp
    assert len(second.cases()) == cases
    assert second.settings().text("site.name") == DEPARTMENT_SETTINGS["site.name"]
    second.ledger.close()
