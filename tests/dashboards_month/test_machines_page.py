"""The page Machines: cards, marks in words and shape, figures as data, and the check of reports."""

from __future__ import annotations

import math

import pytest

from dashboards import machines_view
from dashboards.app import navigation, page_table
from dashboards.figures.machines import axes_figure, drift_figure
from dashboards.pages import machines
from dosetrack.audit.machine_conformance import conformance_of
from dosetrack.audit.machine_facts import CaseOfMachine, MachineKey
from dosetrack.audit.machines import (
    Calibration,
    CalibrationFactor,
    ClockBound,
    MachineFacts,
    Machines,
    calibration_of,
    machine_of,
)
from dosetrack.records.template import TemplateCheck, TemplateIssue

AXES = {"longitudinal": "+z", "lateral": "+x", "height": "+y"}
FACTOR = CalibrationFactor("Room 1", "a", 1.05, "2025-03-10", None, "Invented Physicist")


def case(number, month, ratio, plane="single", ways=(300.0, 90.0, 40.0)):
    return CaseOfMachine(
        case_id=f"case-{number}",
        day=f"2026-{month:02}-{1 + number % 27:02}",
        room="Room 1",
        machine=MachineKey("INV-1", "Room 1"),
        plane=plane,
        events=20,
        field_ratio=ratio,
        field_events=20,
        kerma_per_pulse_mgy=None,
        kerma_per_frame_mgy=None,
        reference_points=(("15cm-from-isocenter", 20),),
        table_mm=tuple(None if way is None else (0.0, way) for way in ways),
        angles_deg=((-30.0, 40.0), (-10.0, 10.0)),
    )


def machine(cases, *, calibration=None, verified=False):
    facts = MachineFacts(
        key=MachineKey("INV-1", "Room 1"),
        manufacturers=("Invented Works",),
        models=("Demo 1",),
        rooms=("Room 1",),
        reports=len(cases),
        sources=(("rdsr", len(cases)),),
        first_day="2026-01-01",
        last_day="2026-06-30",
        findings=(("totals-disagree", 3),),
        clock=ClockBound(0),
    )
    return machine_of(
        facts,
        cases,
        directions=AXES,
        axes_verified=verified,
        calibration=calibration or Calibration("no factor set"),
    )


def moved(**options):
    """Six months of eight cases; DAP over Ka,r 20 % down from the fifth on."""
    return machine(
        [case(8 * m + n, m, (0.8 if m > 4 else 1.0) + n / 1000) for m in range(1, 7) for n in range(8)],
        **options,
    )


class FakeWorkflow:
    def __init__(self, *found):
        self.found = found

    def today(self):
        return "2026-11-25"

    def machines(self, first, last, *, with_conformance):
        self.asked = (first, last)
        assert not with_conformance, "the page stands before reports are checked"
        return Machines(first, last, self.found)


def words_of(marks):
    return [f"{mark.shape} {mark.words}" for mark in marks]


def test_navigation_has_machines_between_operators_and_settings():
    sections = list(dict.fromkeys(page.section for page in page_table()))
    assert sections[-3:] == ["Operators", "Machines", "Settings"]
    assert "/machines" in str(navigation(page_table(), "Machines"))


def test_marks_tell_by_word_and_shape():
    due = calibration_of([FACTOR], interval_months=12, today="2026-06-01", planes=["single"])
    assert words_of(machines_view.marks(moved(calibration=due))) == [
        "▲ meters moved: −20 %",
        "◇ table axes not verified",
        "▲ calibration due since 2026-03-10",
    ]
    steady = machine([case(n, 1 + n // 8, 1.0) for n in range(48)], verified=True)
    assert words_of(machines_view.marks(steady)) == [
        "● meters as before",
        "● table axes verified",
        "◇ no calibration factor for every plane",
    ]


@pytest.mark.parametrize(
    ("cases", "word"),
    [
        ([case(1, 1, None, ways=(None,) * 3)], "meters: not known"),
        ([case(1, 1, 1.0)], "meters: cannot tell yet"),
        ([case(n, 1 + n // 8, 100.0) for n in range(48)], "unit suspect: × 100"),
        ([], "meters: not known"),
    ],
)
def test_marks_of_little_and_of_wrong_units(cases, word):
    assert machines_view.marks(machine(cases))[0].words == word


def test_page_stands_with_one_card_per_machine(words):
    workflow = FakeWorkflow(moved(), machine([case(1, 1, None, ways=(None,) * 3)]))
    text = words(machines.layout(workflow, {"months": "12"}))
    assert workflow.asked == ("2025-11-26", "2026-11-25")
    assert "Meters moved: DAP over Ka,r −20 %" in text
    assert "the meters cannot be followed" in text
    assert "totals-disagree" in text
    assert "not verified on this system" in text


@pytest.mark.parametrize("months", ["7", "x", "-12", "99999999999", ""])
def test_window_of_an_odd_address_is_the_usual_one(months):
    workflow = FakeWorkflow()
    machines.layout(workflow, {"months": months})
    assert workflow.asked[0] == "2024-11-26"


def test_page_without_machines_says_so(words):
    assert machines.NOTHING in words(machines.layout(FakeWorkflow(), {}))


def test_drift_figure_draws_medians_intervals_tolerance_and_calibrations():
    calibrated = Calibration(
        "not due yet", (CalibrationFactor("Room 1", "a", 1.05, "2026-03-10", None, "x"),)
    )
    found = moved(calibration=calibrated)
    figure = drift_figure(found.drifts, calibrated.factors)
    (trace,) = figure.data
    assert list(trace.y) == pytest.approx([m.ratio.median for m in found.drifts[0].months])
    assert figure.layout.yaxis.type == "log"
    low, high = (10**end for end in figure.layout.yaxis.range)
    assert low < 0.8
    assert high > 1.1
    texts = [note.text for note in figure.layout.annotations]
    assert texts == ["+10 %", "first months", "−9 %", "factor 1.05 (a)"]
    colours = list(trace.marker.color)
    assert len(set(colours)) == 2, "months beyond the tolerance are filled"
    assert colours[:4] == [colours[0]] * 4
    middle = figure.layout.annotations[1].y
    assert 10**middle == pytest.approx(found.drifts[0].baseline.ratio.median)
    assert figure.layout.annotations[0].y - middle == pytest.approx(math.log10(1.1))


def test_two_planes_are_told_apart_by_shape_and_name():
    cases = [case(n, 1 + n // 8, 1.0, plane=plane) for n in range(24) for plane in ("a", "b")]
    figure = drift_figure(machine(cases).drifts, ())
    assert [trace.marker.symbol for trace in figure.data] == ["circle", "square"]
    assert [trace.name for trace in figure.data] == ["plane A", "plane B"]
    assert figure.layout.showlegend


def test_axes_figure_hatches_a_doubtful_setting():
    swapped = machine([case(n, 1, 1.0, ways=(100.0, 600.0, 20.0)) for n in range(5)])
    bars = axes_figure(swapped.axes).data[0]
    assert list(bars.marker.pattern.shape) == ["/", "/", ""]
    assert list(bars.x) == pytest.approx([100.0, 600.0, 20.0])
    assert "table axes doubtful" in words_of(machines_view.marks(swapped))[1]


def test_numbers_are_exact_in_the_file_and_missing_ones_empty():
    numbers = machines_view.drift_numbers(moved(), "room-1")
    first = dict(zip(numbers.keys, numbers.values[0], strict=True))
    assert (first["month"], first["ratio_n"], first["kerma_per_pulse_mgy"]) == ("2026-01", 8, None)
    assert first["ratio"] == pytest.approx(1.0035)
    assert all(len(row) == len(numbers.keys) for row in numbers.values)
    assert all(len(row) == len(numbers.head) for row in numbers.rows)


def test_conformance_part_names_what_is_missing_and_wrong(words):
    unit = TemplateIssue(
        "irradiation_event_x_ray_data", "Dose Area Product", "122130 DCM", 4, 4, "sent in dGy.cm2"
    )
    card = conformance_of([TemplateCheck("TID 10001", wrong_unit=(unit,)), None])
    text = " ".join(words(part) for part in machines.template_part(card, "room-1"))
    assert "in another unit" in text
    assert "Dose Area Product [122130 DCM]" in text
    assert "sent in dGy.cm2" in text
    assert "1 of another kind" in text


def test_mark_links_to_the_setting_of_the_room():
    mark = machines_view.marks(moved())[1]
    assert mark.href == "/settings?scope=room%3ARoom+1&key=skin.table_axes_verified"
