"""The pulse of a room, and what is left out of long lines."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from dashboards.app import make_app
from dashboards.figures.lane_data import MOST_POINTS, Clock, thinned
from dashboards.pulse import Pulse
from dosetrack.workflow import Workflow

from .conftest import NURSE, ROOM, SteppedClock, inject, opening


def test_pulse_moves_with_its_case_alone(workflow: Workflow, case_id: str, clock: SteppedClock) -> None:
    seconds = iter(range(100))
    pulse = Pulse(workflow, clock, now_s=lambda: float(next(seconds)))
    before = pulse.of(ROOM, case_id)
    assert before["running"] == [case_id]
    other = workflow.open_case(opening(room="Room 3"), actor=NURSE).case_id
    assert other is not None
    assert pulse.of(ROOM, case_id)["position"] == before["position"]
    inject(workflow, case_id, 10.0)
    assert pulse.of(ROOM, case_id)["position"] > before["position"]


def test_pulse_tells_of_another_case_within_half_a_second(
    workflow: Workflow, case_id: str, clock: SteppedClock
) -> None:
    seconds = [100.0]
    pulse = Pulse(workflow, clock, now_s=lambda: seconds[0])
    assert pulse.of(ROOM, case_id)["running"] == [case_id]
    workflow.end_case(case_id, actor=NURSE)
    seconds[0] += 0.5
    assert pulse.of(ROOM, case_id)["running"] == []


def test_pulse_is_a_plain_answer_that_nobody_keeps(workflow: Workflow, case_id: str) -> None:
    client = make_app(workflow, clock=lambda: datetime(2026, 11, 25, 9, 30, tzinfo=UTC)).server.test_client()
    answer = client.get("/pulse", query_string={"room": ROOM, "case": case_id})
    assert answer.headers["Cache-Control"] == "no-store"
    assert answer.json is not None
    assert answer.json["at"] == "09:30"
    unknown = client.get("/pulse", query_string={"room": "Nowhere"}).json
    assert unknown == {"position": 0, "running": [], "planned": [], "at": "09:30"}


def test_long_lines_keep_their_ends_and_never_rise_above_their_data() -> None:
    start = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
    points = [(start + timedelta(seconds=s), s * 0.1) for s in range(14_400)]
    clock = Clock(start=start, now=points[-1][0], end=points[-1][0] + timedelta(hours=1), is_live=True)
    drawn = thinned(points, clock)
    assert len(drawn) <= MOST_POINTS + 2
    assert (drawn[0], drawn[-1]) == (points[0], points[-1])
    assert set(drawn) <= set(points)
    assert thinned(points[:300], clock) == points[:300]
