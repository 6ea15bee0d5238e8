"""One dose report as it was sent: identity, people, equipment, totals and irradiation events.

Field names are the keys of the JSON document of `dosetrack read`; each number's name ends in its
unit. Absent is None. Times are ISO 8601 text with the digits the machine sent and its offset
where it sent one; they are never converted here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from dosetrack.findings import Finding

PlaneName = Literal["single", "a", "b", "all"]
Basis = Literal["stated", "summed"]
Source = Literal["rdsr", "xa-header", "mpps", "patient-rdsr", "enhanced-rdsr", "table"]


@dataclass(frozen=True, slots=True)
class Patient:
    """Who was irradiated, as one source wrote it. birth_date is YYYY-MM-DD; sex is 'F', 'M' or 'O'."""

    id: str | None = None
    id_issuer: str | None = None
    name: str | None = None
    sex: str | None = None
    birth_date: str | None = None
    weight_kg: float | None = None
    height_cm: float | None = None


@dataclass(frozen=True, slots=True)
class Equipment:
    """The x-ray system."""

    manufacturer: str | None = None
    model: str | None = None
    station: str | None = None
    serial: str | None = None
    institution: str | None = None


@dataclass(frozen=True, slots=True)
class Procedure:
    """What was done. `label` is chosen by the order of preference of the JSON contract."""

    label: str | None = None
    code: str | None = None
    coding_scheme: str | None = None
    started_at: str | None = None
    ended_at: str | None = None


@dataclass(frozen=True, slots=True)
class ReportIdentity:
    """Which object it is. completion: 'COMPLETE', 'PARTIAL' or None."""

    sop_class_uid: str | None = None
    sop_instance_uid: str | None = None
    study_instance_uid: str | None = None
    accession_number: str | None = None
    completion: str | None = None
    reported_at: str | None = None


@dataclass(frozen=True, slots=True)
class DoseTotal:
    """Totals of one plane (or 'all'), stated by the machine or summed from its unique events."""

    plane: PlaneName
    basis: Basis
    dose_area_product_gycm2: float | None = None
    reference_air_kerma_mgy: float | None = None
    fluoroscopy_time_s: float | None = None
    fluoroscopy_dose_area_product_gycm2: float | None = None
    fluoroscopy_reference_air_kerma_mgy: float | None = None
    acquisition_time_s: float | None = None
    acquisition_dose_area_product_gycm2: float | None = None
    acquisition_reference_air_kerma_mgy: float | None = None


@dataclass(frozen=True, slots=True)
class Filter:
    """One x-ray filter; a flat one has equal thicknesses [mm]. material: 'aluminium', 'copper' ..."""

    material: str | None = None
    min_mm: float | None = None
    max_mm: float | None = None


@dataclass(frozen=True, slots=True)
class IrradiationEvent:
    """One irradiation event of one plane, as sent.

    A quantity that came with several values is their arithmetic mean; `exposure_uas` is the sum
    when one came per pulse, else None. Angles [deg]: primary LAO > 0, secondary cranial > 0. `table_*_mm` are
    the raw readings, axes unmapped; `table_*_to_isocenter_mm` those from the isocentre, in the
    isocentre system of PS3.3. `field_*` are at the detector plane. `type` is 'fluoroscopy',
    'stationary', 'stepping', 'rotational' or the report's own word.
    """

    uid: str | None = None
    plane: PlaneName | None = None
    type: str | None = None
    started_at: str | None = None
    protocol: str | None = None
    dose_area_product_gycm2: float | None = None
    reference_air_kerma_mgy: float | None = None
    duration_s: float | None = None
    pulses: float | None = None
    pulse_rate_hz: float | None = None
    frames: float | None = None
    kvp: float | None = None
    tube_current_ma: float | None = None
    pulse_width_ms: float | None = None
    exposure_uas: float | None = None
    filters: tuple[Filter, ...] = ()
    primary_angle_deg: float | None = None
    secondary_angle_deg: float | None = None
    primary_end_angle_deg: float | None = None
    secondary_end_angle_deg: float | None = None
    source_to_isocenter_mm: float | None = None
    source_to_detector_mm: float | None = None
    source_to_reference_point_mm: float | None = None
    reference_point: str | None = None
    table_longitudinal_mm: float | None = None
    table_lateral_mm: float | None = None
    table_height_mm: float | None = None
    table_longitudinal_end_mm: float | None = None
    table_lateral_end_mm: float | None = None
    table_height_end_mm: float | None = None
    field_area_cm2: float | None = None
    field_height_mm: float | None = None
    field_width_mm: float | None = None
    patient_position: str | None = None
    column_angulation_deg: float | None = None
    table_rotation_deg: float | None = None
    table_head_tilt_deg: float | None = None
    table_cradle_tilt_deg: float | None = None
    table_x_to_isocenter_mm: float | None = None
    table_y_to_isocenter_mm: float | None = None
    table_z_to_isocenter_mm: float | None = None
    source_to_table_mm: float | None = None


@dataclass(frozen=True, slots=True)
class DoseReport:
    """One report, whole. `file` is the name it was read under, `sha256` of its original bytes."""

    file: str
    sha256: str
    source: Source
    report: ReportIdentity
    patient: Patient
    equipment: Equipment
    procedure: Procedure
    operators: tuple[str, ...] = ()
    totals: tuple[DoseTotal, ...] = ()
    events: tuple[IrradiationEvent, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class RefusedFile:
    """A file that could not be used, and why, in one sentence."""

    file: str
    reason: str
