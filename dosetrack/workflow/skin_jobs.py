"""What one skin dose map is made from, and making it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from dosetrack.cases import Case, room_of_equipment
from dosetrack.ledger import LedgerReader
from dosetrack.ledger.codec import to_json
from dosetrack.records.report import DoseReport, IrradiationEvent
from dosetrack.settings import Settings
from dosetrack.skin.screening import SkinRange, estimated_skin_range, rough_geometry
from dosetrack.skin.setup import PatientSetup, SystemSetup
from dosetrack.version import VERSION
from dosetrack.workflow.projector import account_of
from dosetrack.workflow.results import SkinMapView, SkinResult
from dosetrack.workflow.site import settings_for
from dosetrack.workflow.skin_setups import patient_setup, system_setup

if TYPE_CHECKING:
    from dosetrack.skin.model import SkinMap

Detail = Literal["full", "peak"]
_Machine = tuple[str | None, str | None, str | None]
"""Serial, station, model."""
PATCH_MM = 8.0
NOTHING_PLACED = "No event could be placed on the skin: {reasons}."
NO_EVENTS = "No dose report with irradiation events is held: there is nothing to place on the skin."


@dataclass(frozen=True, slots=True)
class SkinJob:
    """All that goes into one map. groups : events and system of each machine."""

    case_id: str
    groups: tuple[tuple[tuple[IrradiationEvent, ...], SystemSetup], ...]
    patient: PatientSetup
    screening: SkinRange | None
    made_from: str


def job_of(reader: LedgerReader, case: Case, override: PatientSetup | None = None) -> SkinJob:
    """What the map of `case` is made from. InputError where the table axes of its room contradict."""
    patient = override or with_region(patient_setup(case), case.procedure)
    groups = tuple((tuple(events), system_setup(settings)) for events, settings in _by_machine(reader, case))
    told = [t.counted.event for t in case.events]
    return SkinJob(
        case_id=case.id,
        groups=groups,
        patient=patient,
        screening=estimated_skin_range(account_of(case), rough_geometry(told)),
        made_from=_digest(case, groups, patient),
    )


def result_of(job: SkinJob) -> SkinResult:
    """Peak and range of `job`'s map, worked out now."""
    view = view_of((job,), "peak")
    found = view.map
    return SkinResult(
        case_id=job.case_id,
        peak_mgy=found.peak_mgy if found else None,
        low_mgy=found.low_mgy if found else None,
        high_mgy=found.high_mgy if found else None,
        site=found.peak_site if found else None,
        mapped_fraction=found.mapped_fraction if found else None,
        surface=found.surface.kind if found else None,
        reason=view.reason,
    )


def view_of(jobs: Sequence[SkinJob], detail: Detail) -> SkinMapView:
    """The map of all `jobs` on one body, that of the last; made now."""
    last = jobs[-1]
    found, reason = worked_out(
        [(group, system, job.patient) for job in jobs for group, system in job.groups], detail=detail
    )
    return SkinMapView(
        map=found,
        reason=reason,
        setup=last.patient,
        system=last.groups[-1][1] if last.groups else SystemSetup(),
        cases=tuple(job.case_id for job in jobs),
        screening=last.screening,
    )


def worked_out(
    groups: Sequence[tuple[Sequence[IrradiationEvent], SystemSetup, PatientSetup]], *, detail: Detail
) -> tuple[SkinMap | None, str | None]:
    """(map of all groups on one body, why there is none).

    groups : events of one machine, its setting, and how the patient lay there; the body's size and
        shape are those of the last
    """
    from dosetrack.skin.body import patient_surface  # numpy, which a view without a map does not need
    from dosetrack.skin.mapping import skin_map
    from dosetrack.skin.patient_position import position_of
    from dosetrack.skin.placing import placed_case

    if not any(events for events, _, _ in groups):
        return None, NO_EVENTS
    events, _, patient = groups[-1]
    # where size is not known the skin is a flat sheet, which must face the table
    facing = replace(patient, position=position_of(events, set_by_hand=patient.position))
    surface = patient_surface(facing, spacing_mm=PATCH_MM)
    placed = [
        placed_case(events, system=system, patient=patient, surface=surface)
        for events, system, patient in groups
    ]
    if not any(case.beams for case in placed):
        reasons = dict.fromkeys(left_out.reason for case in placed for left_out in case.not_mapped)
        return None, NOTHING_PLACED.format(reasons="; ".join(reasons) or "no event has air kerma")
    return skin_map(placed, surface, detail=detail), None


def _by_machine(reader: LedgerReader, case: Case) -> list[tuple[list[IrradiationEvent], Settings]]:
    """The counted events of each machine with the settings of its room, in order of time."""
    reports = {report.sha256: report for report in case.reports}
    rooms = settings_for(reader).pairs("site.rooms")
    groups: dict[_Machine, list[IrradiationEvent]] = {}
    machines: dict[_Machine, DoseReport] = {}
    for timed in case.events:
        report = reports[timed.counted.report_sha256]
        machine = (report.equipment.serial, report.equipment.station, report.equipment.model)
        groups.setdefault(machine, []).append(timed.counted.event)
        machines[machine] = report
    found = []
    for machine, events in groups.items():
        room = case.room if len(groups) == 1 else room_of_equipment((machines[machine].equipment,), rooms)
        found.append((events, settings_for(reader, room=room, procedure=case.procedure, day=_day(case))))
    return found


def _day(case: Case) -> str | None:
    """The first day of the case: a factor measured later does not change what was shown before."""
    return case.started_at[:10] if case.started_at else None


def with_region(patient: PatientSetup, procedure: str | None) -> PatientSetup:
    """`patient` with the region its procedure's name tells, where nobody told one."""
    from dosetrack.skin.places import region_of

    region = region_of(procedure) if patient.region is None and procedure else None
    return patient if region is None else replace(patient, region=region, is_region_from_name=True)


def _digest(case: Case, groups: Any, patient: PatientSetup) -> str:
    told = [f"{t.counted.report_sha256} {t.counted.order}" for t in case.events]
    systems = [to_json(system) for _, system in groups]
    return hashlib.sha256("\n".join([VERSION, *told, *systems, to_json(patient)]).encode()).hexdigest()
