"""Several reports of one case: no event twice, none lost, totals never added blindly."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.merging import merge_reports
from dosetrack.records.report import (
    DoseReport,
    DoseTotal,
    Equipment,
    IrradiationEvent,
    Patient,
    Procedure,
    ReportIdentity,
)


def event(
    number: int, *, kerma: float = 10.0, plane: str = "single", start: str | None = None
) -> IrradiationEvent:
    return IrradiationEvent(
        uid=f"1.2.826.0.1.3680043.10.999.{number}",
        plane=plane,  # type: ignore[arg-type]
        type="fluoroscopy",
        started_at=start or f"2026-03-01T09:{number:02d}:00",
        reference_air_kerma_mgy=kerma,
        dose_area_product_gycm2=kerma / 10,
        duration_s=30.0,
    )


def report(
    name: str,
    events: list[IrradiationEvent],
    *,
    kerma: float | None = None,
    at: str = "2026-03-01T10:00:00",
    completion: str = "COMPLETE",
    station: str = "XA-1",
) -> DoseReport:
    total = sum(e.reference_air_kerma_mgy or 0 for e in events) if kerma is None else kerma
    return DoseReport(
        file=name,
        sha256=name,
        source="rdsr",
        report=ReportIdentity(
            sop_instance_uid=name, study_instance_uid="1.2.3", reported_at=at, completion=completion
        ),
        patient=Patient(id="P1"),
        equipment=Equipment(station=station),
        procedure=Procedure(label="invented"),
        totals=(DoseTotal(plane="single", basis="stated", reference_air_kerma_mgy=total),),
        events=tuple(events),
    )


def stated(reports: list[DoseReport]) -> float | None:
    rows = merge_reports(reports).stated
    return sum(r.reference_air_kerma_mgy or 0 for r in rows) if rows else None


def test_cumulative_report_replaces_the_totals_of_the_one_it_repeats() -> None:
    first = report("one", [event(1), event(2)])
    second = report("two", [event(1), event(2), event(3)], at="2026-03-01T10:30:00")
    merged = merge_reports([first, second])
    assert [e.event.uid for e in merged.events] == [event(n).uid for n in (1, 2, 3)]
    assert stated([first, second]) == 30.0
    assert merged.findings == ()


def test_incremental_reports_add() -> None:
    first = report("one", [event(1)])
    second = report("two", [event(2)], at="2026-03-01T10:30:00")
    assert stated([first, second]) == 20.0
    assert len(merge_reports([first, second]).events) == 2


def test_report_sent_again_under_another_uid_adds_nothing() -> None:
    events = [event(1), event(2)]
    assert stated([report("one", events), report("again", events)]) == 20.0
    assert len(merge_reports([report("one", events), report("again", events)]).events) == 2


def test_reports_without_events_are_taken_as_cumulative_when_no_total_falls() -> None:
    assert (
        stated([report("one", [], kerma=10.0), report("two", [], kerma=25.0, at="2026-03-01T11:00:00")])
        == 25.0
    )


def test_two_machines_add() -> None:
    assert stated([report("one", [event(1)]), report("two", [event(2)], station="XA-2")]) == 20.0


def test_partial_report_never_overrules_a_complete_one_however_late() -> None:
    complete = report("whole", [event(1, kerma=12.0)], at="2026-03-01T10:00:00")
    partial = report("part", [event(1, kerma=9.0)], at="2026-03-01T12:00:00", completion="PARTIAL")
    merged = merge_reports([complete, partial])
    assert [e.event.reference_air_kerma_mgy for e in merged.events] == [12.0]
    assert [f.code for f in merged.findings] == ["event-differs-between-reports"]


def test_event_told_differently_counts_as_the_latest_complete_report_says() -> None:
    merged = merge_reports(
        [
            report("one", [event(1, kerma=9.0)]),
            report("two", [event(1, kerma=12.0)], at="2026-03-01T11:00:00"),
        ]
    )
    assert [e.event.reference_air_kerma_mgy for e in merged.events] == [12.0]
    assert merged.findings[0].event_uid == event(1).uid


def test_same_uid_and_plane_with_different_starts_in_one_report_both_count() -> None:
    twice = [event(1), event(1, start="2026-03-01T09:40:00")]
    assert len(merge_reports([report("one", twice)]).events) == 2


def test_same_uid_in_two_planes_is_two_events() -> None:
    assert len(merge_reports([report("one", [event(1, plane="a"), event(1, plane="b")])]).events) == 2


def test_events_without_uid_are_told_apart_by_plane_start_kind_and_dose() -> None:
    nameless = [replace(event(n), uid=None) for n in (1, 2)]
    first = report("one", nameless[:1])
    second = report("two", nameless, at="2026-03-01T10:30:00")
    assert len(merge_reports([first, second]).events) == 2
    for change in ({"plane": "b"}, {"started_at": "2026-03-01T09:09:09"}, {"dose_area_product_gycm2": 9.0}):
        other = report("two", [replace(nameless[0], **change)], at="2026-03-01T10:30:00")
        assert len(merge_reports([first, other]).events) == 2


def test_reports_that_overlap_in_part_are_flagged_and_not_added() -> None:
    first = report("one", [event(1), event(2)])
    second = report("two", [event(2), event(3)], at="2026-03-01T11:00:00")
    merged = merge_reports([first, second])
    assert len(merged.events) == 3
    assert stated([first, second]) == 20.0
    assert [f.code for f in merged.findings] == ["reports-overlap-in-part"]


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)], ids=str)
def test_order_of_arrival_changes_no_total(order: tuple[int, ...]) -> None:
    reports = [
        report("one", [event(1)], at="2026-03-01T10:00:00", completion="PARTIAL"),
        report("two", [event(1), event(2)], at="2026-03-01T10:30:00", completion="PARTIAL"),
        report("three", [event(1), event(2), event(3)], at="2026-03-01T11:00:00"),
    ]
    shuffled = [reports[i] for i in order]
    assert stated(shuffled) == 30.0
    assert len(merge_reports(shuffled).events) == 3


@given(st.lists(st.integers(1, 30), min_size=1, max_size=20, unique=True), st.integers(0, 20))
def test_reading_a_report_twice_changes_nothing(numbers: list[int], cut: int) -> None:
    events = [event(n) for n in numbers]
    reports = [report("one", events[:cut]), report("two", events, at="2026-03-01T11:00:00")]
    once, twice = merge_reports(reports), merge_reports([*reports, *reports])
    assert once.events == twice.events
    assert stated(reports) == stated([*reports, replace(reports[1], sha256="again")])


def sourced(source: str, made: DoseReport, *, serial: str | None = None) -> DoseReport:
    machine = replace(made.equipment, serial=serial)
    return replace(made, source=source, equipment=machine, sha256=made.sha256 + source)  # type: ignore[arg-type]


def test_image_headers_and_steps_count_only_where_no_dose_report_of_the_machine_came() -> None:
    images = [sourced("xa-header", replace(report(f"i{n}", [event(n)]), totals=())) for n in (1, 2)]
    step = sourced("mpps", report("step", [event(7)], kerma=35.0))
    alone = merge_reports([*images, step])
    assert [e.event.uid for e in alone.events] == [event(1).uid, event(2).uid]
    assert [row.reference_air_kerma_mgy for row in alone.stated] == [35.0]
    with_report = merge_reports([*images, step, report("whole", [event(1), event(2), event(3)])])
    assert len(with_report.events) == 3
    assert [row.reference_air_kerma_mgy for row in with_report.stated] == [30.0]
    assert [f.code for f in with_report.findings] == ["second-choice-set-aside"] * 3


def test_second_choice_of_another_machine_still_counts() -> None:
    other = sourced("mpps", report("step", [], kerma=35.0, station="XA-2"))
    assert stated([report("whole", [event(1)]), other]) == 45.0


def test_second_choice_of_a_machine_not_named_is_set_aside_once_any_dose_report_came() -> None:
    nameless = replace(sourced("table", report("row", [], kerma=35.0)), equipment=Equipment())
    assert stated([nameless]) == 35.0
    assert stated([report("whole", [event(1)]), nameless]) == 10.0


def test_estimate_of_patient_dose_alone_adds_no_dose() -> None:
    estimate = sourced("patient-rdsr", replace(report("estimate", []), totals=()))
    assert stated([report("whole", [event(1)]), estimate]) == 10.0


def test_same_events_under_another_study_or_station_never_add() -> None:
    first = report("one", [event(1), event(2)])
    whole = report("two", [event(1), event(2), event(3)], at="2026-03-01T11:00:00")
    other_study = replace(whole, report=replace(whole.report, study_instance_uid="9.9"))
    assert stated([first, other_study]) == 30.0
    assert stated([first, replace(whole, equipment=Equipment(station="XA 1"))]) == 30.0


def test_step_without_a_serial_number_is_of_the_machine_with_its_station() -> None:
    whole = sourced("rdsr", report("whole", [event(1)]), serial="S-1")
    step = sourced("mpps", report("step", [event(7)], kerma=35.0))
    merged = merge_reports([whole, step])
    assert [e.event.uid for e in merged.events] == [event(1).uid]
    assert stated([whole, step]) == 10.0
    image = sourced("xa-header", replace(report("image", [event(1)]), totals=()), serial="S-1")
    assert [e.event.uid for e in merge_reports([image, step]).events] == [event(1).uid]
