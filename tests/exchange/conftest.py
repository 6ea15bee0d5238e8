"""Hand-made reports with round, different numbers, so that a swapped item shows."""

from __future__ import annotations

import pytest

from dosetrack.records.report import (
    DoseReport,
    DoseTotal,
    Equipment,
    Filter,
    IrradiationEvent,
    Patient,
    Procedure,
    ReportIdentity,
)


def make_event(number: int, *, plane: str = "single", kind: str = "fluoroscopy") -> IrradiationEvent:
    return IrradiationEvent(
        uid=f"1.2.3.4.{number + 1}",
        plane=plane,  # type: ignore[arg-type]
        type=kind,
        started_at=f"2025-03-01T09:{number % 60:02d}:40.25+01:00",
        protocol="Abdomen low",
        dose_area_product_gycm2=1.25 + number,
        reference_air_kerma_mgy=10.5 + number,
        duration_s=12.4,
        pulses=93.0,
        pulse_rate_hz=7.5,
        kvp=78.5,
        tube_current_ma=101.5,
        pulse_width_ms=6.2,
        exposure_uas=58526.4,
        filters=(Filter("copper", 0.3, 0.3), Filter("aluminium", 1.0, 1.5)),
        primary_angle_deg=-24.5,
        secondary_angle_deg=11.25,
        primary_end_angle_deg=95.0 if kind == "rotational" else None,
        secondary_end_angle_deg=0.5 if kind == "rotational" else None,
        source_to_isocenter_mm=785.0,
        source_to_detector_mm=1105.0,
        source_to_reference_point_mm=635.0,
        reference_point="15cm-from-isocenter",
        table_longitudinal_mm=-101.5,
        table_lateral_mm=33.25,
        table_height_mm=-15.5,
        table_longitudinal_end_mm=-99.5,
        table_lateral_end_mm=34.5,
        table_height_end_mm=-14.5,
        field_area_cm2=480.5,
        field_height_mm=219.5,
        field_width_mm=218.9,
        patient_position="HFS",
        column_angulation_deg=2.5,
        table_rotation_deg=-7.25,
        table_head_tilt_deg=4.5,
        table_cradle_tilt_deg=-1.75,
        table_x_to_isocenter_mm=-12.5,
        table_y_to_isocenter_mm=143.25,
        table_z_to_isocenter_mm=801.5,
        source_to_table_mm=642.5,
    )


def make_report(
    events: tuple[IrradiationEvent, ...], totals: tuple[DoseTotal, ...] | None = None
) -> DoseReport:
    stated = totals or (
        DoseTotal(
            plane="single",
            basis="stated",
            dose_area_product_gycm2=123.75,
            reference_air_kerma_mgy=1234.5,
            fluoroscopy_time_s=601.5,
            fluoroscopy_dose_area_product_gycm2=23.75,
            fluoroscopy_reference_air_kerma_mgy=234.5,
            acquisition_time_s=44.5,
            acquisition_dose_area_product_gycm2=100.0,
            acquisition_reference_air_kerma_mgy=1000.0,
        ),
    )
    return DoseReport(
        file="made.dcm",
        sha256="",
        source="rdsr",
        report=ReportIdentity(
            sop_class_uid="1.2.840.10008.5.1.4.1.1.88.67",
            sop_instance_uid="1.2.3.9.1",
            study_instance_uid="1.2.3.9.2",
            accession_number="DEMO-A1",
            completion="COMPLETE",
            reported_at="2025-03-01T10:20:00+01:00",
        ),
        patient=Patient(
            id="DEMO-1",
            id_issuer="INVENTED",
            name="Łąkowska-Demo^Zoë",
            sex="F",
            birth_date="1950-02-03",
            weight_kg=71.5,
            height_cm=163.0,
        ),
        equipment=Equipment("Invented Works", "Demo C-arm", "Room 1", "D-1", "Invented Hospital"),
        procedure=Procedure(
            "Demo procedure", "DEMO-P", "99DEMO", "2025-03-01T09:00:00+01:00", "2025-03-01T10:10:00+01:00"
        ),
        operators=("Quill-Demo^Amber", "Reed-Demo^Noor"),
        totals=stated,
        events=events,
    )


@pytest.fixture(scope="session")
def report() -> DoseReport:
    kinds = ("fluoroscopy", "stationary", "stepping", "rotational")
    return make_report(tuple(make_event(number, kind=kinds[number % 4]) for number in range(8)))
