"""Machines over a real ledger: what is taken in is seen, settings count, nothing goes stale."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dosetrack.exchange.rdsr import write_report
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import (
    DoseReport,
    Equipment,
    IrradiationEvent,
    Patient,
    Procedure,
    ReportIdentity,
)

PHYSICIST = Actor("Invented Physicist", Role.PHYSICS)


def report(number, *, serial="S1", month=1, dap_factor=1.0, way=300.0):
    """A report of an invented patient: 200 mGy on 500 cm2 at 1000 mm, so 36 Gy.cm2 at 600 mm."""
    day = f"2026-{month:02}-{1 + number % 27:02}"
    events = tuple(
        IrradiationEvent(
            uid=f"1.2.826.0.1.7.{number}.{index}",
            plane="single",
            type="fluoroscopy",
            started_at=f"{day}T09:0{index}:00+00:00",
            dose_area_product_gycm2=36.0 * dap_factor,
            reference_air_kerma_mgy=200.0,
            field_height_mm=200.0,
            field_width_mm=250.0,
            field_area_cm2=500.0,
            source_to_detector_mm=1000.0,
            source_to_isocenter_mm=750.0,
            reference_point="15cm-from-isocenter",
            duration_s=60.0,
            kvp=80.0,
            table_longitudinal_mm=10.0 + index * 10.0,
            table_lateral_mm=index * way,
            table_height_mm=5.0,
        )
        for index in (1, 2)
    )
    return DoseReport(
        file=f"invented-{number}.dcm",
        sha256="",
        source="rdsr",
        report=ReportIdentity(
            sop_class_uid="1.2.840.10008.5.1.4.1.1.88.67",
            sop_instance_uid=f"1.2.826.0.1.7.{number}.100",
            study_instance_uid=f"1.2.826.0.1.7.{number}.200",
            accession_number=f"ACC{number}",
            completion="COMPLETE",
            reported_at=f"{day}T09:30:00+00:00",
        ),
        patient=Patient(id=f"INV-{number}", id_issuer="INVENTED"),
        equipment=Equipment("Invented Maker", "Model 1", f"ROOM-{serial}", serial, "Invented Hospital"),
        procedure=Procedure(label="Invented embolisation", started_at=f"{day}T09:00:00+00:00"),
        events=events,
    )


def take_in(workflow, *reports):
    for one in reports:
        workflow.take_in_bytes(write_report(one), file=one.file)


@pytest.fixture
def held(workflow):
    take_in(workflow, *[report(n, month=1 + n // 7, dap_factor=1.2 if n >= 28 else 1.0) for n in range(49)])
    take_in(workflow, report(100, serial="S2"))
    return workflow


def of(workflow, serial="S1", **options):
    found = workflow.machines("2026-01-01", "2026-12-31", **options)
    return next(machine for machine in found.machines if machine.facts.key.serial == serial)


def test_meter_that_moves_is_found_in_what_was_taken_in(held):
    """Seven cases a month; from the fifth month on the meter reads 20 % more."""
    machine = of(held, with_conformance=False)
    (drift,) = machine.drifts
    assert drift.verdict == "moved"
    assert drift.change == pytest.approx(0.2, rel=1e-6)
    assert drift.moved_since == "2026-05"
    assert (machine.cases, machine.events, machine.facts.reports) == (49, 98, 49)


def test_machines_are_kept_apart_and_one_report_has_defined_results(held):
    other = of(held, "S2")
    assert other.cases == 1
    assert other.drifts[0].verdict == "not enough cases"
    assert other.conformance.checked == 1
    assert of(held).conformance.checked == 20


def test_new_reports_are_seen_without_reading_all_again(held):
    before = of(held, with_conformance=False)
    take_in(held, report(200, month=7, dap_factor=1.2))
    after = of(held, with_conformance=False)
    assert (before.cases, after.cases) == (49, 50)
    assert after.drifts[0].months[-1].ratio.n == before.drifts[0].months[-1].ratio.n + 1


def test_report_sent_again_counts_once(held):
    one = report(100, serial="S2")
    take_in(held, replace(one, report=replace(one.report, sop_instance_uid="1.2.826.0.1.7.9")))
    assert of(held, "S2", with_conformance=False).events == 2


def test_settings_of_the_room_count(held):
    machine = of(held, with_conformance=False)
    room = machine.facts.rooms[0]
    assert machine.axes_verified is False
    assert machine.calibration.state == "no factor set"
    for key, value in (("skin.table_axes_verified", "yes"), ("radiation.calibration_factor", "1.05")):
        held.change_setting(
            key=key,
            scope=f"room:{room}",
            value=value,
            valid_from="2024-05-01",
            actor=PHYSICIST,
            reason="test",
        )
    machine = of(held, with_conformance=False)
    assert machine.axes_verified is True
    assert machine.calibration.next_due == "2025-05-01"
    assert [(f.factor, f.by) for f in machine.calibration.factors] == [(1.05, "Invented Physicist")]


def test_lateral_reading_that_runs_far_is_hinted(workflow):
    take_in(workflow, *[report(n, way=500.0) for n in range(3)])
    lateral = next(axis for axis in of(workflow, with_conformance=False).axes if axis.reading == "lateral")
    assert lateral.most_mm == pytest.approx(500.0)
    assert "may run along the table" in lateral.doubt


def test_ledger_without_reports_has_no_machines(workflow):
    assert workflow.machines().machines == ()
