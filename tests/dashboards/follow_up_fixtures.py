"""Invented patients with something to follow up: a skin item, both kinds, and one to be estimated."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from dosetrack.records.entries import CaseOpened, ConsoleReading, Creatinine, Injection, InjectionSite
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import Patient
from dosetrack.workflow import Workflow

from .conftest import NURSE, SteppedClock, opening

CALLER = Actor("Cleo (invented)", Role.FOLLOW_UP, is_claimed=True)


def ended(
    workflow: Workflow,
    clock: SteppedClock,
    *,
    patient: Patient | None = None,
    kerma_mgy: float | None = 6200.0,
    contrast_ml: float | None = None,
) -> str:
    """A case of an hour on the clock's day, ended."""
    opened: CaseOpened = opening() if patient is None else replace(opening(), patient=patient)
    case_id = workflow.open_case(opened, actor=NURSE).case_id
    assert case_id is not None
    day = clock.now.date().isoformat()
    workflow.record(case_id, Creatinine("1.00", "mg/dL", day), actor=NURSE, is_confirmed=True)
    if kerma_mgy is not None:
        read = ConsoleReading(reference_air_kerma_mgy=kerma_mgy, dose_area_product_gycm2=100.0)
        workflow.record(case_id, read, actor=NURSE, is_confirmed=True)
    if contrast_ml is not None:
        given = Injection(contrast_ml, concentration_mgi_ml=320.0, site=InjectionSite.SECOND_PASS)
        workflow.record(case_id, given, actor=NURSE, is_confirmed=True)
    clock.pass_minutes(60)
    workflow.end_case(case_id, actor=NURSE)
    return case_id


def pass_days(clock: SteppedClock, days: float) -> None:
    clock.now += timedelta(days=days)


OTHER = Patient(
    id="30040500", name="Ferreira^Rui", sex="M", birth_date="1949-12-24", weight_kg=80.0, height_cm=175.0
)
