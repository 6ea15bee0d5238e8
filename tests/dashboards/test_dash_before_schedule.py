"""The form filled from the schedule: what is marked, asked, emptied, tied and undone."""

from __future__ import annotations

from datetime import date

import pytest

from dashboards import before_form, before_schedule
from dashboards.pages import before, before_scheduled, correcting
from dosetrack.records.entries import PatientPlaced, ProcedureScheduled
from dosetrack.records.report import Patient
from dosetrack.workflow import Workflow

from .conftest import NURSE, ROOM, opening

DAY = date(2026, 11, 25)
TOLD = ProcedureScheduled(
    key="A-1/S1",
    patient=Patient("INV-1", "INVENTED", "Müller-Invented^Ada", "F", "1955-03-02", 58.0),
    scheduled_at="2026-11-25T10:30:00",
    room=ROOM,
    procedure="TIPS creation",
    operators=("Reed-Demo^Noor", "Teasel-Demo^Mara"),
    accession_number="A-1",
)
NAMES = (
    "id", "issuer", "name", "born", "sex", "weight", "height", "creatinine", "creatinine_on", "dialysis",
    "unstable", "inpatient", "earlier", "earlier_ml", "earlier_strength", "procedure", "operators",
    "accession", "strength", "site", "position", "region", "arms", "pregnancy",
)  # fmt: skip
EMPTY: dict[str, str | None] = dict.fromkeys(NAMES)


@pytest.fixture
def scheduled(workflow: Workflow) -> Workflow:
    workflow.take_in_schedule([TOLD], actor=NURSE)
    return workflow


def parsed(values: dict[str, str | None]) -> before_form.Form:
    return before_form.parsed(values, room=ROOM, on=DAY, default_unit=None, scheduled=TOLD)


def test_one_touch_fills_and_every_field_says_where_it_came_from(scheduled: Workflow) -> None:
    values, key = before_scheduled.fill(scheduled, "A-1/S1", EMPTY)
    assert key == "A-1/S1"
    assert values["name"] == "Ada Müller-Invented"
    assert values["operators"] == "Noor Reed-Demo; Mara Teasel-Demo"
    assert values["weight"] == "58 kg"
    assert values["creatinine"] is None
    marks = before_schedule.marks(values, TOLD)
    assert set(marks.values()) == {"from the schedule"}
    corrected = before_schedule.marks({**values, "procedure": "PTA"}, TOLD)
    assert corrected["procedure"] == "the schedule says TIPS creation"
    assert before_schedule.identity_words(values) == "number INV-1 · Ada Müller-Invented · born 1955-03-02"


def test_what_was_typed_of_the_same_patient_stays_and_of_another_goes(scheduled: Workflow) -> None:
    typed = {**EMPTY, "creatinine": "1.00 mg/dL", "dialysis": "no", "strength": "320"}
    same, _ = before_scheduled.fill(scheduled, "A-1/S1", {**typed, "id": "INV-1"})
    assert same["creatinine"] == "1.00 mg/dL"
    other, _ = before_scheduled.fill(scheduled, "A-1/S1", {**typed, "id": "INV-7"})
    assert (other["creatinine"], other["dialysis"], other["strength"]) == (None, "unknown", "320")
    nobody, key = before_scheduled.fill(scheduled, before_scheduled.NOT_SCHEDULED, other)
    assert (nobody["id"], nobody["procedure"], nobody["strength"], key) == (None, None, "320", None)


def test_the_case_is_tied_and_names_stay_as_the_schedule_wrote_them(scheduled: Workflow) -> None:
    values, _ = before_scheduled.fill(scheduled, "A-1/S1", EMPTY)
    case_id = before_form.open_case(
        scheduled, parsed({**values, "arms": "above the head", "region": "abdomen", "position": "HFS"})
    )
    case = scheduled.case_view(case_id).case
    assert case.patient.name == "Müller-Invented^Ada"
    assert case.operators == TOLD.operators
    assert case.placed is not None
    assert case.placed.value == PatientPlaced(position="HFS", region="abdomen", arms="raised")
    (planned,) = scheduled.schedule_of("2026-11-25", ROOM)
    assert (planned.case_id, planned.matched_by) == (case_id, "form")
    shown = str(before.layout(scheduled, {"room": ROOM}))
    assert "All have begun" in shown or before_scheduled.ALL_BEGUN in shown


@pytest.mark.parametrize("changed", [{"id": "INV-7"}, {"born": "1956-03-02"}])
def test_another_patient_is_asked_about_and_not_tied(scheduled: Workflow, changed: dict[str, str]) -> None:
    values, _ = before_scheduled.fill(scheduled, "A-1/S1", EMPTY)
    form = parsed({**values, **changed})
    assert any("Is it another patient?" in question for question in form.questions)
    assert form.opening is not None
    assert form.opening.scheduled_key is None


def test_without_a_schedule_the_form_is_as_before(workflow: Workflow) -> None:
    shown = str(before.layout(workflow, {"room": ROOM}))
    assert before_scheduled.NOTHING_PLANNED in shown
    assert before_schedule.marks(EMPTY, None) == {}


def test_a_number_held_with_one_issuer_is_offered_it(workflow: Workflow) -> None:
    workflow.open_case(opening(patient=Patient(id="INV-1", id_issuer="INVENTED")), actor=NURSE)
    assert before_scheduled.issuer_offered(workflow, {"id": "INV-1"}) == "INVENTED"
    assert before_scheduled.issuer_offered(workflow, {"id": "INV-1", "issuer": "ELSE"}) is None
    assert before_scheduled.issuer_offered(workflow, {"id": "INV-2"}) is None
    workflow.open_case(opening(patient=Patient(id="INV-1", id_issuer="ELSE")), actor=NURSE)
    assert before_scheduled.issuer_offered(workflow, {"id": "INV-1"}) is None


def test_a_patient_without_earlier_cases_has_no_patch_and_it_is_said(workflow: Workflow) -> None:
    assert workflow.skin_map_before("INV-1") is None
    assert before_scheduled.NO_EARLIER in str(before_scheduled.earlier_skin(None))


def test_a_change_of_patient_is_undone_in_one_touch(workflow: Workflow, case_id: str) -> None:
    assert correcting.undo_swap(workflow, case_id, actor=NURSE) == correcting.NO_SWAP
    who = {"number": "555", "name": "Silva^Rui", "born": "1950-01-01", "sex": "M"}
    correcting.swap(workflow, case_id, **who, reason="wrong wristband", actor=NURSE)
    said = correcting.undo_swap(workflow, case_id, actor=NURSE)
    assert said.startswith(correcting.BACK_TO)
    assert workflow.case_view(case_id).case.patient.id == "30040417"
    texts = [row.text for row in workflow.case_view(case_id).timeline]
    assert any("Silva" in text or "555" in text for text in texts)  # the change stays readable
