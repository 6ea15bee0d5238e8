"""An invented event and an invented body for the tests of how events are placed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from dosetrack.records.report import IrradiationEvent
from dosetrack.skin.body import patient_surface, sheet
from dosetrack.skin.model import PlacedCase
from dosetrack.skin.placing import placed_case
from dosetrack.skin.setup import PatientSetup, SystemSetup, TableAxes

EVENT = IrradiationEvent(
    uid="1.1",
    plane="single",
    type="fluoroscopy",
    started_at="2026-03-01T10:00:00",
    dose_area_product_gycm2=1.0,
    reference_air_kerma_mgy=10.0,
    kvp=80.0,
    primary_angle_deg=0.0,
    secondary_angle_deg=0.0,
    source_to_isocenter_mm=750.0,
    source_to_detector_mm=1100.0,
    source_to_reference_point_mm=600.0,
    table_longitudinal_mm=300.0,
    table_lateral_mm=10.0,
    table_height_mm=-50.0,
    field_width_mm=160.0,
    field_height_mm=160.0,
    patient_position="HFS",
)
VERIFIED = SystemSetup(
    table_axes=TableAxes(is_verified=True),
    calibration_factor=(("single", 1.0), ("a", 1.0), ("b", 1.0)),
    table_transmission=0.8,
    is_transmission_measured=True,
    table_half_width_mm=225.0,
    table_length_mm=2800.0,
    pad_mm=25.0,
)
PATIENT = PatientSetup(height_cm=170.0, weight_kg=70.0, sex="M", region="abdomen", arms="raised")
BODY = patient_surface(PATIENT, spacing_mm=30.0)
SHEET = sheet(height_cm=170.0, spacing_mm=30.0)


def event(**facts: object) -> IrradiationEvent:
    """The invented event with some of its facts other."""
    return replace(EVENT, **facts)  # type: ignore[arg-type]


def events(*facts: Mapping[str, object]) -> list[IrradiationEvent]:
    """One event for each set of facts, a minute apart, with uids 1, 2, 3 ..."""
    return [
        event(uid=str(number), started_at=f"2026-03-01T10:{number:02d}:00", **fact)
        for number, fact in enumerate(facts, start=1)
    ]


def placed(
    of: Sequence[IrradiationEvent],
    *,
    system: SystemSetup = VERIFIED,
    patient: PatientSetup = PATIENT,
    surface: object = BODY,
) -> PlacedCase:
    """The case of these events in a room of which everything is known but the height."""
    return placed_case(of, system=system, patient=patient, surface=surface)  # type: ignore[arg-type]


def keys(case: PlacedCase) -> set[str]:
    """Keys of what was assumed."""
    return {one.key for one in case.assumed}


def codes(case: PlacedCase) -> list[str]:
    """Codes of the findings."""
    return [one.code for one in case.findings]


def text_of(case: PlacedCase, key: str) -> str:
    """What is said of the assumption `key`."""
    return "; ".join(one.text for one in case.assumed if one.key == key)
