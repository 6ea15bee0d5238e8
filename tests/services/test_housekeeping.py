"""Cases that nobody feeds end by themselves while the server runs."""

from __future__ import annotations

import time

from dosetrack.cases import CaseState
from dosetrack.services.housekeeping import Housekeeping
from dosetrack.workflow import Workflow
from tests.workflow.invented import NURSE, OPENING, Clock


def test_idle_case_is_ended_in_the_background(workflow: Workflow, clock: Clock) -> None:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    clock.forward(hours=5)
    keeper = Housekeeping(workflow, every_s=0.01).start()
    for _ in range(500):
        if workflow.case_view(case_id).case.state is CaseState.ENDED:
            break
        time.sleep(0.01)
    keeper.stop()
    assert workflow.case_view(case_id).case.state is CaseState.ENDED
