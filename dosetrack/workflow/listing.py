"""Ledger rows of cases as results."""

from __future__ import annotations

from dosetrack.cases import CaseState
from dosetrack.ledger import CaseTotalRow
from dosetrack.workflow.results import CaseSummary


def summary_of(row: CaseTotalRow) -> CaseSummary:
    """The row of one case as the list of cases shows it."""
    return CaseSummary(
        id=row.id,
        patient_id=row.patient_id,
        room=row.room,
        procedure=row.procedure,
        operators=row.operators,
        started_at=row.started_at,
        state=CaseState(row.state),
        reports=row.reports,
        events=row.events,
        dose_area_product_gycm2=row.dose_area_product_gycm2,
        reference_air_kerma_mgy=row.reference_air_kerma_mgy,
        reference_air_kerma_by_plane_mgy={p.plane: p.reference_air_kerma_mgy for p in row.by_plane},
        fluoroscopy_time_s=row.fluoroscopy_time_s,
        contrast_ml=row.contrast_ml,
        iodine_g=row.iodine_g,
        findings=row.findings,
    )
