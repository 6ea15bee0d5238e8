"""The skin dose map of a case, of a patient's cases in a window, and of every case of a year.

A map is worked out from the counted events, the setting of each system and how the patient lay. It
is no entry: the same facts give the same map, so its result is kept only to save the work.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

from dosetrack.errors import UnknownCaseError
from dosetrack.ledger import LedgerReader
from dosetrack.ledger.codec import from_json, to_json
from dosetrack.records.entries import PatientPlaced
from dosetrack.records.people import Actor
from dosetrack.skin.setup import PatientSetup
from dosetrack.workflow.base import LedgerUser
from dosetrack.workflow.last_used import LastUsed
from dosetrack.workflow.results import Recorded, SkinMapView, SkinResult, WorkedOutSkin
from dosetrack.workflow.site import settings_for
from dosetrack.workflow.skin_jobs import Detail, SkinJob, job_of, result_of, view_of

_MAPS_IN_MEMORY = 12


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

    def skin_map_before(
        self, patient_id: str, *, patient_issuer: str | None = None, detail: Detail = "peak"
    ) -> SkinMapView | None:
        """The patient's cases of the look-back window up to now, on one body; None where there are none.

        The body is that of the newest of them.
        """
        now = self._clock()
        with self.ledger.reading() as reader:
            window = timedelta(days=settings_for(reader).number("radiation.lookback_days"))
            rows = reader.cases_of_patient(patient_id=patient_id, patient_issuer=patient_issuer)
            start, end = (now - window).isoformat(), now.isoformat()
            inside = [row.id for row in rows if start <= (row.started_instant or "") <= end and row.reports]
            jobs = [self._job(reader, case_id, None) for case_id in inside]
        return self._view(jobs, detail) if jobs else None

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
        return WorkedOutSkin(result_of(job), job.made_from, is_kept=False)

    def keep_skin_results(self, results: Sequence[WorkedOutSkin]) -> None:
        """Keep results worked out here or in another process, in one transaction."""
        new = [one for one in results if not one.is_kept]
        if new:
            with self.ledger.transaction() as tx:
                for one in new:
                    tx.keep_skin_result(one.result.case_id, to_json(one.result), made_from=one.made_from)

    # -----------------------------------------------------------------------------------------

    def _job(self, reader: LedgerReader, case_id: str, override: PatientSetup | None) -> SkinJob:
        case, _ = self.projector.case(reader, case_id)
        if not case.entries:
            raise UnknownCaseError(f"there is no case with the id {case_id!r}")
        return job_of(reader, case, override)

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

    def _view(self, jobs: Sequence[SkinJob], detail: Detail) -> SkinMapView:
        key = ("+".join(job.made_from for job in jobs), detail)
        held = _MAPS.get(key)
        if held is None:
            held = view_of(jobs, detail)
            _MAPS.remember(key, held)
        # readings change the range from air kerma; the map is of reports alone
        return replace(held, screening=jobs[-1].screening)


_MAPS: LastUsed[tuple[str, str], SkinMapView] = LastUsed(_MAPS_IN_MEMORY)
