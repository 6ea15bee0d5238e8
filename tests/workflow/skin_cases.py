"""Invented events whose skin dose is known in closed form: one straight beam under the table."""

from __future__ import annotations

from dataclasses import replace

from dosetrack.records.report import Filter, IrradiationEvent
from tests.workflow.invented import event


def straight_event(number: int, *, kerma: float = 1000.0, longitudinal_mm: float = 0.0) -> IrradiationEvent:
    """Tube under the table, 100 mm square field at the reference plane's depth of the detector."""
    return replace(
        event(number, kerma=kerma),
        kvp=80.0,
        filters=(Filter("copper", 0.2, 0.2),),
        primary_angle_deg=0.0,
        secondary_angle_deg=0.0,
        source_to_isocenter_mm=750.0,
        source_to_detector_mm=1100.0,
        source_to_reference_point_mm=600.0,
        field_width_mm=160.0,
        field_height_mm=160.0,
        table_longitudinal_mm=900.0 + longitudinal_mm,
        table_lateral_mm=10.0,
        table_height_mm=850.0,
        patient_position="HFS",
    )
