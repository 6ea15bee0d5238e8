"""Skin dose on Case and Room: what is shown, tried out and recorded, through a real workflow."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from dashboards import ids
from dashboards.app import make_app
from dashboards.components import skin_panel
from dashboards.components.skin_ahead import ahead_panel
from dashboards.components.skin_setup import (
    RECORDED,
    TRIED,
    entries_of,
    setup_controls,
    setup_from,
    tried_words,
)
from dashboards.pages import case, room_skin, skin
from dashboards.skin_held import STEPS, HeldMaps
from dosetrack.records.entries import PatientPlaced, PatientSize
from dosetrack.skin.ahead import look_ahead
from dosetrack.skin.setup import PatientSetup, SystemSetup
from dosetrack.workflow import Workflow
from dosetrack.workflow.results import SkinMapView
from tests.workflow.invented import OPENING, dose_report, event
from tests.workflow.skin_cases import straight_event

from .skin_fixtures import empty_map, invented_map

ZONE = ZoneInfo("UTC")


@pytest.fixture
def mapped(workflow: Workflow) -> str:
    """A case of a dozen straight beams, the table moved on after eight."""
    events = [straight_event(n, kerma=300.0, longitudinal_mm=0.0 if n < 9 else 120.0) for n in range(1, 13)]
    data = dose_report("skin", events, patient=OPENING.patient)
    return workflow.take_in_bytes(data, file="skin.dcm").case_id


@pytest.fixture
def unmapped(workflow: Workflow) -> str:
    data = dose_report("bare", [event(1)], patient=OPENING.patient)
    return workflow.take_in_bytes(data, file="bare.dcm").case_id


def view_of(skin_map: Any, *, reason: str | None = None) -> SkinMapView:
    return SkinMapView(skin_map, reason, PatientSetup(172.0, 80.0, "M"), SystemSetup(), ("1",), None)


def values(setup: PatientSetup, **changes: object) -> dict[str, object]:
    left, back, head = setup.shift_mm
    told: dict[str, object] = {
        "height": setup.height_cm, "weight": setup.weight_kg, "position": setup.position or "",
        "region": setup.region or "", "arms": setup.arms, "left": left, "back": back, "head": head,
    }  # fmt: skip
    return {**told, **changes}


def find(tree: Any, name: object) -> Any:
    return next(c for c in tree._traverse() if getattr(c, "id", None) == name)


# numbers ---------------------------------------------------------------------------------


def test_the_peak_is_in_italics_with_range_site_and_what_it_stands_on() -> None:
    text = str(skin_panel.number_block(view_of(invented_map()))).replace("\\u202f", " ")
    assert "digits is-estimated" in text
    assert "range 3.6–8.1 Gy (k = 2)" in text
    assert "right of midline" in text
    assert "96 %: the peak may be higher" in text
    assert "water" in text
    assert "172 cm, 80 kg" in text
    assert "62 % fluoroscopy, 38 % acquisition" in text


def test_areas_contributions_influences_and_assumptions_stand_in_tables() -> None:
    whole = invented_map(events=30)
    text = str(skin_panel.tables(whole, zone=ZONE))
    assert "5 Gy to below 10 Gy" in text
    assert "15 Gy and more" in text
    assert "20 other events" in text
    assert "the dose meter reads true within 35" in text
    assert "Table and pad transmit 0.8 (not measured on this system)." in text
    assert text.count("RAO 5°") == skin_panel.TOP_EVENTS


def test_an_area_is_never_nothing_where_there_is_some() -> None:
    bands = str(skin_panel.bands(invented_map(peak_mgy=2010.0)))
    assert "0 cm²" not in bands.replace("10 cm²", "")
    assert "none" in bands


def test_figures_have_their_numbers_as_tables() -> None:
    whole = invented_map()
    assert "The numbers of this figure" in str(skin_panel.flat_numbers(whole, whole.dose_mgy))
    growth = str(skin_panel.growth_numbers(whole, zone=ZONE))
    assert "09:12" in growth
    assert "5.4 Gy" in growth


def test_without_a_map_stands_the_reason_and_the_possible_range(workflow: Workflow, unmapped: str) -> None:
    shown = str(skin.maps(workflow.skin_map(unmapped), HeldMaps(), zone=ZONE))
    assert skin_panel.NO_MAP in shown
    assert "possible range, not a measurement" in shown
    assert "is-estimated" in shown
    assert "Graph" not in shown


def test_a_map_that_no_beam_meets_says_why() -> None:
    shown = str(skin.maps(view_of(empty_map()), HeldMaps(), zone=ZONE))
    assert "No beam meets the body." in shown


# page ------------------------------------------------------------------------------------


def test_case_has_a_place_for_the_map_between_the_accounts_and_the_trail(
    workflow: Workflow, mapped: str
) -> None:
    text = str(case.layout(workflow, {"case": mapped}))
    assert text.index("Radiation by plane") < text.index(skin.WORKING) < text.index("Contrast limits")


def test_place_holds_maps_numbers_slider_and_controls(workflow: Workflow, mapped: str) -> None:
    from dash import html

    shown = html.Div(skin.place(workflow.skin_map(mapped), HeldMaps(), zone=ZONE))
    for name in (ids.SKIN_FLAT, ids.SKIN_BODY, ids.SKIN_GROWTH, ids.SKIN_STEP, ids.SKIN_SAVE, ids.SKIN_AHEAD):
        assert find(shown, name) is not None
    slider = find(shown, ids.SKIN_STEP)
    assert (slider.min, slider.max, slider.value) == (1, STEPS, STEPS)
    assert slider.marks[STEPS] == "12"
    config = find(shown, ids.SKIN_FLAT).config
    assert "toImage" in config["modeBarButtons"][0]
    assert "safe" not in str(shown).lower()
    assert skin.skin_words.CAUTION in str(shown)


def test_the_slider_shows_the_map_as_it_was(workflow: Workflow, mapped: str) -> None:
    found = workflow.skin_map(mapped).map
    assert found is not None
    drawn = HeldMaps().of(found)
    early, whole = skin.flat_figure(drawn, 3, zone=ZONE), skin.flat_figure(drawn, STEPS, zone=ZONE)
    assert "after 4 of 12 events" in str(early.layout.annotations)
    assert drawn.moments[2].dose_mgy.max() == pytest.approx(found.peak_mgy * 4 / 8, rel=0.05)
    assert "events" not in "".join(a.text for a in whole.layout.annotations)
    assert skin.moment_words(drawn, STEPS, ZONE) == "whole case, 12 events"


def test_a_step_takes_less_than_a_third_of_a_second(workflow: Workflow, mapped: str) -> None:
    found = workflow.skin_map(mapped).map
    assert found is not None
    drawn = HeldMaps().of(found)
    skin.flat_figure(drawn, 2, zone=ZONE)
    start = time.process_time()
    skin.flat_figure(drawn, 5, zone=ZONE)
    skin.body_patch(drawn, 5)
    skin.growth_figure(drawn, 5, ZONE)
    assert time.process_time() - start < 0.3


def test_a_map_that_stays_is_not_drawn_again(workflow: Workflow, mapped: str) -> None:
    before = skin.mark_of(workflow.skin_map(mapped))
    assert skin.mark_of(workflow.skin_map(mapped)) == before
    moved = replace(workflow.skin_map(mapped).setup, shift_mm=(30.0, 0.0, 0.0))
    assert skin.mark_of(workflow.skin_map(mapped, setup_override=moved)) != before


def test_maps_are_held_once() -> None:
    held, whole = HeldMaps(), invented_map()
    assert held.of(whole) is held.of(whole)
    assert held.of(invented_map()) is not held.of(whole)


# tried and recorded ----------------------------------------------------------------------


def test_controls_tell_what_is_recorded_by_word_and_shape() -> None:
    controls = setup_controls(PatientSetup(170.0, 70.0, shift_mm=(0.0, 15.0, 0.0)))
    assert find(controls, ids.family(ids.SKIN_SETUP, "height")).value == 170.0
    assert find(controls, ids.family(ids.SKIN_SETUP, "back")).value == 15.0
    assert RECORDED in str(controls)
    assert TRIED in str(tried_words(True))
    assert "◇" in str(tried_words(True))


def test_untouched_controls_try_nothing(workflow: Workflow, mapped: str) -> None:
    recorded = workflow.skin_map(mapped).setup
    assert skin.tried_setup(workflow, mapped, values(recorded)) is None


def test_empty_numbers_are_not_known_and_empty_shifts_are_none() -> None:
    tried = setup_from(PatientSetup(170.0, 70.0), values(PatientSetup(), height=None, left=None))
    assert tried.height_cm is None
    assert tried.shift_mm == (0.0, 0.0, 0.0)


def test_a_region_taken_from_the_name_becomes_told_only_when_changed() -> None:
    recorded = PatientSetup(170.0, 70.0, region="chest", is_region_from_name=True)
    assert setup_from(recorded, values(recorded)) == recorded
    changed = setup_from(recorded, values(recorded, region="pelvis"))
    assert (changed.region, changed.is_region_from_name) == ("pelvis", False)


def test_trying_moves_the_map_and_records_nothing(workflow: Workflow, mapped: str) -> None:
    recorded = workflow.skin_map(mapped)
    position = workflow.position()
    tried = skin.tried_setup(workflow, mapped, values(recorded.setup, back=-40))
    view = workflow.skin_map(mapped, setup_override=tried)
    assert view.map is not None
    assert recorded.map is not None
    assert view.map.peak_mgy < recorded.map.peak_mgy  # away from the tube under the table
    assert TRIED in str(skin.maps(view, HeldMaps(), zone=ZONE, is_tried=True))
    assert workflow.position() == position


def test_what_is_tried_survives_the_browser() -> None:
    tried = PatientSetup(170.0, None, position="FFP", region="head", arms="raised", shift_mm=(1.0, 2.0, 3.0))
    assert skin.setup_from_data(skin.setup_as_data(tried)) == tried
    assert skin.setup_from_data(None) is None


def test_recording_needs_a_name_and_a_difference(workflow: Workflow, mapped: str) -> None:
    tried = replace(workflow.skin_map(mapped).setup, shift_mm=(0.0, -40.0, 0.0))
    assert skin.save(workflow, mapped, tried, by=" ") == skin.WHO_MISSING
    assert skin.save(workflow, mapped, None, by="Ines") == skin.NOTHING_TRIED
    assert skin.save(workflow, mapped, tried, by="Ines") == skin.SAVED
    assert workflow.skin_map(mapped).setup.shift_mm == (0.0, -40.0, 0.0)


def test_only_what_differs_is_recorded() -> None:
    recorded = PatientSetup(170.0, 70.0, region="chest", is_region_from_name=True)
    assert entries_of(recorded, recorded) == []
    (size,) = entries_of(recorded, replace(recorded, weight_kg=82.0))
    assert size == PatientSize(weight_kg=82.0)
    (placed,) = entries_of(recorded, replace(recorded, arms="raised"))
    assert placed == PatientPlaced(arms="raised")


# callbacks -------------------------------------------------------------------------------


def test_every_callback_is_registered(workflow: Workflow) -> None:
    outputs = " ".join(make_app(workflow).callback_map)
    for name in (ids.SKIN_PLACE, ids.SKIN_MAPS, ids.SKIN_FLAT, ids.SKIN_MESSAGE, ids.ROOM_SKIN):
        assert name in outputs


# room ------------------------------------------------------------------------------------


def test_room_draws_in_greys_once(workflow: Workflow, mapped: str) -> None:
    shown, mark = room_skin.shown(workflow, mapped, None)
    assert "room-skin-figure" in str(shown)
    figure = next(c for part in shown for c in [part, *part._traverse()] if hasattr(c, "figure")).figure
    assert figure.data[0].colorscale[2][1] == "#4A525B"
    again, _ = room_skin.shown(workflow, mapped, mark)
    assert again is room_skin.no_update


def test_room_without_a_map_tells_the_range(workflow: Workflow, unmapped: str) -> None:
    shown, _ = room_skin.shown(workflow, unmapped, None)
    assert "possible range" in str(shown)


def test_room_tells_what_may_come_while_the_case_runs(workflow: Workflow, mapped: str) -> None:
    view = workflow.skin_map(mapped)
    ahead = skin.what_may_come(workflow, mapped, view)
    text = str(room_skin.hot_patch(view, ahead))
    if ahead is None:  # the report ended the case
        assert "With the beam as it is now" not in text
    found = look_ahead(view.map, rate_mgy_per_min=300.0)
    assert found is not None
    assert found.next_level is not None
    text = str(ahead_panel(found))
    assert "min of fluoroscopy until the peak reaches" in text
    assert "none is recommended" in text
    assert "The beam as it is now" in text


def test_no_rate_is_said() -> None:
    whole = invented_map()
    assert "rate is not known" in str(ahead_panel(look_ahead(whole, rate_mgy_per_min=None)))
    assert "reaches" not in str(ahead_panel(None))
