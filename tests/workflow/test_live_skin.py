"""The range of the skin dose while a case runs: the map of what was reported, and the rest on one spot."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dosetrack.records.entries import ConsoleReading
from dosetrack.skin.screening import SkinRange
from dosetrack.workflow import Workflow
from dosetrack.workflow.live_skin import with_map
from dosetrack.workflow.results import SkinResult
from tests.workflow.invented import NURSE, OPENING, Clock, dose_report
from tests.workflow.skin_cases import straight_event

SCREENING = SkinRange(low_mgy=300.0, high_mgy=2000.0, assumed=("rough",))
RESULT = SkinResult(
    case_id="c",
    peak_mgy=900.0,
    low_mgy=600.0,
    high_mgy=1300.0,
    site="back",
    mapped_fraction=1.0,
    surface="body",
    reason=None,
)


def test_all_on_the_map_the_range_is_the_maps() -> None:
    found = with_map(SCREENING, RESULT, share_reported=1.0)
    assert (found.low_mgy, found.high_mgy, found.basis) == (600.0, 1300.0, "map")


def test_what_is_not_on_the_map_counts_for_the_upper_end_alone() -> None:
    found = with_map(SCREENING, RESULT, share_reported=0.75)
    assert found.low_mgy == 600.0
    assert found.high_mgy == pytest.approx(1300.0 + 0.25 * 2000.0)
    assert any("25%" in text for text in found.assumed)


def test_a_map_of_little_or_nothing_leaves_the_range_from_air_kerma() -> None:
    assert with_map(SCREENING, RESULT, share_reported=0.4) is SCREENING
    assert with_map(SCREENING, replace(RESULT, mapped_fraction=0.3), share_reported=1.0) is SCREENING
    nothing = replace(RESULT, peak_mgy=None, low_mgy=None, high_mgy=None)
    assert with_map(SCREENING, nothing, share_reported=1.0) is SCREENING


def test_a_report_in_a_running_case_puts_its_map_in_the_room(workflow: Workflow, clock: Clock) -> None:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    clock.forward(minutes=40)
    report = dose_report("r1", [straight_event(1, kerma=1500.0)], patient=OPENING.patient)
    assert workflow.take_in_bytes(report, file="r1.dcm").case_id == case_id
    view = workflow.case_view(case_id)
    own = workflow.skin_map(case_id, detail="peak").map
    assert own is not None
    assert view.skin is not None
    assert (view.skin.basis, view.skin.high_mgy) == ("map", pytest.approx(own.high_mgy))
    workflow.record(case_id, ConsoleReading(reference_air_kerma_mgy=2000.0), actor=NURSE, is_confirmed=True)
    later = workflow.case_view(case_id).skin
    assert later is not None
    assert later.low_mgy == view.skin.low_mgy
    assert later.high_mgy > view.skin.high_mgy


def test_without_a_map_the_range_follows_the_console(workflow: Workflow) -> None:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    workflow.record(case_id, ConsoleReading(reference_air_kerma_mgy=500.0), actor=NURSE, is_confirmed=True)
    first = workflow.skin_map(case_id).screening
    workflow.record(case_id, ConsoleReading(reference_air_kerma_mgy=1500.0), actor=NURSE, is_confirmed=True)
    second = workflow.skin_map(case_id).screening
    assert first is not None
    assert second is not None
    assert second.high_mgy == pytest.approx(3 * first.high_mgy)
