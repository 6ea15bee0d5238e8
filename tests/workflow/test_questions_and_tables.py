"""What is asked before an entry counts, and tables of entries finding their cases."""

from __future__ import annotations

from pathlib import Path

import pytest

from dosetrack.records.entries import ConsoleReading, Injection, InjectionSite
from dosetrack.workflow import Workflow
from tests.workflow.invented import NURSE, OPENING, Clock, dose_report, event

SITE = InjectionSite.SECOND_PASS


def opened(workflow: Workflow) -> str:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    return case_id


def test_reading_lower_than_last_is_questioned_and_not_recorded(workflow: Workflow, clock: Clock) -> None:
    case_id = opened(workflow)
    workflow.record(case_id, ConsoleReading(reference_air_kerma_mgy=5), actor=NURSE)
    workflow.record(case_id, ConsoleReading(reference_air_kerma_mgy=900), actor=NURSE)
    clock.forward(minutes=2)
    position = workflow.position()
    asked = workflow.record(case_id, ConsoleReading(reference_air_kerma_mgy=90), actor=NURSE)
    assert asked.entry_id is None
    assert [q.kind for q in asked.questions] == ["reset"]
    assert workflow.position() == position
    clear = ConsoleReading(reference_air_kerma_mgy=90, is_reset=True)
    assert workflow.record(case_id, clear, actor=NURSE).entry_id is not None
    plane = workflow.case_view(case_id).radiation.plane("single")
    assert plane is not None
    assert plane.reference_air_kerma_mgy.typed == 990


def test_first_reading_that_equals_the_last_case_asks_whether_it_was_carried_over(
    workflow: Workflow, clock: Clock
) -> None:
    first = opened(workflow)
    workflow.record(first, ConsoleReading(reference_air_kerma_mgy=640), actor=NURSE, is_confirmed=True)
    workflow.end_case(first, actor=NURSE)
    clock.forward(hours=1)
    second = opened(workflow)
    asked = workflow.record(second, ConsoleReading(reference_air_kerma_mgy=640), actor=NURSE)
    assert [q.kind for q in asked.questions] == ["carried-over"]
    carried = ConsoleReading(reference_air_kerma_mgy=640, offset_reference_air_kerma_mgy=640)
    assert workflow.record(second, carried, actor=NURSE).entry_id is not None
    plane = workflow.case_view(second).radiation.plane("single")
    assert plane is not None
    assert plane.reference_air_kerma_mgy.typed == 0


def test_same_injection_within_seconds_is_questioned(workflow: Workflow, clock: Clock) -> None:
    case_id = opened(workflow)
    puff = Injection(volume_ml=6, concentration_mgi_ml=320, site=SITE)
    assert workflow.record(case_id, puff, actor=NURSE).entry_id is not None
    clock.forward(seconds=3)
    assert [q.kind for q in workflow.record(case_id, puff, actor=NURSE).questions] == ["duplicate"]
    clock.forward(minutes=1)
    assert workflow.record(case_id, puff, actor=NURSE).entry_id is not None


TABLE = """patient id;accession;time;room;creatinine [µmol/L];creatinine date;volume [mL];concentration;site
P1;A-1;2026-03-02T09:05;;132,6;2026-02-27;;;
P1;A-1;2026-03-02T09:20;;;;25;320;second-pass
P8;;2026-03-02T14:00;Room 4;;;12;300;venous
P9;;2026-03-02T15:00;;;;12;300;venous
P1;A-1;2026-03-02T09:30;;;;-4;320;second-pass
"""


def test_table_rows_find_their_case_make_one_or_are_refused(workflow: Workflow, tmp_path: Path) -> None:
    held = workflow.take_in_bytes(dose_report("one", [event(1)]), file="r.dcm").case_id
    path = tmp_path / "entries.csv"
    path.write_text(TABLE, encoding="utf-8")
    result = workflow.ingest([path], actor=NURSE)
    assert result.entries_added == 3
    assert len(result.refused) == 2
    assert "line 5" in " ".join(r.reason for r in result.refused)
    view = workflow.case_view(held)
    assert [s.volume_ml for s in (x.value for x in view.case.injections)] == [25]
    assert view.case.creatinines[0].value.value == "132.6"
    made = [c for c in workflow.cases() if c.room == "Room 4"]
    assert [(c.patient_id, c.contrast_ml, c.state) for c in made] == [("P8", 12.0, "ended")]


def test_same_table_again_adds_nothing(workflow: Workflow, tmp_path: Path) -> None:
    workflow.take_in_bytes(dose_report("one", [event(1)]), file="r.dcm")
    path = tmp_path / "entries.csv"
    path.write_text(TABLE, encoding="utf-8")
    workflow.ingest([path], actor=NURSE)
    position = workflow.position()
    again = workflow.ingest([path], actor=NURSE)
    assert (again.entries_added, again.already_held) == (0, 1)
    assert workflow.position() == position


@pytest.mark.parametrize("text", ["", "just words\n", "volume [mL]\n5\n"])
def test_table_that_is_none_is_refused_with_a_reason(workflow: Workflow, tmp_path: Path, text: str) -> None:
    path = tmp_path / "entries.csv"
    path.write_text(text, encoding="utf-8")
    result = workflow.ingest([path], actor=NURSE)
    assert [bool(r.reason) for r in result.refused] == [True]
    assert workflow.position() == 0
