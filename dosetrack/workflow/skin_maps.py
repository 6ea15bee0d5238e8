"""The skin dose map of a case, of a patient's cases in a window, and of every case of a year.

A map is worked out from the counted events, the setting of each system and how the patient lay. It
is no entry: the same facts give the same map, so its result is kept only to save the work.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from threading import Lock
from typing import TYPE_CHECKING, Any, Literal

from dosetrack.cases import Case, room_of_equipment
from dosetrack.errors import UnknownCaseError
from dosetrack.ledger import LedgerReader
from dosetrack.ledger.codec import from_json, to_json
from dosetrack.records.entries import PatientPlaced
from dosetrack.records.people import Actor
from dosetrack.records.report import DoseReport, IrradiationEvent
from dosetrack.settings import Settings
from dosetrack.skin.screening import SkinRange, estimated_skin_range, rough_geometry
from dosetrack.skin.setup import PatientSetup, SystemSetup
from dosetrack.version import VERSION
from dosetrack.workflow.base import LedgerUser
from dosetrack.workflow.projector import account_of
from dosetrack.workflow.results import Recorded, SkinMapView, SkinResult, WorkedOutSkin
from dosetrack.workflow.site import settings_for
from dosetrack.workflow.skin_setups import patient_setup, system_setup

if TYPE_CHECKING:
    from dosetrack.skin.model import SkinMap

Detail = Literal["full", "peak"]
_Machine = tuple[str | None, str | None, str | None]
"""Serial, station, model."""
PATCH_MM = 8.0
_MAPS_IN_MEMORY = 12
NOTHING_PLACED = "No event could be placed on the skin: {reasons}."
NO_EVENTS = "No dose report with irradiation events is held: there is nothing to place on the skin."


@dataclass(frozen=True, slots=True)
class _Job:
    """All that goes into one map. groups : events and system of each machine."""

    case_id: str
    groups: tuple[tuple[tuple[IrradiationEvent, ...], SystemSetup], ...]
    patient: PatientSetup
    screening: SkinRange | None
    made_from: str


class SkinMaps(LedgerUser):
    """Calls that work out where on the skin the dose went."""

    def skin_map(
        self, case_id: str, *, setup_override: PatientSetup | None = None, detail: Detail = "full"
    ) -> SkinMapView:
        """The skin dose map of one case.

        Parameters
        ----------
        setup_override : the patient as tried on screen; nothing is recorded
        detail : 'peak' leaves out what each assumption would change

        Raises
        ------
        UnknownCaseError, InputError
            There is no such case; the table axes of its room contradict each other.
        """
        with self.ledger.reading() as reader:
            job = self._job(reader, case_id, setup_override)
        return self._view((job,), detail)

    def patient_skin_map(self, case_id: str, *, detail: Detail = "full") -> SkinMapView:
        """The case and the patient's earlier ones inside the look-back window, on one body.

        A case without a map is named among the findings; it adds nothing to the skin dose.
        """
        with self.ledger.reading() as reader:
            jobs = [self._job(reader, one, None) for one in self._cases_on_one_skin(reader, case_id)]
        return self._view(jobs, detail)

    def place_patient(
        self, case_id: str, placed: PatientPlaced, *, actor: Actor, reason: str | None = None
    ) -> Recorded:
        """Record how the patient lay; the map follows."""
        with self.ledger.transaction() as tx:
            self._case_entries(tx, case_id)
            return self._append(tx, case_id, placed, actor=actor, reason=reason)

    def skin_result(self, case_id: str) -> SkinResult | None:
        """The kept result of a case's map; None when it was not worked out since something changed."""
        with self.ledger.reading() as reader:
            job = self._job(reader, case_id, None)
            kept = reader.skin_result(case_id, made_from=job.made_from)
        return from_json(SkinResult, kept) if kept else None

    def worked_out_skin_result(self, case_id: str) -> WorkedOutSkin:
        """The result of one case: the kept one, else worked out now and not yet kept."""
        with self.ledger.reading() as reader:
            job = self._job(reader, case_id, None)
            kept = reader.skin_result(case_id, made_from=job.made_from)
        if kept:
            return WorkedOutSkin(from_json(SkinResult, kept), job.made_from, is_kept=True)
        return WorkedOutSkin(_result(case_id, _worked_out((job,), "peak")), job.made_from, is_kept=False)

    def keep_skin_results(self, results: Sequence[WorkedOutSkin]) -> None:
        """Keep results worked out here or in another process, in one transaction."""
        new = [one for one in results if not one.is_kept]
        if new:
            with self.ledger.transaction() as tx:
                for one in new:
                    tx.keep_skin_result(one.result.case_id, to_json(one.result), made_from=one.made_from)

    # -----------------------------------------------------------------------------------------

    def _job(self, reader: LedgerReader, case_id: str, override: PatientSetup | None) -> _Job:
        case, _ = self.projector.case(reader, case_id)
        if not case.entries:
            raise UnknownCaseError(f"there is no case with the id {case_id!r}")
        patient = override or with_region(patient_setup(case), case.procedure)
        groups = tuple(
            (tuple(events), system_setup(settings)) for events, settings in _by_machine(reader, case)
        )
        told = [t.counted.event for t in case.events]
        return _Job(
            case_id=case_id,
            groups=groups,
            patient=patient,
            screening=estimated_skin_range(account_of(case), rough_geometry(told)),
            made_from=_digest(case, groups, patient),
        )

    def _cases_on_one_skin(self, reader: LedgerReader, case_id: str) -> list[str]:
        """Ids of the patient's cases in the window before this one and this one, oldest first."""
        case, settings = self.projector.case(reader, case_id)
        if not case.entries:
            raise UnknownCaseError(f"there is no case with the id {case_id!r}")
        end = case.started_instant
        if case.patient.id is None or end is None:
            return [case_id]
        window = timedelta(days=settings.number("radiation.lookback_days"))
        rows = reader.cases_of_patient(patient_id=case.patient.id, patient_issuer=case.patient.id_issuer)
        earlier = [
            row.id
            for row in rows
            if row.id != case_id
            and row.started_instant
            and (end - window).isoformat() <= row.started_instant <= end.isoformat()
        ]
        return [*earlier, case_id]

    def _view(self, jobs: Sequence[_Job], detail: Detail) -> SkinMapView:
        key = ("+".join(job.made_from for job in jobs), detail)
        held = _MAPS.get(key)
        if held is None:
            held = _worked_out(jobs, detail)
            _MAPS.remember(key, held)
        return held


class _MapsInMemory:
    """The last maps made, by what they were made from; nothing here goes stale. Threads share it."""

    def __init__(self) -> None:
        self._held: OrderedDict[tuple[str, str], SkinMapView] = OrderedDict()
        self._lock = Lock()

    def get(self, key: tuple[str, str]) -> SkinMapView | None:
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
            return self._held.get(key)

    def remember(self, key: tuple[str, str], view: SkinMapView) -> None:
        with self._lock:
            self._held[key] = view
            while len(self._held) > _MAPS_IN_MEMORY:
                self._held.popitem(last=False)


_MAPS = _MapsInMemory()


def _worked_out(jobs: Sequence[_Job], detail: Detail) -> SkinMapView:
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
    from dosetrack.skin.placing import placed_case

    if not any(events for events, _, _ in groups):
        return None, NO_EVENTS
    surface = patient_surface(groups[-1][2], spacing_mm=PATCH_MM)
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


def _result(case_id: str, view: SkinMapView) -> SkinResult:
    found = view.map
    return SkinResult(
        case_id=case_id,
        peak_mgy=found.peak_mgy if found else None,
        low_mgy=found.low_mgy if found else None,
        high_mgy=found.high_mgy if found else None,
        site=found.peak_site if found else None,
        mapped_fraction=found.mapped_fraction if found else None,
        surface=found.surface.kind if found else None,
        reason=view.reason,
    )
