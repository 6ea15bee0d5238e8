"""What in one report does not fit together is one finding per kind, naming the event that shows it most."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from dosetrack.findings import Finding
from dosetrack.readers.consistency import inconsistencies
from dosetrack.readers.consistency_dose import expected_reference_distance_mm
from dosetrack.records.report import DoseTotal, Filter, IrradiationEvent
from dosetrack.records.totals import summed_totals

# A field of 20 x 20 cm at the detector, 120 cm from the source, is 10 x 10 cm at 60 cm (intercept theorem):
# with 10 mGy there DAP is 1 Gy.cm2. The reference point is 15 cm from an isocentre at 75 cm.
GOOD = IrradiationEvent(
    uid="1.2.3.1",
    plane="single",
    type="fluoroscopy",
    started_at="2024-01-31T09:30:00",
    dose_area_product_gycm2=1.0,
    reference_air_kerma_mgy=10.0,
    duration_s=12.0,
    pulses=90.0,
    pulse_rate_hz=7.5,
    kvp=80.0,
    tube_current_ma=100.0,
    pulse_width_ms=7.0,
    filters=(Filter("copper", 0.3, 0.3),),
    source_to_isocenter_mm=750.0,
    source_to_detector_mm=1200.0,
    source_to_reference_point_mm=600.0,
    reference_point="15cm-from-isocenter",
    table_longitudinal_mm=10.0,
    table_lateral_mm=0.0,
    table_height_mm=-3.0,
    field_area_cm2=400.0,
    field_height_mm=200.0,
    field_width_mm=200.0,
)


def series(count: int = 4, **changes: object) -> list[IrradiationEvent]:
    """`count` good events, a minute apart, all changed alike."""
    start = datetime(2024, 1, 31, 9, 30)  # noqa: DTZ001
    return [
        replace(
            GOOD,
            uid=f"1.2.3.{n}",
            **{"started_at": (start + timedelta(minutes=n)).isoformat(), **changes},  # type: ignore[arg-type]
        )
        for n in range(count)
    ]


def found_in(
    events: list[IrradiationEvent],
    stated: tuple[DoseTotal, ...] | None = None,
    reported_at: str | None = "2024-01-31T18:00:00",
) -> dict[str, Finding]:
    summed = summed_totals(events)
    if stated is None:
        stated = tuple(replace(total, basis="stated") for total in summed if total.plane != "all")
    findings = inconsistencies(events=events, totals=(*stated, *summed), reported_at=reported_at)
    by_code = {one.code: one for one in findings}
    assert len(by_code) == len(findings)
    return by_code


def test_nothing_is_found_where_all_fits() -> None:
    assert found_in(series()) == {}
    assert found_in([]) == {}
    assert found_in([IrradiationEvent(), IrradiationEvent()]) == {}


@pytest.mark.parametrize("factor", [1.24, 1 / 1.24])
def test_a_quarter_more_or_less_field_is_no_finding(factor: float) -> None:
    assert found_in(series(field_area_cm2=400.0 / factor)) == {}


def test_the_field_that_fits_least_is_named_once() -> None:
    events = series(6)
    events[2] = replace(events[2], field_area_cm2=300.0)  # DAP tells 400 cm2: 1.33 times
    events[4] = replace(events[4], field_area_cm2=1000.0)  # 0.4 times
    found = found_in(events)
    assert set(found) == {"field-area-disagrees"}
    one = found["field-area-disagrees"]
    assert one.event_uid == "1.2.3.4"
    assert one.text.startswith("2 of 6 events")
    assert "0.4 times" in one.text


def test_the_field_is_judged_by_its_sides_where_no_area_is_told() -> None:
    assert found_in(series(field_area_cm2=None)) == {}
    assert set(found_in(series(field_area_cm2=None, field_width_mm=100.0))) == {"field-area-disagrees"}


def test_without_a_distance_the_definition_of_the_reference_point_serves() -> None:
    assert found_in(series(source_to_reference_point_mm=None)) == {}
    found = found_in(series(source_to_reference_point_mm=None, reference_point=None, field_area_cm2=99.0))
    assert found == {}  # not known where the reference point is: not judged


def test_faint_events_are_not_judged() -> None:
    # 0.4 mGy and one digit of DAP: the area is told by the rounding
    assert found_in(series(reference_air_kerma_mgy=0.4, dose_area_product_gycm2=0.02)) == {}


@pytest.mark.parametrize(
    ("changes", "power"),
    [
        ({"dose_area_product_gycm2": 1000.0}, "as if a number were 1000 times"),
        ({"dose_area_product_gycm2": 0.0001}, "as if a number were 1/10000 times"),
        ({"dose_area_product_gycm2": 11.0}, "as if a number were 10 times"),
        ({"field_area_cm2": 4.0}, "as if a number were 100 times"),
    ],
)
def test_a_right_unit_with_a_number_of_another_is_suspected(changes: dict[str, float], power: str) -> None:
    found = found_in(series(**changes))
    assert set(found) == {"dose-scale-suspect"}
    assert power in found["dose-scale-suspect"].text
    assert found["dose-scale-suspect"].severity == "error"


def test_without_fields_the_area_at_the_reference_plane_is_judged() -> None:
    bare = {"field_area_cm2": None, "field_height_mm": None, "field_width_mm": None}
    assert found_in(series(**bare)) == {}  # 100 cm2
    found = found_in(series(**bare, dose_area_product_gycm2=0.01))
    assert set(found) == {"scale-suspect"}
    assert "1 cm²" in found["scale-suspect"].text


@pytest.mark.parametrize(
    "changes",
    [
        {"kvp": 80000.0},  # volts
        {"kvp": 0.08},
        {"source_to_detector_mm": 120.0, "field_area_cm2": 4.0, "reference_point": None},  # centimetres
        {"pulse_width_ms": 0.007},  # seconds
        {"duration_s": 0.2},  # minutes
        {"duration_s": 12000.0, "started_at": None},  # milliseconds
        {"reference_air_kerma_mgy": 1e7, "dose_area_product_gycm2": 1e6},  # both a million times off
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_numbers_no_system_makes_are_suspected(changes: dict[str, object]) -> None:
    assert "scale-suspect" in {f.code for f in _all_found(series(**changes))}


def _all_found(events: list[IrradiationEvent]) -> tuple[Finding, ...]:
    return inconsistencies(events=events, totals=summed_totals(events), reported_at=None)


def test_reference_point_is_where_its_definition_puts_it() -> None:
    # PS3.16 CID 10025: 15 cm from isocentre, 30 cm from the detector, 100 cm from the source, detector plane
    expected = {"15cm-from-isocenter": 600, "30cm-from-detector": 900, "100cm-from-source": 1000,
                "in-detector-plane": 1200, "1cm-above-table": None, None: None}  # fmt: skip
    for point, distance in expected.items():
        assert expected_reference_distance_mm(replace(GOOD, reference_point=point)) == distance
    assert found_in(series(source_to_reference_point_mm=615.0)) == {}
    events = series(source_to_reference_point_mm=625.0)
    events[1] = replace(events[1], source_to_reference_point_mm=640.0)
    one = found_in(events)["reference-point-disagrees"]
    assert one.event_uid == "1.2.3.1"
    assert "640 mm" in one.text
    assert "by definition 600" in one.text


def test_event_after_the_report() -> None:
    found = found_in(series(), reported_at="2024-01-31T09:31:30")
    assert set(found) == {"event-after-report"}
    assert found["event-after-report"].event_uid == "1.2.3.3"
    assert found["event-after-report"].text.startswith("2 of 4 events")
    assert found_in(series(), reported_at="2024-01-31T09:31:30+01:00") == {}  # clocks not comparable
    assert found_in(series(), reported_at="2024-01-31") == {}


def test_events_out_of_order_are_told_per_plane() -> None:
    events = series()
    mixed = [events[1], events[0], events[2], events[3]]
    assert set(found_in(mixed)) == {"events-out-of-order"}
    # plane A first, then plane B: each is in order
    planes = [replace(e, plane="a") for e in series()] + [
        replace(e, plane="b", uid=f"{e.uid}.9") for e in series()
    ]
    assert found_in(planes) == {}


def test_overlap_of_one_plane() -> None:
    events = series()
    events[1] = replace(events[1], duration_s=75.0, pulses=None)
    found = found_in(events)
    assert set(found) == {"events-overlap"}
    assert found["events-overlap"].event_uid == "1.2.3.1"
    assert "15 s" in found["events-overlap"].text
    other_plane = [events[0], events[1], replace(events[2], plane=None), events[3]]
    assert found_in(other_plane, stated=()) == {}
    whole_seconds = series(duration_s=60.9, pulses=None)  # starts are told in whole seconds
    assert found_in(whole_seconds) == {}


def test_midnight_and_a_clock_set_back() -> None:
    events = series(3)
    events[0] = replace(events[0], started_at="2024-01-31T23:58:00")
    events[1] = replace(events[1], started_at="2024-01-31T00:01:00")
    events[2] = replace(events[2], started_at="2024-01-31T00:03:00")
    assert set(found_in(events, reported_at=None)) == {"date-not-advanced"}
    for n, clock in enumerate(("02:40:00", "02:55:00", "02:05:00")):  # 27 October 2024, summer time ends
        events[n] = replace(events[n], started_at=f"2024-10-27T{clock}")
    for reported_at in (None, "2024-10-27T02:10:00"):
        assert set(found_in(events, reported_at=reported_at)) == {"clock-set-back"}
    for n, clock in enumerate(("02:40:00+02:00", "02:55:00+02:00", "02:05:00+01:00")):
        events[n] = replace(events[n], started_at=f"2024-10-27T{clock}")
    assert found_in(events, reported_at=None) == {}


def test_bookkeeping_of_planes() -> None:
    both = [replace(one, plane="a") for one in series()] + [
        replace(one, plane="b", uid=f"{one.uid}.9") for one in series(2)
    ]
    of_a, of_b, _ = (replace(total, basis="stated") for total in summed_totals(both))
    assert found_in(both, (of_a, of_b)) == {}
    assert set(found_in(both, (of_a,))) == {"plane-without-totals"}
    assert set(found_in(both[:4], (of_a, of_b))) == {"totals-without-events"}
    assert found_in(both[:4], (of_a, DoseTotal(plane="b", basis="stated", dose_area_product_gycm2=0.0))) == {}
    mixed = [*both[:4], replace(both[4], plane="single")]
    assert "planes-mixed" in found_in(mixed, (of_a,))
    assert set(found_in(both, (replace(of_a, plane="all"),))) == {"all-planes-together"}


def test_zeros_that_cannot_be() -> None:
    events = series()
    events[1] = replace(events[1], reference_air_kerma_mgy=0.0, dose_area_product_gycm2=2.0)
    events[2] = replace(events[2], dose_area_product_gycm2=0.0)
    events[3] = replace(events[3], field_area_cm2=0.0)
    found = found_in(events)
    assert set(found) == {"kerma-zero-with-dap", "dap-zero-with-kerma", "field-zero"}
    assert found["kerma-zero-with-dap"].event_uid == "1.2.3.1"
    assert found["dap-zero-with-kerma"].event_uid == "1.2.3.2"
    assert found["field-zero"].event_uid == "1.2.3.3"
    faint = series(reference_air_kerma_mgy=0.0, dose_area_product_gycm2=0.01)
    assert found_in(faint) == {}
    still = {"table_longitudinal_mm": 0.0, "table_lateral_mm": 0.0, "table_height_mm": 0.0}
    assert set(found_in(series(**still))) == {"table-at-zero"}
    assert found_in(series(1, **still)) == {}


def test_filters_that_cannot_be() -> None:
    found = found_in(series(filters=(Filter("aluminium", 2.0, 1.0), Filter("copper", 300.0, 300.0))))
    assert set(found) == {"filter-thickness-reversed", "copper-too-thick"}
    assert "300 mm" in found["copper-too-thick"].text
    assert "from 2 mm down to 1 mm" in found["filter-thickness-reversed"].text


def test_totals_a_little_above_every_sum_look_as_if_events_were_left_out() -> None:
    (stated, _) = summed_totals(series(20))
    found = found_in(series(19), (replace(stated, basis="stated"),))
    assert set(found) == {"events-left-out"}
    assert "DAP 5 %" in found["events-left-out"].text
    below = replace(stated, basis="stated", fluoroscopy_time_s=100.0)
    assert found_in(series(19), (below,)) == {}
