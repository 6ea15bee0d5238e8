"""Axes, signs, calibration, clock and conformance of a machine, by hand-made cases."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dosetrack.audit.machine_axes import angle_ranges, axis_spreads
from dosetrack.audit.machine_conformance import conformance_of
from dosetrack.audit.machine_facts import CaseOfMachine, MachineKey
from dosetrack.audit.machine_wording import clock_words, conformance_words, percent
from dosetrack.audit.machines import CalibrationFactor, calibration_of, clock_bound, months_after
from dosetrack.records.template import ItemCount, TemplateCheck, TemplateIssue

EVERYDAY = {"longitudinal": "+z", "lateral": "+x", "height": "+y"}
STANDARD = {"longitudinal": "+x", "lateral": "+z", "height": "+y"}


def case(number, ways, *, angles=((-30.0, 40.0), (-20.0, 20.0)), events=100, plane="single"):
    return CaseOfMachine(
        case_id=f"case-{number}",
        day="2026-01-02",
        room="Room 1",
        machine=MachineKey("INV-1", None),
        plane=plane,
        events=events,
        field_ratio=None,
        field_events=0,
        kerma_per_pulse_mgy=None,
        kerma_per_frame_mgy=None,
        reference_points=(),
        table_mm=tuple(None if way is None else (5.0, 5.0 + way) for way in ways),
        angles_deg=angles,
    )


def run_offs(*ways):
    return [case(number, ways) for number in range(10)]


def test_axes_as_set_raise_no_doubt():
    spreads = axis_spreads(run_offs(700.0, 120.0, 60.0), EVERYDAY)
    assert [one.doubt for one in spreads] == [None] * 3
    assert [(one.median_mm, one.most_mm, one.beyond) for one in spreads] == [
        (700.0, 700.0, 10),
        (120.0, 120.0, 0),
        (60.0, 60.0, 0),
    ]


def test_swapped_axes_are_hinted_from_both_sides():
    """The machine's lateral runs along the table, as the standard has it; the setting says otherwise."""
    longitudinal, lateral, height = axis_spreads(run_offs(120.0, 700.0, 60.0), EVERYDAY)
    assert "may run along the table" in lateral.doubt
    assert "lateral reading" in longitudinal.doubt
    assert height.doubt is None
    assert [one.doubt for one in axis_spreads(run_offs(120.0, 700.0, 60.0), STANDARD)] == [None] * 3


def test_table_that_is_not_told_or_does_not_move_raises_no_doubt():
    assert [one.cases for one in axis_spreads(run_offs(None, None, None), EVERYDAY)] == [0, 0, 0]
    assert [one.doubt for one in axis_spreads(run_offs(0.0, 0.0, 0.0), EVERYDAY)] == [None] * 3
    assert [one.cases for one in axis_spreads([], EVERYDAY)] == [0, 0, 0]


def test_two_planes_of_a_case_count_its_table_once():
    cases = [case(1, (10.0, 5.0, 2.0), plane="a"), case(1, (10.0, 5.0, 2.0), plane="b")]
    assert axis_spreads(cases, EVERYDAY)[0].cases == 1


@pytest.mark.parametrize(
    ("span", "events", "word"),
    [
        ((-30.0, 40.0), 500, None),
        ((0.0, 40.0), 500, "RAO"),
        ((-40.0, 0.0), 500, "LAO"),
        ((0.0, 0.0), 500, "may not be measured"),
        ((0.0, 40.0), 10, None),
        (None, 500, None),
    ],
)
def test_angles_of_one_sign_are_told(span, events, word):
    primary, _ = angle_ranges([case(1, (None,) * 3, angles=(span, (-1.0, 1.0)), events=events)])
    assert (primary.doubt is None) if word is None else (word in primary.doubt)
    assert (primary.low_deg, primary.high_deg) == (span or (None, None))


def factor(valid_from, plane="a"):
    return CalibrationFactor("Room 1", plane, 1.04, valid_from, None, "Invented Physicist")


def calibrated(factors, today="2026-11-25", planes=("single",), months=12):
    return calibration_of(factors, interval_months=months, today=today, planes=planes)


def test_calibration_is_due_an_interval_after_the_newest_factor():
    assert calibrated([factor("2024-05-01"), factor("2025-12-01")]).next_due == "2026-12-01"
    assert calibrated([factor("2025-12-01")]).state == "not due yet"
    assert calibrated([factor("2025-11-25")]).state == "due", "on the day itself"
    assert calibrated([]).state == "no factor set"


def test_both_planes_want_a_factor_and_the_older_decides():
    assert calibrated([factor("2026-03-01")], planes=("a", "b")).state == "no factor set"
    both = [factor("2026-03-01"), factor("2025-06-30", plane="b")]
    assert calibrated(both, planes=("a", "b")).next_due == "2026-06-30"
    assert calibrated(both, planes=("a",)).next_due == "2027-03-01"


@pytest.mark.parametrize(
    ("day", "months", "expected"),
    [
        ("2024-02-29", 12, "2025-02-28"),
        ("2026-01-31", 1, "2026-02-28"),
        ("2026-12-31", 6, "2027-06-30"),
        ("2026-05-14", 24, "2028-05-14"),
    ],
)
def test_months_after(day, months, expected):
    assert months_after(day, months) == expected


@pytest.mark.parametrize(
    ("lags", "word"),
    [
        ([-300.0, 5.0], "at least 5 min ahead"),
        ([30.0, 90_000.0], "at most 30 s behind"),
        ([-5.0, 60.0], "not shown to be ahead"),
        ([90_000.0], "cannot tell"),
        ([], "cannot tell"),
    ],
)
def test_clock_is_bounded_by_the_shortest_way_to_us(lags, word):
    assert word in clock_words(clock_bound(lags))


EVENT = "irradiation_event_x_ray_data"
ISSUE = TemplateIssue(EVENT, "KVP", "113733 DCM", 3, 4)


def check(**changed):
    sent = (
        ItemCount("x_ray_radiation_dose_report", "Irradiation Event X-Ray Data", "113706 DCM", 4, 1, True),
        ItemCount(EVENT, "KVP", "113733 DCM", 1, 1, True),
    )
    return replace(TemplateCheck(template="TID 10001", sent=sent), **changed)


def test_conformance_counts_reports_and_containers():
    private = TemplateIssue(EVENT, "Patient thickness", "X12 99INV", 4, 4)
    unit = TemplateIssue(EVENT, "Dose Area Product", "122130 DCM", 4, 4, "sent in dGy.cm2 (4)")
    checks = [check(missing=(ISSUE,), wrong_unit=(unit,)), check(missing=(ISSUE,), unknown_items=(private,))]
    card = conformance_of([*checks, None])
    assert (card.checked, card.not_checked, card.schemes) == (2, 1, ("99INV",))
    (missing,) = card.of_kind("missing")
    assert (missing.reports, missing.count, missing.of) == (2, 6, 8)
    (found,) = card.of_kind("in another unit")
    assert (found.reports, found.note) == (1, "sent in dGy.cm2 (4)")
    kvp = next(one for one in card.sent if one.item == "KVP")
    assert (kvp.reports, kvp.share) == (2, pytest.approx(2 / 8))
    words = conformance_words(card)
    assert "1 required item missing, 1 in another unit, private schemes 99INV" in words


def test_conformance_of_nothing():
    assert conformance_of([]).checked == 0
    assert "no report" in conformance_words(conformance_of([None]))


@pytest.mark.parametrize(("change", "words"), [(0.104, "+10 %"), (-0.14, "−14 %"), (-0.004, "0 %")])
def test_percent(change, words):
    assert percent(change) == words
