"""Patient page on a real workflow: cases side by side, gaps, windows, creatinine, skin across cases."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from dashboards import patient_view
from dashboards.figures.patient_course import patient_course
from dashboards.pages import cases, patient
from dashboards.skin_held import HeldMaps
from dosetrack.errors import InputError
from dosetrack.records.entries import Creatinine
from dosetrack.records.report import Patient
from dosetrack.workflow import Workflow
from dosetrack.workflow.patients import ELSEWHERE, RADIOTHERAPY
from tests.workflow.invented import OPENING, dose_report
from tests.workflow.skin_cases import straight_event

from .conftest import NURSE, SteppedClock
from .follow_up_fixtures import ended, pass_days
from .test_follow_up_page import words

NUMBER = "30040417"


@pytest.fixture
def three(workflow: Workflow, clock: SteppedClock) -> tuple[str, str, str]:
    """Two cases with dose forty days apart, then one of which only the contrast is known."""
    first = ended(workflow, clock, kerma_mgy=2400.0, contrast_ml=90.0)
    pass_days(clock, 40)
    second = ended(workflow, clock, kerma_mgy=3100.0)
    pass_days(clock, 5)
    return first, second, ended(workflow, clock, kerma_mgy=None, contrast_ml=60.0)


def lanes(workflow: Workflow) -> Any:
    return patient_view.lanes_of(workflow.patient_course(NUMBER))


def test_cases_stand_side_by_side_and_are_never_added(workflow: Workflow, three: tuple[str, ...]) -> None:
    drawn = lanes(workflow)
    assert [point.kerma_gy for point in drawn.doses] == [2.4, 3.1]
    said = " ".join(words(patient.layout(workflow, {"id": NUMBER})))
    assert patient_view.NO_TOTAL in said
    assert "5.5" not in said  # 2.4 and 3.1 together


def test_a_case_without_dose_is_a_gap_and_not_zero(workflow: Workflow, three: tuple[str, ...]) -> None:
    drawn = lanes(workflow)
    assert len(drawn.dose_gaps) == 1
    figure = patient_course(drawn)
    kerma = next(trace for trace in figure.data if trace.name == "reference air kerma")
    assert 0.0 not in kerma.y
    assert [shape.name for shape in figure.layout.shapes].count("dose not known") == 1
    assert [bar.contrast_ml for bar in drawn.contrast] == [90.0, 60.0]
    assert len(drawn.contrast_gaps) == 1


def test_look_back_windows_are_bands_that_end_now(
    workflow: Workflow, clock: SteppedClock, three: tuple[str, ...]
) -> None:
    drawn = lanes(workflow)
    # radiation.lookback_days 60 and contrast.lookback_h 72, the defaults
    assert (drawn.skin_window.end - drawn.skin_window.start).days == 60
    assert (drawn.contrast_window.end - drawn.contrast_window.start).days == 3
    assert drawn.skin_window.end == drawn.now


def test_axes_carry_units_and_creatinine_that_of_the_laboratory(
    workflow: Workflow, three: tuple[str, ...]
) -> None:
    workflow.record(three[0], Creatinine("110", "umol/L", "2026-12-01"), actor=NURSE, is_confirmed=True)
    figure = patient_course(lanes(workflow))
    titles = {figure.layout[name].title.text for name in ("yaxis", "yaxis2", "yaxis3", "yaxis4")}
    assert titles == {"Ka,r of each case [Gy]", "contrast [mL]", "creatinine [mg/dL]", "creatinine [µmol/L]"}


def test_a_sample_held_by_two_cases_is_one_point(workflow: Workflow, three: tuple[str, ...]) -> None:
    sample = Creatinine("1.25", "mg/dL", "2026-12-01T08:00:00")
    for case_id in three[:2]:
        workflow.record(case_id, sample, actor=NURSE, is_confirmed=True)
    course = workflow.patient_course(NUMBER)
    (point,) = [c for c in course.creatinines if c.value == "1.25"]
    assert not point.is_day_only


def test_numbers_of_the_figure_and_cases_can_be_saved(workflow: Workflow, three: tuple[str, ...]) -> None:
    numbers = patient_view.case_table(workflow.patient_course(NUMBER))
    kermas = [row[numbers.keys.index("reference_air_kerma_mgy")] for row in numbers.values]
    assert kermas == [None, 3100.0, 2400.0]


def test_an_unknown_number_is_said_and_an_empty_one_is_asked_for(workflow: Workflow) -> None:
    assert patient.ASK in " ".join(words(patient.layout(workflow, {})))
    assert "'999'" in " ".join(words(patient.layout(workflow, {"id": "999"})))


def test_one_issuer_is_taken_and_several_are_asked_about(workflow: Workflow, clock: SteppedClock) -> None:
    for issuer in ("EAST", "WEST"):
        ended(workflow, clock, patient=Patient(id="7", id_issuer=issuer, name="Invented^One"))
    with pytest.raises(InputError, match="EAST, WEST"):
        workflow.patient_course("7")
    said = patient.layout(workflow, {"id": "7"})
    assert [word for word in words(said) if word in ("EAST", "WEST")] == ["EAST", "WEST"]
    one = workflow.patient_course("7", patient_issuer="EAST")
    assert (len(one.cases), one.issuers) == (1, ("WEST",))
    assert patient.OTHER_ISSUERS in " ".join(words(patient.layout(workflow, {"id": "7", "issuer": "EAST"})))
    ended(workflow, clock, patient=Patient(id="8", id_issuer="EAST"))
    assert workflow.patient_course("8").patient.id_issuer == "EAST"


@pytest.mark.parametrize(
    ("when", "start", "end"),
    [
        ("2019", (2019, 1, 1), (2020, 1, 1)),
        ("2019-12", (2019, 12, 1), (2020, 1, 1)),
        ("2020-02", (2020, 2, 1), (2020, 3, 1)),
        ("2020-02-29", (2020, 2, 29), (2020, 3, 1)),
    ],
)
def test_what_was_told_of_elsewhere_is_noted_and_drawn_as_vague_as_it_is(
    workflow: Workflow,
    three: tuple[str, ...],
    when: str,
    start: tuple[int, int, int],
    end: tuple[int, int, int],
) -> None:
    said = patient.tell(workflow, three[2], kind=RADIOTHERAPY, when=when, text="left breast", who="Cleo")
    assert said == patient.TOLD
    (band,) = lanes(workflow).elsewhere
    assert (band.start, band.end) == (
        datetime(*start, tzinfo=UTC).replace(tzinfo=None),
        datetime(*end, tzinfo=UTC).replace(tzinfo=None),
    )
    shown = " ".join(words(patient.layout(workflow, {"id": NUMBER})))
    assert "left breast" in shown
    assert patient_view.ELSEWHERE_SAYS in shown


def test_what_cannot_be_noted_says_why(workflow: Workflow, three: tuple[str, ...]) -> None:
    told = {"kind": ELSEWHERE, "when": "", "text": "pelvis", "who": "Cleo"}
    assert "YYYY" in patient.tell(workflow, three[0], **{**told, "when": "last spring"})
    assert "site and dose" in patient.tell(workflow, three[0], **{**told, "text": " "})
    assert patient.tell(workflow, three[0], **{**told, "who": ""}) != patient.TOLD
    assert patient.tell(workflow, None, **told) != patient.TOLD
    assert patient.tell(workflow, three[0], **told) == patient.TOLD
    assert workflow.patient_course(NUMBER).elsewhere[0].when == "when not known"


def test_open_follow_up_leads_to_the_card(workflow: Workflow, clock: SteppedClock) -> None:
    case_id = ended(workflow, clock)
    assert f"/follow-up/{case_id}" in str(patient.layout(workflow, {"id": NUMBER}).to_plotly_json())


def test_the_list_of_cases_has_the_search_by_number(workflow: Workflow) -> None:
    assert "patient-search" in str(cases.layout(workflow, {}).to_plotly_json())


# skin ------------------------------------------------------------------------------------


def report(workflow: Workflow, name: str, *, day: str, number: int) -> str:
    """A mapped case of invented straight beams on a day of 2026."""
    events = [
        replace(straight_event(n, kerma=300.0), uid=f"2.25.{number}{n}", started_at=f"{day}T09:{n:02d}:00")
        for n in range(1, 5)
    ]
    data = dose_report(
        name, events, patient=OPENING.patient, accession=name, study=f"2.25.{number}",
        started=f"{day}T09:00:00", reported=f"{day}T10:00:00",
    )  # fmt: skip
    return workflow.take_in_bytes(data, file=f"{name}.dcm").case_id


def test_each_case_has_its_share_and_others_stand_apart_with_their_kerma(workflow: Workflow) -> None:
    report(workflow, "old", day="2026-01-05", number=100)
    report(workflow, "before", day="2026-05-01", number=200)
    newest = report(workflow, "newest", day="2026-06-01", number=300)
    course = workflow.patient_course("P1", patient_issuer="INVENTED")
    assert course.newest_case_id == newest
    view = workflow.patient_skin_map(newest)
    shares = patient_view.share_rows(view)
    assert [row[3] for row in shares] == ["50\u202f%", "50\u202f%"]  # the same beams on the same skin
    (apart,) = patient_view.apart_rows(view, course)
    assert apart[1:] == ("1.20 Gy", patient_view.OUTSIDE)  # four times 300 mGy
    shown = " ".join(words(patient.skin_place(view, course, HeldMaps())))
    assert "What each case gave" in shown
    assert "Cases not on this body" in shown


def test_without_geometry_there_is_no_map_and_the_reason_is_said(
    workflow: Workflow, three: tuple[str, ...]
) -> None:
    course = workflow.patient_course(NUMBER)
    shown = patient.skin_place(workflow.patient_skin_map(three[1]), course, HeldMaps())
    said = " ".join(words(shown))
    assert "No skin map" in said
    assert "2.40 Gy" in said
