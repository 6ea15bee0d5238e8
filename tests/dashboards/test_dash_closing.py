"""Reconciling, prompts shown, lines ahead and the question of the patient, on the pages."""

from __future__ import annotations

import struct
import wave
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from dashboards import ahead_words
from dashboards.case_tables import level_group_rows
from dashboards.components import closing_panel
from dashboards.pages import case, identity, room, room_live
from dosetrack.cases import CaseState
from dosetrack.radiation import Forecast, NextRun, UsualRate
from dosetrack.records.entries import ConsoleReading
from dosetrack.records.levels import LevelLine
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import Patient
from dosetrack.times import zone_named
from dosetrack.workflow import Workflow
from tests.dashboards.conftest import ROOM, SteppedClock, read_console
from tests.workflow.invented import dose_report, event

PLACE = {"room": ROOM, "kind": room.HAND, "case": None}
ZONE = zone_named("UTC")
ME = Actor("Dr Almeida", Role.ROOM, is_claimed=True)
OLGA = Patient(id="30040417", name="Moreira^Olga", sex="F")
DAP = "dose_area_product_gycm2"


def text_of(component: object) -> str:
    """Every word of a component, in order."""
    if component is None or isinstance(component, bool):
        return ""
    if isinstance(component, str):
        return component
    if isinstance(component, list | tuple):
        return " ".join(map(text_of, component))
    return text_of(getattr(component, "children", None))


def report_of(workflow: Workflow, patient: Patient, *, into: str, name: str, study: str) -> None:
    """A report for `patient`, put into a case by a person: 3 events, 300 mGy, 30 Gy·cm², 180 s."""
    events = [replace(event(n), uid=f"{study}.{n}") for n in (1, 2, 3)]
    data = dose_report(name, events, patient=patient, accession=None, station="XA2", study=study)
    taken = workflow.take_in_bytes(data, file=f"{name}.dcm")
    digest = workflow.case_view(taken.case_id).case.reports[0].sha256
    workflow.join_report(digest, into=into, actor=ME, reason="thought to be this case")


@pytest.fixture
def open_prompt(workflow: Workflow, case_id: str) -> str:
    read_console(workflow, case_id, 3100.0)
    (prompt,) = [p for p in workflow.case_view(case_id).prompts if p.lane == "radiation"]
    return prompt.id


def test_a_card_counts_as_shown_once_its_screen_reports_it(
    workflow: Workflow, clock: SteppedClock, case_id: str, open_prompt: str
) -> None:
    mark = room.shown_mark(workflow.case_view(case_id), room.HAND)
    assert (mark["standing"], mark["told"]) == ([open_prompt], [])
    clock.pass_minutes(0.05)
    *_, mark, _ = room_live.refresh(workflow, PLACE, mark, is_due=False)
    assert mark["told"] == [open_prompt]
    position = workflow.position()
    room_live.refresh(workflow, PLACE, mark, is_due=True)
    assert workflow.position() == position
    (prompt,) = [p for p in workflow.case_view(case_id).prompts if p.id == open_prompt]
    assert prompt.state == "shown"
    wall = room.shown_mark(workflow.case_view(case_id), room.WALL)
    assert wall["told"] == []  # each screen tells for itself


def test_the_tone_is_off_until_the_site_asks_for_it(workflow: Workflow, case_id: str) -> None:
    assert room.shown_mark(workflow.case_view(case_id))["sound"] is False
    workflow.change_setting(
        key="room.sound",
        scope=f"room:{ROOM}",
        value="yes",
        valid_from="2026-01-01",
        actor=Actor("Lead (invented)", Role.LEAD),
        reason="asked for",
    )
    assert room.shown_mark(workflow.case_view(case_id))["sound"] is True


def test_the_tone_is_a_plain_one() -> None:
    path = Path(room.__file__).parents[1] / "assets" / "tone.wav"
    with wave.open(str(path)) as file:
        count, rate = file.getnframes(), file.getframerate()
        samples = struct.unpack(f"<{count}h", file.readframes(count))
    crossings = sum(1 for a, b in pairwise(samples) if a < 0 <= b)
    assert 0.2 <= count / rate <= 0.3
    assert crossings / (count / rate) == pytest.approx(660, rel=0.02)  # one rise through zero a cycle
    assert (samples[0], abs(samples[-1]) < 400, max(samples) < 16000) == (0, True, True)


def test_one_more_run_is_a_range_or_a_reason() -> None:
    run = NextRun(3, "a", (71.2, 89.4), (10.0, 14.0), is_tied=True)
    assert ahead_words.run_line(run) == ("one more run like the last three: +71–90 mGy on plane A, +10–14 mL")
    few = NextRun(1, reason="1 run reported so far; 3 are needed")
    assert ahead_words.run_line(few) == "one more run: not known, 1 run reported so far; 3 are needed"
    apart = NextRun(3, "single", (71.2, 89.4), (12.0, 12.0))
    assert str(ahead_words.run_line(apart)).endswith("+71–90 mGy, +12 mL (the last three injections)")


def test_the_forecast_tells_fluoroscopy_minutes_and_both_rates() -> None:
    line = LevelLine("reference_air_kerma_mgy", 4000.0, "Ka,r 4 Gy", "notification", "invented")
    found = Forecast(
        line, None, (13.4, 21.2), beam_on_rate=48.2, usual=UsualRate(per_minute=35.1, spread=0.3, cases=12)
    )
    assert ahead_words.forecast_line(found) == (
        "Ka,r 4 Gy in 13–22 min of fluoroscopy · 48 mGy per minute of fluoroscopy lately, 35 usual (12 cases)"
    )
    hidden = Forecast(line, reason="too irregular lately to tell")
    assert ahead_words.forecast_line(hidden) == "Ka,r 4 Gy: when is not known, too irregular lately to tell"


def test_levels_stand_one_row_per_quantity(workflow: Workflow, case_id: str, clock: SteppedClock) -> None:
    read_console(workflow, case_id, 3100.0)
    clock.pass_minutes(30)
    read_console(workflow, case_id, 5200.0)
    rows = {row[0]: row for row in level_group_rows(workflow.case_view(case_id), zone=ZONE)}
    kerma = rows["Ka,r 5 Gy, substantial"]
    assert (kerma[3], kerma[4], kerma[5]) == ("09:42", "3", "09:12")
    assert "every level reached" in text_of(case.layout(workflow, {"case": case_id}))


def test_a_hundredfold_reading_is_settled_on_the_page(workflow: Workflow, case_id: str) -> None:
    workflow.record(case_id, ConsoleReading("single", 300.0, 3000.0, 180.0), actor=ME, is_confirmed=True)
    report_of(workflow, OLGA, into=case_id, name="sent", study="1.2.3")
    workflow.end_case(case_id, actor=ME)
    view = workflow.case_view(case_id)
    words = text_of(closing_panel.closing_panel(view, zone=ZONE))
    assert "typed is 100 times the reported: cGy·cm² or µGy·m² read as Gy·cm²" in words
    assert "What counts?" in words
    assert "safe" not in words.lower()
    row = next(r for r in closing_panel.difference_rows(view.reconciliation.differences) if r[1] == "DAP")
    assert row[2:5] == ("3000 Gy·cm²", "30.0 Gy·cm²", "+2970 Gy·cm² (+9900 %)")
    before = closing_panel.panel_mark(view)
    keys = [
        {"type": "close-choice", "key": closing_panel.choice_key(d)} for d in view.reconciliation.undecided
    ]
    assert case.chosen(keys, [None]) == {}
    said = case.close(workflow, case_id, note=None, by="Ines", choices={}, reason="")
    assert said == "Say what counts for: DAP."
    choices = case.chosen(keys, ["reported"])
    assert "why" in case.close(workflow, case_id, note=None, by="Ines", choices=choices, reason=" ")
    said = case.close(workflow, case_id, note=None, by="Ines", choices=choices, reason="unit of the console")
    assert said == "Closed."
    view = workflow.case_view(case_id)
    assert view.case.state is CaseState.CLOSED
    assert closing_panel.panel_mark(view) != before
    words = text_of(closing_panel.closing_panel(view, zone=ZONE))
    assert "closed by Ines. Reason: unit of the console." in words
    assert "DAP: reported counts." in words


@pytest.fixture
def swapped(workflow: Workflow, case_id: str) -> str:
    """The running case holds a report of its own study that was sent for another patient."""
    report_of(workflow, OLGA, into=case_id, name="first", study="1.2.3")
    other = Patient(id="90001234", name="Quill-Demo^Ada", sex="F")
    report_of(workflow, other, into=case_id, name="other", study="1.2.4")
    return case_id


def test_another_patient_is_asked_about_with_both_ways_out(workflow: Workflow, swapped: str) -> None:
    words = text_of(identity.question(workflow, swapped))
    for part in ("Olga Moreira", "Ada Quill-Demo", "belongs elsewhere: move it", "entered wrongly: change"):
        assert part in words
    assert "◆" in str(ahead_words.identity_line(workflow.case_view(swapped)))
    assert identity.move(workflow, swapped, where=None, why=" ", actor=ME) == identity.REASON_MISSING


def test_a_report_that_belongs_elsewhere_is_moved_with_its_reason(workflow: Workflow, swapped: str) -> None:
    assert identity.move(workflow, swapped, where="own", why="list mixed up", actor=ME) == ""
    assert identity.question(workflow, swapped) == []
    left = workflow.case_view(swapped)
    assert [r.patient.id for r in left.case.reports] == ["30040417"]
    assert left.timeline[-1].reason == "list mixed up"
    (other,) = [c for c in workflow.cases() if c.patient_id == "90001234"]
    assert other.reports == 1


def test_a_patient_entered_wrongly_is_changed_with_its_reason(workflow: Workflow, swapped: str) -> None:
    assert identity.change(workflow, swapped, why="wrong line of the list", actor=ME) == ""
    view = workflow.case_view(swapped)
    assert view.case.patient.id == "90001234"
    assert view.timeline[-1].reason == "wrong line of the list"
    # now it is the first report that was sent for somebody else, and that is asked in turn
    assert "Olga Moreira" in text_of(identity.question(workflow, swapped))
