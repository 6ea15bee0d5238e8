"""The form before the case, and the corrections after it."""

from __future__ import annotations

from datetime import date

import pytest

from dashboards import before_form
from dashboards.components.limits import limits_table
from dashboards.pages import before, correcting, facts
from dosetrack.kidney import default_kidney_settings
from dosetrack.records.entries import Injection, InjectionSite, Knowledge
from dosetrack.workflow import Workflow

from .conftest import NURSE, ROOM, inject, opening, read_console

DAY = date(2026, 11, 25)
FILLED: dict[str, str | None] = {
    "id": "30040417",
    "name": "Moreira^Olga",
    "born": "1955-03-02",
    "sex": "F",
    "weight": "58 kg",
    "height": "160 cm",
    "creatinine": "1.00 mg/dL",
    "creatinine_on": "2026-11-20",
    "dialysis": "no",
    "unstable": "no",
    "inpatient": "no",
    "earlier": "no",
    "procedure": "TIPS creation",
    "operators": "Dr Almeida; Dr Brandt",
    "strength": "320",
    "site": "second-pass",
    "arms": "above the head",
    "pregnancy": "no",
    "accession": "A-1",
}


def parsed(**changes: str | None) -> before_form.Form:
    return before_form.parsed({**FILLED, **changes}, room=ROOM, on=DAY, default_unit=None)


def test_filled_form_becomes_an_opening() -> None:
    form = parsed()
    assert form.errors == {}
    assert form.questions == ()
    opening = form.opening
    assert opening is not None
    assert opening.operators == ("Dr Almeida", "Dr Brandt")
    assert opening.patient.weight_kg == 58.0
    assert opening.injection_site is InjectionSite.SECOND_PASS
    assert opening.arms == "above the head"
    assert opening.accession_number == "A-1"


@pytest.mark.parametrize(
    ("field", "text", "says"),
    [
        ("creatinine", "1.0", "unit"),
        ("creatinine", "-1 mg/dL", "Accepted"),
        ("weight", "58", "unit"),
        ("height", "1.6 cm", "Accepted"),
        ("born", "02.03.1955", "YYYY-MM-DD"),
        ("strength", "12", "Accepted"),
        ("creatinine_on", "2027-01-01", "up to 2026-11-25"),
    ],
)
def test_errors_stand_at_their_field(field: str, text: str, says: str) -> None:
    form = parsed(**{field: text})
    place = "creatinine" if field == "creatinine_on" else field
    assert says in form.errors[place]


def test_a_case_needs_two_identifiers() -> None:
    assert "two identifiers" in parsed(id="").errors["id"]
    assert "two identifiers" in parsed(name="", born="").errors["id"]
    assert parsed(name="").errors == {}


def test_a_unit_slip_is_asked_and_never_converted() -> None:
    form = parsed(creatinine="13 umol/L")
    assert form.questions
    assert form.creatinine is not None
    assert (form.creatinine.value, form.creatinine.unit) == ("13", "umol/L")


def test_unknown_stays_unknown() -> None:
    form = parsed(earlier=None, dialysis=None, strength="", weight="", arms="not known")
    assert form.opening is not None
    assert form.opening.earlier_contrast is Knowledge.UNKNOWN
    assert form.opening.concentration_mgi_ml is None
    assert form.opening.patient.weight_kg is None
    assert form.opening.arms is None


def test_earlier_contrast_counts_with_its_iodine() -> None:
    form = parsed(earlier="yes", earlier_ml="90 mL", earlier_strength="350")
    assert form.opening is not None
    assert form.opening.earlier_contrast_ml == 90.0
    assert form.opening.earlier_iodine_g == pytest.approx(31.5)  # 90 mL x 350 mg I/mL / 1000
    unknown = parsed(earlier="yes", earlier_ml="90", earlier_strength="")
    assert unknown.opening is not None
    assert unknown.opening.earlier_iodine_g is None


def test_limits_that_result_are_shown_before_the_start() -> None:
    found = before_form.assessment(parsed(), on=DAY, settings=default_kidney_settings())
    # Cockcroft-Gault by hand: (140 - 71) x 58 / (72 x 1.00) x 0.85 = 47.2 mL/min, so 2 x CrCl = 94.5 mL;
    # 58 kg is below 120 % of the ideal weight of 52.4 kg (Devine)
    assert found.headline == "94 mL below 2 × CrCl"
    text = str(limits_table(found))
    assert "Gurm" in text
    assert "Cigarroa" in text


def test_without_creatinine_the_limit_is_unknown_in_its_place() -> None:
    found = before_form.assessment(parsed(creatinine=""), on=DAY, settings=default_kidney_settings())
    assert found.headline == "limit unknown: creatinine missing"


def test_the_form_opens_the_room(workflow: Workflow) -> None:
    case = before_form.open_case(workflow, parsed())
    view = workflow.case_view(case)
    assert view.case.state == "running"
    assert view.kidney.headline == "94 mL below 2 × CrCl"
    assert view.case.procedure == "TIPS creation"


def test_layout_asks_for_nothing_beforehand(workflow: Workflow) -> None:
    text = str(before.layout(workflow, {"room": ROOM}))
    assert "birth date" in text
    assert "not known" in text


# corrections -----------------------------------------------------------------------------


def test_correction_keeps_the_earlier_value_readable(workflow: Workflow, case_id: str) -> None:
    inject(workflow, case_id, 10.0)
    entry = workflow.case_view(case_id).stairs[0].entry_id
    assert correcting.correct(workflow, case_id, entry, "12 mL", "", actor=NURSE) == correcting.REASON_MISSING
    said = correcting.correct(workflow, case_id, entry, "12 mL", "read the syringe again", actor=NURSE)
    assert said == correcting.CORRECTED
    view = workflow.case_view(case_id)
    assert [s.injection.volume_ml for s in view.stairs] == [12.0]
    assert view.stairs[0].injection.concentration_mgi_ml == 320.0
    assert any("10 mL" in row.text and row.replaced_by for row in view.timeline)


def test_correction_without_a_unit_is_refused_in_words(workflow: Workflow, case_id: str) -> None:
    inject(workflow, case_id, 10.0)
    entry = workflow.case_view(case_id).stairs[0].entry_id
    assert "Accepted" in correcting.correct(workflow, case_id, entry, "12", "slip", actor=NURSE)


@pytest.mark.parametrize(
    ("text", "field", "value"),
    [("2.1 Gy", "reference_air_kerma_mgy", 2100.0), ("70 Gy·cm²", "dose_area_product_gycm2", 70.0)],
)
def test_unit_tells_which_number_of_a_reading_is_meant(
    workflow: Workflow, case_id: str, text: str, field: str, value: float
) -> None:
    read_console(workflow, case_id, 1200.0)
    entry = workflow.case_view(case_id).case.readings[0].entry_id
    assert correcting.correct(workflow, case_id, entry, text, "slip", actor=NURSE) == correcting.CORRECTED
    (reading,) = workflow.case_view(case_id).case.readings
    assert getattr(reading.value, field) == pytest.approx(value)
    assert reading.value.fluoroscopy_time_s == pytest.approx(600.0)


def test_wrong_patient_is_swapped_with_a_reason(workflow: Workflow, case_id: str) -> None:
    who = {"number": "555", "name": "Silva^Rui", "born": "1950-01-01", "sex": "M"}
    assert correcting.swap(workflow, case_id, **who, reason="", actor=NURSE) == correcting.REASON_MISSING
    said = correcting.swap(workflow, case_id, **who, reason="wrong wristband", actor=NURSE)
    assert said == "The case now belongs to Rui Silva · 555 · born 1 Jan 1950."
    view = workflow.case_view(case_id)
    assert view.case.patient.id == "555"
    assert any(row.reason == "wrong wristband" for row in view.timeline)


def test_only_what_was_entered_can_be_corrected() -> None:
    with pytest.raises(ValueError, match="an injection, a reading"):
        correcting.corrected(None, "12 mL")
    assert correcting.corrected(Injection(5.0), "6 mL") == Injection(6.0)


# facts that arrive during the case -------------------------------------------------------


def test_creatinine_that_arrives_during_the_case_gives_the_limit(workflow: Workflow) -> None:
    started = workflow.open_case(opening(), actor=NURSE).case_id
    assert started is not None
    assert workflow.case_view(started).kidney.headline == "limit unknown: creatinine missing"
    fields: dict[str, str | None] = {
        "creatinine": "1.00 mg/dL",
        "creatinine_on": "2026-11-24",
        "dialysis": "unknown",
    }
    assert facts.record(workflow, started, fields, on=DAY, actor=NURSE, is_confirmed=False) == (
        "Recorded.",
        False,
    )
    assert workflow.case_view(started).kidney.headline == "94 mL below 2 × CrCl"


def test_facts_without_a_unit_are_refused_and_nothing_is_recorded(workflow: Workflow, case_id: str) -> None:
    before_it = len(workflow.case_view(case_id).timeline)
    fields: dict[str, str | None] = {"creatinine": "1.3", "dialysis": "unknown"}
    said, is_question = facts.record(workflow, case_id, fields, on=DAY, actor=NURSE, is_confirmed=False)
    assert "unit" in said
    assert not is_question
    assert len(workflow.case_view(case_id).timeline) == before_it


def test_dialysis_and_operators_are_entries_of_their_own(workflow: Workflow, case_id: str) -> None:
    fields: dict[str, str | None] = {"dialysis": "yes", "operators": "Dr Brandt; Dr Almeida"}
    facts.record(workflow, case_id, fields, on=DAY, actor=NURSE, is_confirmed=False)
    view = workflow.case_view(case_id)
    assert view.case.operators == ("Dr Brandt", "Dr Almeida")
    assert view.kidney.headline == "limit unknown: on dialysis"


def test_empty_facts_record_nothing(workflow: Workflow, case_id: str) -> None:
    fields: dict[str, str | None] = {"dialysis": "unknown", "unstable": "no", "inpatient": "no", "old": "no"}
    said, _ = facts.record(workflow, case_id, fields, on=DAY, actor=NURSE, is_confirmed=False)
    assert said == facts.NOTHING
