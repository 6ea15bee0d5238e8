"""Irradiation events of an invented case, with physics that holds together.

In every event the dose-area product is the reference air kerma times the collimated field carried to
the reference point; the exposure is tube current times pulse width times pulses; the current follows
from the kerma, the voltage and the filters, as far as a tube goes. Ranges are invented, wide as rooms differ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from random import Random

from dosetrack.exchange.department.rooms import ZONE, Arm, SampleProcedure, SampleRoom
from dosetrack.exchange.header import derived_uid
from dosetrack.records.report import DoseTotal, Filter, IrradiationEvent, PlaneName

_PLANE_B_SHARES = {"head": 0.9, "heart": 0.35, "body": 0.2}  # of acquisitions made in both planes
_PLANE_B_KERMA = {"head": 0.75, "heart": 0.9, "body": 0.6}  # of plane A's in the same run
_ACQUISITION_RATES = {"head": (2.0, 4.0), "heart": (15.0,), "body": (2.0, 3.0)}  # [1/s]
_ACQUISITION_SECONDS = {"head": (5.0, 10.0), "heart": (2.5, 6.0), "body": (4.0, 11.0)}
_FLUOROSCOPY_RATES = (7.5, 10.0, 15.0)  # [1/s]
_ROTATION_GROUPS = frozenset({"tace", "sirt-workup", "aneurysm-coiling", "prostate-embolisation"})
_KERMA_PER_MAS = 0.11  # at the reference point, 80 kV, no added filter [mGy/mAs]
MOST_CURRENT_MA = 950.0
_COPPER_PER_MM = 3.2  # natural logarithm of what 1 mm copper takes away at 80 kV
_NAMES = {"a": "A", "b": "B", "single": "", "all": ""}


@dataclass(frozen=True, slots=True)
class BeamPlan:
    """What is to be irradiated in one case.

    reference_air_kerma_mgy : sum over planes and events
    size_cm : patient's thickness beyond the reference build
    uid_root : text the event UIDs are derived from
    idle_min : time without beam in all; None follows the fluoroscopy time
    plane_b_share : part of the runs made in both planes; None as usual for the procedure
    dap_factor : what the DAP meter reads of the truth
    """

    room: SampleRoom
    procedure: SampleProcedure
    started_at: datetime
    reference_air_kerma_mgy: float
    fluoroscopy_min: float
    events: int
    size_cm: float
    uid_root: str
    idle_min: float | None = None
    plane_b_share: float | None = None
    dap_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class _Shot:
    """One press of the pedal: before kerma is shared out over the case."""

    kind: str
    planes: tuple[PlaneName, ...]
    seconds: float
    rate_hz: float
    view: tuple[float, float]
    weight: float


@dataclass(frozen=True, slots=True)
class TimedEvent:
    """An event and the instant it began (aware, in the department's zone)."""

    start: datetime
    event: IrradiationEvent


def irradiate(plan: BeamPlan, rng: Random) -> tuple[TimedEvent, ...]:
    """The events of the case in time order; their kerma sums to the plan's within rounding."""
    shots = _shots(plan, rng)
    starts = _starts(plan, shots, rng)
    table = _Table(rng)
    kermas = _shared_kerma(plan, shots)
    found: list[TimedEvent] = []
    for number, (shot, start, kerma) in enumerate(zip(shots, starts, kermas, strict=True)):
        table.move(shot.kind)
        both = 1 + _PLANE_B_KERMA[plan.procedure.group] if len(shot.planes) > 1 else 1.0
        for plane in shot.planes:
            is_second = plane == "b" and len(shot.planes) > 1
            part = kerma / both * (both - 1 if is_second else 1)
            event = _event(plan, shot, number, plane, start, part, table, rng)
            found.append(TimedEvent(start, event))
    return tuple(found)


def stated_totals(events: tuple[IrradiationEvent, ...]) -> tuple[DoseTotal, ...]:
    """What a machine would state for each plane: the sums over `events`."""
    planes = sorted({event.plane for event in events if event.plane is not None})
    return tuple(_total(plane, [e for e in events if e.plane == plane]) for plane in planes)


def _total(plane: PlaneName, events: list[IrradiationEvent]) -> DoseTotal:
    fluoroscopy = [event for event in events if event.type == "fluoroscopy"]
    acquisitions = [event for event in events if event.type != "fluoroscopy"]
    return DoseTotal(
        plane=plane,
        basis="stated",
        dose_area_product_gycm2=_sum(events, "dose_area_product_gycm2"),
        reference_air_kerma_mgy=_sum(events, "reference_air_kerma_mgy"),
        fluoroscopy_time_s=_sum(fluoroscopy, "duration_s"),
        fluoroscopy_dose_area_product_gycm2=_sum(fluoroscopy, "dose_area_product_gycm2"),
        fluoroscopy_reference_air_kerma_mgy=_sum(fluoroscopy, "reference_air_kerma_mgy"),
        acquisition_time_s=_sum(acquisitions, "duration_s"),
        acquisition_dose_area_product_gycm2=_sum(acquisitions, "dose_area_product_gycm2"),
        acquisition_reference_air_kerma_mgy=_sum(acquisitions, "reference_air_kerma_mgy"),
    )


def _sum(events: list[IrradiationEvent], name: str) -> float | None:
    values: list[float] = [value for event in events if (value := getattr(event, name)) is not None]
    if events and not values:
        return None
    return round(math.fsum(values), 6)


def _shots(plan: BeamPlan, rng: Random) -> list[_Shot]:
    procedure = plan.procedure
    runs = max(1, round(plan.events * procedure.acquisition_event_share))
    screenings = max(3, plan.events - runs)
    lengths = [rng.lognormvariate(0, 0.8) for _ in range(screenings)]
    scale = plan.fluoroscopy_min * 60 / sum(lengths)
    rate = rng.choice(_FLUOROSCOPY_RATES)
    view = procedure.views[0]
    shots: list[_Shot] = []
    for length in lengths:
        if rng.random() < 0.25:
            view = rng.choice(procedure.views)
        seconds = max(0.4, round(length * scale, 1))
        planes = _planes(plan, rng, is_run=False)
        shots.append(_Shot("fluoroscopy", planes, seconds, rate, view, seconds * rng.lognormvariate(0, 0.3)))
    for number in range(runs):
        shots.insert(rng.randrange(2, len(shots) + 1), _run(plan, rng, number))
    return shots


def _run(plan: BeamPlan, rng: Random, number: int) -> _Shot:
    group, key = plan.procedure.group, plan.procedure.key
    seconds = round(rng.uniform(*_ACQUISITION_SECONDS[group]), 1)
    rate = rng.choice(_ACQUISITION_RATES[group])
    view = rng.choice(plan.procedure.views)
    kind = "stationary"
    planes = _planes(plan, rng, is_run=True)
    if number == 0 and key in _ROTATION_GROUPS and rng.random() < 0.5:
        kind, seconds, rate, view, planes = "rotational", 6.0, 30.0, (-100.0, 0.0), planes[:1]
    elif number == 0 and key == "lower-limb":
        kind, seconds, rate, planes = "stepping", 12.0, 2.0, planes[:1]
    per_image = 0.12 if rate >= 15 else 1.0
    weight = seconds * rate * per_image * rng.lognormvariate(0, 0.3)
    return _Shot(kind, planes, seconds, rate, view, weight)


def _planes(plan: BeamPlan, rng: Random, *, is_run: bool) -> tuple[PlaneName, ...]:
    if len(plan.room.arms) == 1:
        return ("single",)
    share = plan.plane_b_share or _PLANE_B_SHARES[plan.procedure.group]
    if is_run:
        return ("a", "b") if rng.random() < share else ("a",)
    return ("b",) if rng.random() < share / 3 else ("a",)


def _starts(plan: BeamPlan, shots: list[_Shot], rng: Random) -> list[datetime]:
    gaps = [rng.expovariate(1.0) + 0.15 for _ in shots]
    idle_min = plan.idle_min if plan.idle_min is not None else plan.fluoroscopy_min * 1.2 + 14
    between_s = idle_min * 60 / sum(gaps)
    moment = plan.started_at.astimezone(UTC)  # clocks may be set back during the case
    found = []
    for shot, gap in zip(shots, gaps, strict=True):
        moment += timedelta(seconds=round(gap * between_s, 3))
        found.append(moment.astimezone(ZONE))
        moment += timedelta(seconds=shot.seconds)
    return found


def _shared_kerma(plan: BeamPlan, shots: list[_Shot]) -> list[float]:
    total, share = plan.reference_air_kerma_mgy, plan.procedure.acquisition_dose_share
    sums = {True: 0.0, False: 0.0}
    for shot in shots:
        sums[shot.kind == "fluoroscopy"] += shot.weight
    parts = {True: total * (1 - share), False: total * share}
    return [
        shot.weight / sums[is_screening] * parts[is_screening]
        for shot in shots
        for is_screening in (shot.kind == "fluoroscopy",)
    ]


class _Table:
    """The table's readings, wandering through the case [mm]."""

    def __init__(self, rng: Random) -> None:
        self._rng = rng
        self.start = (rng.uniform(-120, 60), rng.uniform(-30, 30), rng.uniform(-40, 60))
        self.end = self.start

    def move(self, kind: str) -> None:
        longitudinal, lateral, height = self.end
        if self._rng.random() < 0.3:
            longitudinal += self._rng.gauss(0, 18)
            lateral += self._rng.gauss(0, 8)
        if self._rng.random() < 0.04:
            height += self._rng.gauss(0, 12)
        self.start = (longitudinal, lateral, height)
        self.end = (longitudinal + 480.0, lateral, height) if kind == "stepping" else self.start


def _event(
    plan: BeamPlan,
    shot: _Shot,
    number: int,
    plane: PlaneName,
    start: datetime,
    kerma_mgy: float,
    table: _Table,
    rng: Random,
) -> IrradiationEvent:
    room = plan.room
    has_shared_uid = room.name == "Room 4"  # its older software gives both planes of a run one UID
    uid = derived_uid(plan.uid_root, str(number), "" if has_shared_uid else plane)
    base = IrradiationEvent(
        uid=uid,
        plane=plane,
        type=shot.kind,
        started_at=_local(start, sends_offset=room.sends_offset),
        protocol=_protocol(plan.procedure, shot.kind),
        patient_position="HFS",
    )
    arm = room.arms[1] if plane == "b" else room.arms[0]
    lit = _with_field(base, plan, arm, max(kerma_mgy, 0.002), rng)
    if room.is_mobile:
        return replace(lit, reference_air_kerma_mgy=None, duration_s=shot.seconds)
    return _with_technique(_with_geometry(lit, shot, arm, plane, table, rng), plan, shot, rng)


def _local(moment: datetime, *, sends_offset: bool) -> str:
    if sends_offset:
        return moment.isoformat(timespec="milliseconds")
    return moment.replace(tzinfo=None).isoformat(timespec="milliseconds")


def _protocol(procedure: SampleProcedure, kind: str) -> str:
    word = {"fluoroscopy": "screening", "rotational": "rotation", "stepping": "run-off"}.get(kind, "run")
    return f"{procedure.region} {word}".capitalize()


def _with_field(
    event: IrradiationEvent, plan: BeamPlan, arm: Arm, kerma_mgy: float, rng: Random
) -> IrradiationEvent:
    """`event` with kerma, field at the detector and the dose-area product that belongs to them."""
    detector_mm = (
        round(arm.detector_mm + rng.uniform(-40, 40)) if not plan.room.is_mobile else arm.detector_mm
    )
    magnification = detector_mm / arm.reference_point_mm
    at_detector_cm2 = plan.procedure.field_cm2 * rng.lognormvariate(0, 0.2) * magnification**2
    aspect = rng.choice((0.85, 1.0, 1.0, 1.2))
    height = min(plan.room.field_limit_mm, round(10 * math.sqrt(at_detector_cm2 / aspect), 1))
    width = min(plan.room.field_limit_mm, round(10 * math.sqrt(at_detector_cm2 * aspect), 1))
    area_cm2 = round(height * width / 100, 3)
    kerma = round(kerma_mgy, 3)
    return replace(
        event,
        reference_air_kerma_mgy=kerma,
        dose_area_product_gycm2=significant(plan.dap_factor * kerma / 1000 * area_cm2 / magnification**2),
        field_height_mm=height,
        field_width_mm=width,
        field_area_cm2=area_cm2,
        source_to_detector_mm=detector_mm,
        source_to_reference_point_mm=arm.reference_point_mm,
        reference_point="30cm-from-detector" if plan.room.is_mobile else "15cm-from-isocenter",
    )


def significant(value: float) -> float:
    """`value` to seven significant digits, as a machine would hold it."""
    return float(f"{value:.7g}")


def _with_geometry(
    event: IrradiationEvent, shot: _Shot, arm: Arm, plane: PlaneName, table: _Table, rng: Random
) -> IrradiationEvent:
    primary, secondary = shot.view
    if plane == "b":
        primary = primary + 90.0 if primary <= 30 else primary - 90.0
    primary, secondary = round(primary + rng.gauss(0, 1.5), 1), round(secondary + rng.gauss(0, 1.0), 1)
    is_rotation = shot.kind == "rotational"
    start, end = table.start, table.end
    return replace(
        event,
        primary_angle_deg=-100.0 if is_rotation else primary,
        secondary_angle_deg=0.0 if is_rotation else secondary,
        primary_end_angle_deg=100.0 if is_rotation else None,
        secondary_end_angle_deg=0.0 if is_rotation else None,
        source_to_isocenter_mm=arm.isocenter_mm,
        table_longitudinal_mm=round(start[0], 1),
        table_lateral_mm=round(start[1], 1),
        table_height_mm=round(start[2], 1),
        table_longitudinal_end_mm=round(end[0], 1) if shot.kind == "stepping" else None,
        table_lateral_end_mm=round(end[1], 1) if shot.kind == "stepping" else None,
        table_height_end_mm=round(end[2], 1) if shot.kind == "stepping" else None,
    )


def _with_technique(event: IrradiationEvent, plan: BeamPlan, shot: _Shot, rng: Random) -> IrradiationEvent:
    steepness = abs(event.secondary_angle_deg or 0) + abs(event.primary_angle_deg or 0) / 4
    kvp = round(min(125.0, max(60.0, 74 + 1.6 * plan.size_cm + 0.25 * steepness + rng.gauss(0, 2.5))), 1)
    is_screening = shot.kind == "fluoroscopy"
    copper_mm = rng.choice((0.2, 0.3, 0.6)) if is_screening else rng.choice((0.0, 0.1))
    pulses = float(max(1, round(shot.seconds * shot.rate_hz)))
    width_ms = round(
        rng.uniform(5, 9) if is_screening else rng.uniform(20, 60 if shot.rate_hz < 10 else 8), 1
    )
    per_mas = _KERMA_PER_MAS * (kvp / 80) ** 2.5 * math.exp(-_COPPER_PER_MM * copper_mm)
    mas = (event.reference_air_kerma_mgy or 0) / per_mas
    current_ma = max(0.1, round(1000 * mas / (pulses * width_ms), 1))
    if current_ma > MOST_CURRENT_MA:  # longer pulses instead, as far as the pulse rate lets them
        width_ms = min(round(width_ms * current_ma / MOST_CURRENT_MA, 1), round(500 / shot.rate_hz, 1))
        current_ma = MOST_CURRENT_MA
    filters = (Filter("aluminium", 1.0, 1.0),)
    return replace(
        event,
        duration_s=shot.seconds,
        pulses=pulses,
        pulse_rate_hz=shot.rate_hz,
        kvp=kvp,
        pulse_width_ms=width_ms,
        tube_current_ma=current_ma,
        exposure_uas=round(current_ma * width_ms * pulses, 2),
        filters=(*filters, Filter("copper", copper_mm, copper_mm)) if copper_mm else filters,
    )
