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
from dosetrack.times import local_day
from dosetrack.version import VERSION
from dosetrack.workflow.projector import account_of
from dosetrack.workflow.results import SkinMapView, SkinResult
from dosetrack.workflow.site import settings_for
from dosetrack.workflow.skin_setups import patient_setup, system_setup

if TYPE_CHECKING:
    from dosetrack.skin.accumulate import AccumulatedMap
    from dosetrack.skin.model import Surface

Detail = Literal["full", "peak"]
_Machine = tuple[str | None, str | None, str | None]
"""Serial, station, model."""
PATCH_MM = 8.0
NOTHING_PLACED = "No event could be placed on the skin: {reasons}."
NO_EVENTS = "No dose report with irradiation events is held: there is nothing to place on the skin."


@dataclass(frozen=True, slots=True)
class SkinJob:
    """All that goes into the map of one case.

    groups : events and system of each machine
    patient : how the patient lay
    day : YYYY-MM-DD; reference_air_kerma_mgy : over all planes and machines
    made_from : a digest of everything that bears on the map
    """

    case_id: str
    groups: tuple[tuple[tuple[IrradiationEvent, ...], SystemSetup], ...]
    patient: PatientSetup
    day: str | None = None
    reference_air_kerma_mgy: float | None = None
    screening: SkinRange | None = None
    made_from: str = ""


def job_of(reader: LedgerReader, case: Case, override: PatientSetup | None = None) -> SkinJob:
    """What the map of `case` is made from. InputError where the table axes of its room contradict."""
    patient = override or with_region(patient_setup(case), case.procedure)
    groups = tuple((tuple(events), system_setup(settings)) for events, settings in _by_machine(reader, case))
    told = [t.counted.event for t in case.events]
    account = account_of(case)
    kerma = account.reference_air_kerma_sum_mgy.higher
    return SkinJob(
        case_id=case.id,
        groups=groups,
        patient=patient,
        day=local_day(case.started_at),
        reference_air_kerma_mgy=kerma.value if kerma else None,
        screening=estimated_skin_range(account, rough_geometry(told)),
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
    found, reason = worked_out(jobs, detail=detail)
    return SkinMapView(
        map=found.map if found else None,
        reason=reason,
        setup=last.patient,
        system=last.groups[-1][1] if last.groups else SystemSetup(),
        cases=tuple(job.case_id for job in jobs),
        screening=last.screening,
        shares=found.shares if found else (),
        not_on_map=found.not_on_map if found else (),
    )


def worked_out(jobs: Sequence[SkinJob], *, detail: Detail) -> tuple[AccumulatedMap | None, str | None]:
    """(map of all cases on one body, why there is none); the body's size is that of the last case."""
    from dosetrack.skin.accumulate import DatedCase, accumulated_map  # numpy, which not every view needs
    from dosetrack.skin.placing import placed_case

    if not any(events for job in jobs for events, _ in job.groups):
        return None, NO_EVENTS
    surface = _surface(jobs)
    dated = [
        DatedCase(
            case_id=job.case_id,
            day=job.day,
            placed=tuple(
                placed_case(events, system=system, patient=job.patient, surface=surface)
                for events, system in job.groups
            ),
            reference_air_kerma_mgy=job.reference_air_kerma_mgy,
        )
        for job in jobs
    ]
    if not any(case.is_on_map for case in dated):
        left_out = [one for case in dated for part in case.placed for one in part.not_mapped]
        reasons = dict.fromkeys(one.reason for one in left_out)
        return None, NOTHING_PLACED.format(reasons="; ".join(reasons) or "no event has air kerma")
    return accumulated_map(dated, surface, detail=detail), None


def _surface(jobs: Sequence[SkinJob]) -> Surface:
    """The body that all cases lie on, built as far as their regions need."""
    from dosetrack.skin.body import patient_surface
    from dosetrack.skin.patient_position import position_of

    patient = jobs[-1].patient
    if len({job.patient.region for job in jobs}) > 1:
        patient = replace(patient, region=None)
    events = [event for told, _ in (jobs[-1].groups or jobs[0].groups) for event in told]
    # where size is not known the skin is a flat sheet, which must face the table
    facing = position_of(events, set_by_hand=patient.position)
    return patient_surface(replace(patient, position=facing), spacing_mm=PATCH_MM)


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
    day = local_day(case.started_at)  # a factor measured later does not change what was shown before
    found = []
    for machine, events in groups.items():
        room = case.room if len(groups) == 1 else room_of_equipment((machines[machine].equipment,), rooms)
        found.append((events, settings_for(reader, room=room, procedure=case.procedure, day=day)))
    return found


def with_region(patient: PatientSetup, procedure: str | None) -> PatientSetup:
    """`patient` with the region its procedure's name tells, where nobody told one."""
    from dosetrack.skin.places import region_of

    region = region_of(procedure) if patient.region is None and procedure else None
    return patient if region is None else replace(patient, region=region, is_region_from_name=True)


def _digest(case: Case, groups: Any, patient: PatientSetup) -> str:
    told = [f"{t.counted.report_sha256} {t.counted.order}" for t in case.events]
    systems = [to_json(system) for _, system in groups]
    return hashlib.sha256("\n".join([VERSION, *told, *systems, to_json(patient)]).encode()).hexdigest()
