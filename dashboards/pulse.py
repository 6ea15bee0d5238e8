"""The pulse of an open room: has its case moved, is it still the room's case, what time is it there.

Every screen asks this twice a second, and asks for more only when something moved. It is a plain answer of
the pages' server, a few numbers long: a screen that had to ask through a callback would drop the answer to
its earlier question whenever the server took longer than the screen waits, and then never change again.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from threading import Lock
from typing import TYPE_CHECKING, Any

from flask import Blueprint, Response, json, request

from dosetrack.times import zone_named

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

PATH = "/pulse"
_POSITIONS_HELD_S = 0.1
"""How long one look at the ledger answers the screens of all rooms."""
_CASES_HELD_S = 0.4
"""How long the list of running and planned cases answers for all rooms; it takes longest to read."""


@dataclass(frozen=True, slots=True)
class _Rooms:
    """Which cases run and are planned in each room, and the zone of the site's clock."""

    read_at_s: float
    running: dict[str | None, list[str]]
    planned: dict[str | None, list[str]]
    zone: str


class Pulse:
    """Answers for `workflow`. Threads share it; now_s : counts seconds."""

    def __init__(
        self,
        workflow: Workflow,
        clock: Callable[[], datetime],
        *,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._workflow = workflow
        self._clock = clock
        self._now_s = now_s
        self._turn = Lock()
        self._rooms: _Rooms | None = None
        self._looked_at_s: float | None = None
        self._looked_to = 0
        self._positions: dict[str | None, int] = {}

    def of(self, room: str, case_id: str | None) -> dict[str, Any]:
        """What a screen of `room` that shows `case_id` (None: no case) must know.

        position : last seq of the ledger that tells of the case; at : the time of day in the room
        """
        rooms = self._read_rooms()
        at = self._clock().astimezone(zone_named(rooms.zone))
        return {
            "position": self._position(case_id) if case_id else 0,
            "running": rooms.running.get(room, []),
            "planned": rooms.planned.get(room, []),
            "at": f"{at:%H:%M}",
        }

    def _position(self, case_id: str) -> int:
        """The last seq of the ledger that tells of the case or of no case, at most a moment old."""
        with self._turn:
            now = self._now_s()
            if self._looked_at_s is None or not 0 <= now - self._looked_at_s < _POSITIONS_HELD_S:
                self._positions |= self._workflow.cases_moved(after_seq=self._looked_to)
                self._looked_to = max(self._positions.values(), default=0)
                self._looked_at_s = now
            return max(self._positions.get(case_id, 0), self._positions.get(None, 0))

    def _read_rooms(self) -> _Rooms:
        with self._turn:
            now = self._now_s()
            if self._rooms is None or not 0 <= now - self._rooms.read_at_s < _CASES_HELD_S:
                zone = self._workflow.settings().text("site.time_zone")
                running: dict[str | None, list[str]] = {}
                planned: dict[str | None, list[str]] = {}
                for found, cases in (
                    (running, sorted(self._workflow.running_cases(), key=lambda c: c.started_at or "")),
                    (planned, self._workflow.planned_cases()),
                ):
                    for case in cases:
                        found.setdefault(case.room, []).append(case.id)
                self._rooms = _Rooms(now, running, planned, zone)
            return self._rooms


def pulse(workflow: Workflow, clock: Callable[[], datetime]) -> Blueprint:
    """The address that answers, as a part of the pages' server."""
    blueprint = Blueprint("pulse", __name__)
    answers = Pulse(workflow, clock)

    @blueprint.get(PATH)
    def ask() -> Response:
        found = answers.of(request.args.get("room", ""), request.args.get("case") or None)
        return Response(json.dumps(found), mimetype="application/json")

    return blueprint
