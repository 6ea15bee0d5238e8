"""The rooms, operators and procedures of the invented department, read from the packaged tables."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from zoneinfo import ZoneInfo

from dosetrack.exchange.encoding import TransferSyntax
from dosetrack.exchange.rdsr import TargetRegion, WriteOptions
from dosetrack.records.entries import InjectionSite
from dosetrack.records.report import Equipment
from dosetrack.tables import rows

INSTITUTION = "Invented Hospital"
ZONE = ZoneInfo("Europe/Madrid")
"""Zone of every room's clock."""

DEPARTMENT_SETTINGS: dict[str, str] = {
    "site.name": "Invented Hospital, fluoroscopy rooms (demonstration)",
    "site.time_zone": ZONE.key,
    "site.people": "Birch-Demo (nurse)\nLarch-Demo (radiographer)\nNoor Reed-Demo\nMara Teasel-Demo",
    "room.usual_volumes_ml": "4 5 6 8 12",
    "contrast.apply_ratios_to_venous": "yes",
}
"""Site settings of the department, by key of `settings.csv`, valid from its first day."""


@dataclass(frozen=True, slots=True)
class Arm:
    """Distances from the focus of one plane [mm]."""

    isocenter_mm: float
    detector_mm: float
    reference_point_mm: float


@dataclass(frozen=True, slots=True)
class SampleRoom:
    """One x-ray room.

    groups : kinds of procedure done in it: 'body', 'heart', 'head'
    arms : one per plane
    field_limit_mm : side of the detector
    kerma_factor : its dose relative to the department's
    sends_offset : whether its times carry their offset from UTC
    dap_meter_factor : what its DAP meter reads of the truth from month `dap_meter_from_month` on; 0: never
    """

    name: str
    groups: tuple[str, ...]
    equipment: Equipment
    arms: tuple[Arm, ...]
    field_limit_mm: float
    is_mobile: bool
    sends_offset: bool
    kerma_factor: float
    drift_per_month: float
    drift_from_month: int
    step_factor: float
    step_from_month: int
    dap_meter_factor: float
    dap_meter_from_month: int

    def dose_factor(self, month: int) -> float:
        """Its dose in month `month` of the department (from 0), relative to the department's."""
        factor = self.kerma_factor * (1 + self.drift_per_month) ** max(0, month - self.drift_from_month)
        has_step = self.step_from_month and month >= self.step_from_month
        return factor * self.step_factor if has_step else factor

    def dap_factor(self, month: int) -> float:
        """What its DAP meter reads in month `month`, relative to the truth."""
        has_moved = self.dap_meter_from_month and month >= self.dap_meter_from_month
        return self.dap_meter_factor if has_moved else 1.0


@dataclass(frozen=True, slots=True)
class SampleOperator:
    """One operator; factors are relative to the department's."""

    name: str
    group: str
    kerma_factor: float
    time_factor: float


@dataclass(frozen=True, slots=True)
class SampleProcedure:
    """One procedure.

    rooms : (room name, weight)
    reference_air_kerma_mgy : median of the sum over planes, for a person of average build
    spread : geometric standard deviation of it
    field_cm2 : typical field at the reference point
    acquisition_dose_share, acquisition_event_share : part of the kerma, and of the events, of acquisitions
    size_effect_per_cm : relative growth of kerma per cm of equivalent diameter of the body
    views : usual (primary, secondary) angles [deg]
    """

    key: str
    label: str
    code: str
    group: str
    region: TargetRegion
    rooms: tuple[tuple[str, int], ...]
    per_month: float
    reference_air_kerma_mgy: float
    spread: float
    field_cm2: float
    fluoroscopy_min: float
    acquisition_dose_share: float
    acquisition_event_share: float
    events: int
    size_effect_per_cm: float
    views: tuple[tuple[float, float], ...]
    contrast_ml: float
    injection_site: InjectionSite
    concentration_mgi_ml: float


@cache
def rooms() -> dict[str, SampleRoom]:
    """Every room by name."""
    return {row["name"]: _room(row) for row in rows("sample_rooms")}


def _room(row: dict[str, str]) -> SampleRoom:
    arms = [_arm(row["isocenter_mm"], row["detector_mm"], is_mobile=row["is_mobile"] == "yes")]
    if row["is_biplane"] == "yes":
        arms.append(_arm(row["isocenter_b_mm"], row["detector_b_mm"], is_mobile=False))
    return SampleRoom(
        name=row["name"],
        groups=tuple(row["groups"].split()),
        equipment=Equipment(row["manufacturer"], row["model"], row["name"], row["serial"], INSTITUTION),
        arms=tuple(arms),
        field_limit_mm=float(row["field_limit_mm"]),
        is_mobile=row["is_mobile"] == "yes",
        sends_offset=row["sends_offset"] == "yes",
        kerma_factor=float(row["kerma_factor"]),
        drift_per_month=float(row["drift_per_month"]),
        drift_from_month=int(row["drift_from_month"]),
        step_factor=float(row["step_factor"]),
        step_from_month=int(row["step_from_month"]),
        dap_meter_factor=float(row["dap_meter_factor"]),
        dap_meter_from_month=int(row["dap_meter_from_month"]),
    )


def _arm(isocenter_mm: str, detector_mm: str, *, is_mobile: bool) -> Arm:
    isocenter, detector = float(isocenter_mm), float(detector_mm)
    # PS3.16 CID 10025: 15 cm from the isocentre, or 30 cm in front of the image input surface
    return Arm(isocenter, detector, detector - 300.0 if is_mobile else isocenter - 150.0)


@cache
def operators() -> tuple[SampleOperator, ...]:
    """Every operator."""
    return tuple(
        SampleOperator(row["name"], row["group"], float(row["kerma_factor"]), float(row["time_factor"]))
        for row in rows("sample_operators")
    )


@cache
def procedures() -> dict[str, SampleProcedure]:
    """Every procedure by key."""
    return {row["key"]: _procedure(row) for row in rows("sample_procedures")}


def _procedure(row: dict[str, str]) -> SampleProcedure:
    weights = [part.rpartition(":") for part in row["rooms"].replace(" Room", "|Room").split("|")]
    views = [view.split("/") for view in row["views"].split()]
    return SampleProcedure(
        key=row["key"],
        label=row["label"],
        code=row["code"],
        group=row["group"],
        region=row["region"],  # type: ignore[arg-type]  # words of the table are the literal's
        rooms=tuple((name, int(weight)) for name, _, weight in weights),
        per_month=float(row["per_month"]),
        reference_air_kerma_mgy=float(row["reference_air_kerma_mgy"]),
        spread=float(row["spread"]),
        field_cm2=float(row["field_cm2"]),
        fluoroscopy_min=float(row["fluoroscopy_min"]),
        acquisition_dose_share=float(row["acquisition_dose_share"]),
        acquisition_event_share=float(row["acquisition_event_share"]),
        events=int(row["events"]),
        size_effect_per_cm=float(row["size_effect_per_cm"]),
        views=tuple((float(primary), float(secondary)) for primary, secondary in views),
        contrast_ml=float(row["contrast_ml"]),
        injection_site=InjectionSite(row["injection_site"]),
        concentration_mgi_ml=float(row["concentration_mgi_ml"]),
    )


def usual_options(room: SampleRoom, procedure: SampleProcedure) -> WriteOptions:
    """How `room` writes its reports: the systems differ as they do in a real department."""
    match room.name:
        case "Room 2":
            return WriteOptions(target_region=procedure.region, has_defined_lengths=False)
        case "Room 4":
            return WriteOptions(
                target_region=procedure.region, syntax=TransferSyntax.IMPLICIT_LITTLE, has_legacy_codes=True
            )
        case _:
            return WriteOptions(target_region=procedure.region)
