"""Invented people, a patient with known limits, and dose reports made to measure."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from dosetrack.exchange.rdsr import write_report
from dosetrack.records.entries import CaseOpened, InjectionSite, Knowledge
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import (
    DoseReport,
    DoseTotal,
    Equipment,
    IrradiationEvent,
    Patient,
    PlaneName,
    Procedure,
    ReportIdentity,
)


class Clock:
    """Stands still until moved."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **step: float) -> None:
        self.now += timedelta(**step)


NURSE = Actor(name="Invented Nurse", role=Role.ROOM, is_claimed=True)
OPERATOR = Actor(name="Invented Operator", role=Role.OPERATOR, is_claimed=True)

# 2 x CrCl of this patient is 100.74 mL, 3 x CrCl 151.11 mL: patient A of the published-limit examples
OPENING = CaseOpened(
    room="Room 2",
    patient=Patient(
        id="P1", id_issuer="INVENTED", sex="M", birth_date="1954-02-01", weight_kg=80, height_cm=175
    ),
    procedure="Invented embolisation",
    operators=("Invented Operator",),
    concentration_mgi_ml=320,
    injection_site=InjectionSite.SECOND_PASS,
    dialysis=Knowledge.NO,
    earlier_contrast=Knowledge.NO,
    accession_number="A-1",
)


def event(number: int, *, kerma: float = 100.0, plane: PlaneName = "single") -> IrradiationEvent:
    return IrradiationEvent(
        uid=f"1.2.826.0.1.3680043.10.999.1.{number}",
        plane=plane,
        type="fluoroscopy",
        started_at=f"2026-03-02T09:{number:02d}:00",
        reference_air_kerma_mgy=kerma,
        dose_area_product_gycm2=kerma / 10,
        duration_s=60.0,
    )


def dose_report(
    name: str,
    events: list[IrradiationEvent],
    *,
    patient: Patient | None = None,
    accession: str | None = "A-1",
    study: str = "1.2.826.0.1.3680043.10.999.2.1",
    station: str = "INVENTED-XA",
    started: str = "2026-03-02T09:00:00",
    reported: str = "2026-03-02T10:00:00",
) -> bytes:
    """A valid DICOM dose report with these events, stated totals equal to their sums."""
    planes = dict.fromkeys(e.plane or "single" for e in events)
    totals = tuple(
        DoseTotal(
            plane=plane,
            basis="stated",
            reference_air_kerma_mgy=sum(e.reference_air_kerma_mgy or 0 for e in events if e.plane == plane),
            dose_area_product_gycm2=sum(e.dose_area_product_gycm2 or 0 for e in events if e.plane == plane),
            fluoroscopy_time_s=sum(e.duration_s or 0 for e in events if e.plane == plane),
        )
        for plane in planes
    )
    record = DoseReport(
        file=f"{name}.dcm",
        sha256="",
        source="rdsr",
        report=ReportIdentity(
            sop_class_uid="1.2.840.10008.5.1.4.1.1.88.67",
            sop_instance_uid=f"1.2.826.0.1.3680043.10.999.3.{sum(name.encode())}",
            study_instance_uid=study,
            accession_number=accession,
            completion="COMPLETE",
            reported_at=reported,
        ),
        patient=patient or Patient(id="P1", id_issuer="INVENTED", name="Invented^Person", sex="M"),
        equipment=Equipment(manufacturer="Invented Works", model="Arm 1", station=station),
        procedure=Procedure(label="Invented embolisation", started_at=started),
        operators=("Invented Operator",),
        totals=totals,
        events=tuple(events),
    )
    return write_report(record)
