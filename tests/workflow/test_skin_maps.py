"""The skin dose map of a case: from the ledger's facts, changed by what is entered, kept once worked out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dosetrack.errors import InputError, UnknownCaseError
from dosetrack.records.entries import PatientPlaced
from dosetrack.services.skin_batch import skin_results
from dosetrack.skin.setup import PatientSetup, SystemSetup
from dosetrack.workflow import Workflow
from dosetrack.workflow.skin_jobs import SkinJob, worked_out
from tests.workflow.invented import NURSE, OPENING, Clock, dose_report, event
from tests.workflow.skin_cases import straight_event


def case_with(workflow: Workflow, *events: object, name: str = "r1", **facts: object) -> str:
    data = dose_report(name, list(events), patient=OPENING.patient, **facts)  # type: ignore[arg-type]
    return workflow.take_in_bytes(data, file=f"{name}.dcm").case_id


def peak(workflow: Workflow, case_id: str, setup: PatientSetup | None = None) -> float:
    found = workflow.skin_map(case_id, setup_override=setup, detail="peak").map
    assert found is not None
    assert found.peak_mgy is not None
    return found.peak_mgy


def test_peak_of_one_straight_beam_is_what_the_formula_gives(workflow: Workflow) -> None:
    """K (d_ref/r)² T BM. BM_water at 80 kV, 3 mm Al, 0.2 mm Cu: 1.468 at 10 cm, 1.581 at 20 cm field side."""
    case_id = case_with(workflow, straight_event(1))
    found = workflow.skin_map(case_id).map
    assert found is not None
    assert found.peak_index is not None
    point = found.surface.points_mm[found.peak_index]
    depth = point[1] - found.cases[0].origin_mm[1]
    distance = 750.0 - depth
    upper = 1000.0 * (600.0 / distance) ** 2 * 0.80 * 1.468
    side_cm = 16.0 * distance / 1100.0
    assert 8.0 < side_cm < 10.5
    assert found.peak_mgy == pytest.approx(upper, rel=0.03)
    assert found.peak_site is not None
    assert "back" in found.peak_site


def test_a_case_without_geometry_has_no_number_but_the_reason(workflow: Workflow) -> None:
    view = workflow.skin_map(case_with(workflow, event(1)))
    assert view.map is None
    assert view.reason
    assert view.screening is not None


def test_a_case_without_events_says_so(workflow: Workflow) -> None:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert "no dose report" in (workflow.skin_map(case_id).reason or "").lower()
    with pytest.raises(UnknownCaseError):
        workflow.skin_map("no-such-case")


def test_how_the_patient_lay_is_tried_on_screen_and_then_recorded(workflow: Workflow) -> None:
    case_id = case_with(workflow, straight_event(1), straight_event(2, longitudinal_mm=60.0))
    before = workflow.skin_map(case_id)
    tried = replace(before.setup, shift_mm=(0.0, -40.0, 0.0))  # 40 mm away from the tube
    moved = peak(workflow, case_id, tried)
    assert moved < peak(workflow, case_id)
    assert workflow.skin_map(case_id).setup == before.setup
    workflow.place_patient(case_id, PatientPlaced(shift_back_mm=-40.0), actor=NURSE)
    assert peak(workflow, case_id) == pytest.approx(moved, rel=1e-9)
    assert "40" in workflow.case_view(case_id).timeline[-1].text


def test_the_rooms_calibration_factor_scales_the_map_from_its_day_on(workflow: Workflow) -> None:
    case_id = case_with(workflow, straight_event(1))
    plain = peak(workflow, case_id)
    room = workflow.case_view(case_id).case.room

    def factor_from(day: str) -> None:
        workflow.change_setting(
            key="radiation.calibration_factor",
            value="1.2",
            scope=f"room:{room}",
            valid_from=day,
            actor=NURSE,
            reason="physicist's check",
        )

    factor_from("2026-03-03")  # the day after
    assert peak(workflow, case_id) == pytest.approx(plain)
    factor_from("2026-03-01")
    assert peak(workflow, case_id) == pytest.approx(1.2 * plain, rel=1e-9)


def test_two_table_readings_along_one_direction_are_refused(workflow: Workflow) -> None:
    case_id = case_with(workflow, straight_event(1))
    room = workflow.case_view(case_id).case.room
    workflow.change_setting(
        key="skin.table_lateral_axis",
        value="-z",
        scope=f"room:{room}",
        valid_from="2026-03-01",
        actor=NURSE,
        reason="typed by mistake",
    )
    with pytest.raises(InputError, match="table axes"):
        workflow.skin_map(case_id)


def test_two_cases_of_one_patient_add_on_one_body(workflow: Workflow, clock: Clock) -> None:
    first = case_with(workflow, straight_event(1))
    one = peak(workflow, first)
    again = replace(straight_event(30), started_at="2026-03-20T09:00:00", uid="1.2.826.0.1.3680043.10.999.9")
    second = case_with(
        workflow, again, name="r2", accession="A-2", study="1.2.3.4", started="2026-03-20T09:00:00"
    )
    assert second != first
    both = workflow.patient_skin_map(second)
    assert both.cases == (first, second)
    assert both.map is not None
    assert both.map.peak_mgy == pytest.approx(2 * one, rel=1e-6)
    single = workflow.skin_map(second).map
    assert single is not None
    doubt = (both.map.high_mgy or 0.0) / (both.map.peak_mgy or 1.0)
    assert doubt >= (single.high_mgy or 0.0) / (single.peak_mgy or 1.0)


@pytest.mark.parametrize("workers", [1, 2])
def test_the_batch_keeps_what_it_worked_out(workflow: Workflow, workers: int) -> None:
    ids = {
        case_with(workflow, straight_event(1)),
        case_with(workflow, event(5), name="r2", accession="A-5", study="1.9"),
    }
    assert len(ids) == 2
    seen: list[tuple[int, int]] = []
    told = list(skin_results(workflow, progress=lambda *at: seen.append(at), workers=workers))
    assert {one.case_id for one in told} == ids
    assert seen[-1] == (2, 2)
    with_map = next(one for one in told if one.peak_mgy is not None)
    assert workflow.skin_result(with_map.case_id) == with_map
    assert next(one for one in told if one.peak_mgy is None).reason
    assert list(skin_results(workflow, workers=1)) == told
    workflow.place_patient(with_map.case_id, PatientPlaced(shift_back_mm=-40.0), actor=NURSE)
    assert workflow.skin_result(with_map.case_id) is None  # made from other facts than those of now
    moved = workflow.worked_out_skin_result(with_map.case_id)
    assert not moved.is_kept
    assert (moved.result.peak_mgy or 0.0) < (with_map.peak_mgy or 0.0)


def test_two_machines_of_one_case_lie_on_one_body() -> None:
    setup = PatientSetup(height_cm=175, weight_kg=80, region="abdomen")
    one = ((straight_event(1),), SystemSetup())
    other = ((straight_event(2),), SystemSetup())
    alone, _ = worked_out([SkinJob("c", (one,), setup)], detail="peak")
    both, _ = worked_out([SkinJob("c", (one, other), setup)], detail="peak")
    assert alone is not None
    assert both is not None
    assert both.map.peak_mgy == pytest.approx(2 * (alone.map.peak_mgy or 0.0), rel=1e-6)


def test_an_earlier_case_of_another_region_lies_on_the_same_body() -> None:
    setup = PatientSetup(height_cm=175, weight_kg=80)
    head = SkinJob("head", (((straight_event(1),), SystemSetup()),), replace(setup, region="head"))
    belly = SkinJob("belly", (((straight_event(2),), SystemSetup()),), replace(setup, region="abdomen"))
    found, _ = worked_out([head, belly], detail="peak")
    assert found is not None
    assert [share.case_id for share in found.shares] == ["head", "belly"]
    assert found.map.mapped_fraction == pytest.approx(1.0)
    assert sorted(share.at_peak_mgy for share in found.shares)[0] == 0.0


def test_an_earlier_case_without_geometry_is_named_and_never_added(workflow: Workflow) -> None:
    first = case_with(workflow, event(1))
    again = replace(straight_event(30), started_at="2026-03-20T09:00:00", uid="1.2.826.0.1.3680043.10.999.9")
    second = case_with(
        workflow, again, name="r2", accession="A-2", study="1.2.3.4", started="2026-03-20T09:00:00"
    )
    view = workflow.patient_skin_map(second)
    assert [one.case_id for one in view.not_on_map] == [first]
    assert view.not_on_map[0].reference_air_kerma_mgy == pytest.approx(100.0)
    assert view.map is not None
    assert view.map.peak_mgy == pytest.approx(peak(workflow, second))
