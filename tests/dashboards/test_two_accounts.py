"""The figure of both accounts, tested as data."""

from __future__ import annotations

from datetime import UTC
from typing import Any
from zoneinfo import ZoneInfo

import plotly.graph_objects as go
import pytest

from dashboards.figures import lane_data
from dashboards.figures import two_accounts as fig
from dashboards.theme import DARK, LIGHT
from dosetrack.records.entries import Creatinine, Knowledge
from dosetrack.workflow import Workflow

from .conftest import NURSE, SteppedClock, inject, opening, read_console

ZONE = ZoneInfo("UTC")


def trace(figure: go.Figure, name: str) -> Any:
    return next(t for t in figure.data if t.name == name)


def words(figure: go.Figure) -> list[str]:
    return [a.text for a in figure.layout.annotations]


def drawn(workflow: Workflow, case: str) -> go.Figure:
    return fig.two_accounts(workflow.case_view(case), ground=DARK, zone=ZONE)


@pytest.fixture
def busy_case(workflow: Workflow, case_id: str, clock: SteppedClock) -> str:
    """Readings to 3.2 Gy and contrast past 2 x CrCl, four minutes apart."""
    for kerma in (400.0, 1200.0, 2100.0, 3200.0):
        clock.pass_minutes(4)
        read_console(workflow, case_id, kerma)
        inject(workflow, case_id, 30.0)
    return case_id


def test_lanes_share_one_clock_and_equal_heights(workflow: Workflow, busy_case: str) -> None:
    layout = drawn(workflow, busy_case).layout
    above, below = layout.yaxis.domain, layout.yaxis3.domain
    assert above[1] - above[0] == pytest.approx(below[1] - below[0])
    assert {t.xaxis for t in drawn(workflow, busy_case).data} == {None}  # all on the one x axis


def test_radiation_is_a_line_and_contrast_is_stairs(workflow: Workflow, busy_case: str) -> None:
    figure = drawn(workflow, busy_case)
    line, stairs = trace(figure, "Ka,r"), trace(figure, "contrast given")
    assert line.y[-1] == pytest.approx(3.2)
    assert line.line.shape is None
    assert stairs.line.shape == "hv"
    assert list(stairs.y) == [0, 30, 60, 90, 120]


def test_data_ink_is_neutral(workflow: Workflow, busy_case: str) -> None:
    colours = {str(t.line.color) for t in drawn(workflow, busy_case).data} - {"None"}
    assert colours.isdisjoint({DARK.notify, DARK.decide, DARK.alarm})


def test_reached_levels_carry_their_time_and_a_mark(workflow: Workflow, busy_case: str) -> None:
    figure = drawn(workflow, busy_case)
    assert "Ka,r 3 Gy  <b>09:28</b>" in words(figure)
    assert list(trace(figure, "level reached, radiation").y) == [3.0]
    assert any(text.startswith("2 × CrCl  <b>") for text in words(figure))
    assert "Ka,r 5 Gy" in words(figure)


def test_axes_name_their_units(workflow: Workflow, busy_case: str) -> None:
    layout = drawn(workflow, busy_case).layout
    assert layout.yaxis.title.text == "Ka,r [Gy]"
    assert layout.yaxis3.title.text == "contrast [mL]"


def test_each_lane_rises_toward_its_own_level(workflow: Workflow, case_id: str, clock: SteppedClock) -> None:
    read_console(workflow, case_id, 400.0)
    layout = drawn(workflow, case_id).layout
    assert layout.yaxis.range[1] == pytest.approx(5.0 * lane_data.TOP_SPACE)
    leading = workflow.case_view(case_id).kidney.leading_limit_ml
    assert layout.yaxis3.range[1] == pytest.approx(leading * lane_data.TOP_SPACE)


def test_unknown_limit_is_said_where_the_line_would_be(workflow: Workflow) -> None:
    case = workflow.open_case(opening(), actor=NURSE).case_id
    assert case is not None
    figure = drawn(workflow, case)
    assert "limit unknown: creatinine missing" in words(figure)
    assert "no reading and no report yet" in words(figure)


def test_band_stands_only_ahead_of_now_and_only_live(
    workflow: Workflow, case_id: str, clock: SteppedClock
) -> None:
    for kerma in range(100, 2500, 100):
        clock.pass_minutes(1)
        read_console(workflow, case_id, float(kerma))
    view = workflow.case_view(case_id)
    assert view.radiation_forecast is not None
    assert view.radiation_forecast.clock_minutes is not None
    band = fig.two_accounts(view, ground=DARK, zone=ZONE).data[0]
    now = view.as_of.astimezone(UTC).replace(tzinfo=None)
    assert min(band.x) == now
    assert band.fillpattern.shape == "/"
    assert band.line.width == 0
    assert any(text.startswith("Ka,r 3 Gy  in ") for text in words(drawn(workflow, case_id)))
    workflow.end_case(case_id, actor=NURSE)
    assert len(drawn(workflow, case_id).data[0].x) == 0


def test_figure_at_rest_has_no_now(workflow: Workflow, busy_case: str) -> None:
    assert any(text.startswith("now ") for text in words(drawn(workflow, busy_case)))
    workflow.end_case(busy_case, actor=NURSE)
    assert not any(text.startswith("now ") for text in words(drawn(workflow, busy_case)))


def test_two_planes_are_two_lines_with_names(workflow: Workflow, case_id: str, clock: SteppedClock) -> None:
    for minute, (a, b) in enumerate([(200.0, 90.0), (500.0, 210.0)], start=1):
        clock.pass_minutes(minute)
        read_console(workflow, case_id, a, plane="a")
        read_console(workflow, case_id, b, plane="b")
    figure = drawn(workflow, case_id)
    assert trace(figure, "Ka,r, plane A").y[-1] == pytest.approx(0.5)
    assert trace(figure, "Ka,r, plane B").y[-1] == pytest.approx(0.21)
    assert trace(figure, "Ka,r, plane A").line.width != trace(figure, "Ka,r, plane B").line.width
    assert {"plane A", "plane B"} <= set(words(figure))


def test_earlier_contrast_is_the_ground_the_stairs_stand_on(workflow: Workflow) -> None:
    told = opening(earlier_contrast=Knowledge.YES, earlier_contrast_ml=40.0, earlier_iodine_g=12.8)
    case = workflow.open_case(told, actor=NURSE).case_id
    assert case is not None
    inject(workflow, case, 10.0)
    assert list(trace(drawn(workflow, case), "contrast given").y)[:2] == [40.0, 50.0]


def test_diluted_contrast_counts_its_undiluted_part(workflow: Workflow, case_id: str) -> None:
    inject(workflow, case_id, 20.0, contrast_fraction=0.5)
    assert max(trace(drawn(workflow, case_id), "contrast given").y) == 10.0


def test_order_of_traces_never_changes(workflow: Workflow, case_id: str, busy_case: str) -> None:
    bare = workflow.open_case(opening(room="Room 3"), actor=NURSE).case_id
    assert bare is not None
    assert [t.name for t in drawn(workflow, bare).data] == [t.name for t in drawn(workflow, busy_case).data]


def test_patch_keeps_everything_but_the_data(workflow: Workflow, busy_case: str) -> None:
    data = fig.two_accounts_data(workflow.case_view(busy_case), ground=DARK, zone=ZONE)
    operations = fig.two_accounts_patch(data).to_plotly_json()["operations"]
    places = {tuple(op["location"]) for op in operations}
    assert ("layout", "xaxis", "range") in places
    assert all(place[0] == "data" or place[:1] == ("layout",) for place in places)
    assert not any("line" in place or "marker" in place for place in places)
    assert drawn(workflow, busy_case).layout.uirevision == busy_case


def test_table_holds_the_numbers_of_the_figure(workflow: Workflow, busy_case: str) -> None:
    rows = lane_data.two_accounts_rows(workflow.case_view(busy_case), zone=ZONE)
    assert ("09:28", "radiation, typed from the console", "3.20 Gy", "160 Gy·cm²", "", "") in rows
    assert ("09:28", "30 mL given", "", "", "120 mL", "38.4 g I") in rows


def test_the_same_figure_on_light_ground(workflow: Workflow, busy_case: str) -> None:
    view = workflow.case_view(busy_case)
    light = fig.two_accounts(view, ground=LIGHT, zone=ZONE)
    assert trace(light, "Ka,r").line.color == LIGHT.radiation
    assert [list(t.y) for t in light.data] == [list(t.y) for t in drawn(workflow, busy_case).data]


def test_times_are_drawn_as_the_room_reads_them(workflow: Workflow, busy_case: str) -> None:
    view = workflow.case_view(busy_case)
    lisbon = fig.two_accounts(view, ground=DARK, zone=ZoneInfo("Asia/Tokyo"))
    assert trace(lisbon, "contrast given").x[1].hour == 18  # 09:16 UTC


def test_creatinine_during_the_case_draws_the_limit(workflow: Workflow) -> None:
    case = workflow.open_case(opening(), actor=NURSE).case_id
    assert case is not None
    workflow.record(case, Creatinine("1.00", "mg/dL", "2026-11-24"), actor=NURSE, is_confirmed=True)
    assert any(text.startswith("2 × CrCl") for text in words(drawn(workflow, case)))


def places(figure: go.Figure) -> dict[str, Any]:
    return {a.text.split("  ")[0]: a for a in figure.layout.annotations}


def test_names_of_reached_levels_hide_no_data(workflow: Workflow, busy_case: str) -> None:
    named = places(drawn(workflow, busy_case))
    reached, ahead = named["Ka,r 3 Gy"], named["Ka,r 5 Gy"]
    assert (reached.xanchor, reached.x, reached.yanchor) == ("left", 0, "bottom")
    assert reached.bgcolor == "rgba(0,0,0,0)"
    assert (ahead.xanchor, ahead.x, ahead.yanchor) == ("right", 1, "bottom")


def test_a_level_crossed_at_once_is_named_below_its_line_at_the_right(
    workflow: Workflow, case_id: str, clock: SteppedClock
) -> None:
    clock.pass_minutes(1)
    inject(workflow, case_id, 100.0)
    clock.pass_minutes(60)
    inject(workflow, case_id, 5.0)
    named = places(drawn(workflow, case_id))["75 % of 2 × CrCl"]
    assert (named.xanchor, named.yanchor) == ("right", "top")


def test_unknown_limit_stands_over_every_stair(workflow: Workflow, clock: SteppedClock) -> None:
    case = workflow.open_case(opening(), actor=NURSE).case_id
    assert case is not None
    for _ in range(12):
        clock.pass_minutes(2)
        inject(workflow, case, 10.0)
    figure = drawn(workflow, case)
    said = places(figure)["limit unknown: creatinine missing"]
    low, high = figure.layout.yaxis3.domain
    words_px = 14 * 1.5
    lane_px = 352 * (high - low)  # the least height of the figure in the hand view
    highest_stair = max(trace(figure, "contrast given").y) / figure.layout.yaxis3.range[1] * (high - low)
    assert said.yanchor == "top"
    assert (said.y - low - highest_stair) / (high - low) * lane_px > words_px
