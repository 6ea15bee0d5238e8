"""Invented cases whose papers are read by the tests."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from subprocess import run

from dosetrack.records.entries import CaseOpened, Creatinine, Injection, Payload
from dosetrack.records.follow_up import FollowUpDecided, FollowUpReason, PatientContact
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import Patient
from dosetrack.workflow import Workflow, open_workflow
from tests.workflow.invented import NURSE, OPENING, OPERATOR, Clock, dose_report
from tests.workflow.skin_cases import straight_event

LEAD = Actor(name="Invented Lead", role=Role.LEAD)
PRINTED_AT = datetime(2026, 3, 20, 8, 30, tzinfo=UTC)
SETTINGS = {
    "site.name": "Invented Hospital, x-ray rooms",
    "document.address": "1 Invented Street\n0000 Nowhere",
    "document.contact_name": "Nurse Invented",
    "document.contact_phone": "000 11 22",
    "document.urgent_contact": "Dr Invented, 000 33 44",
}
SKIN_DUE = FollowUpDecided(
    kind="skin",
    tier="follow-up",
    reasons=(
        FollowUpReason(
            "reference_air_kerma_mgy",
            "Ka,r 6000 mGy, level 5000 mGy",
            value=6000.0,
            level=5000.0,
            plane="single",
            basis="stated",
        ),
    ),
    due=("2026-03-16", "2026-04-01"),
    profile="society",
    settings_seq=1,
    software_version="0.1.0",
)
KIDNEY_DUE = replace(
    SKIN_DUE, kind="kidney", reasons=(FollowUpReason("contrast_ml", "3 × CrCl reached"),), due=("2026-03-04",)
)


def opened(folder: Path) -> Workflow:
    workflow = open_workflow(f"sqlite:///{folder / 'ledger.sqlite'}", create=True, clock=Clock())
    for key, value in SETTINGS.items():
        workflow.change_setting(
            key=key, scope="site", value=value, valid_from="2026-01-01", actor=LEAD, reason="first set-up"
        )
    return workflow


def append(workflow: Workflow, case_id: str, payload: Payload) -> None:
    """An entry as the follow-up rules will append it."""
    with workflow.ledger.transaction() as tx:
        workflow._append(tx, case_id, payload, actor=NURSE)


def long_case(workflow: Workflow, *, patient: Patient | None = None, opening: CaseOpened = OPENING) -> str:
    """Six events of 1 Gy under the table, 162.5 mL of contrast, a prompt answered with a reason."""
    who = patient or replace(OPENING.patient, name="Larsen^Ida")
    case_id = workflow.open_case(replace(opening, patient=who), actor=NURSE).case_id
    assert case_id is not None
    workflow.record(case_id, Creatinine(value="1.20", unit="mg/dL", taken_on="2026-03-01"), actor=NURSE)
    for volume in (40.0, 41.0, 39.0, 42.5):
        done = workflow.record(case_id, Injection(volume_ml=volume, concentration_mgi_ml=320.0), actor=NURSE)
        assert done.entry_id is not None
    data = dose_report("long", [straight_event(n) for n in range(1, 7)], patient=who)
    workflow.take_in_bytes(data, file="long.dcm")
    for prompt in workflow.case_view(case_id).prompts:
        workflow.answer_prompt(
            case_id, prompt.id, decision="go on because", reason="shunt nearly open", actor=OPERATOR
        )
    workflow.end_case(case_id, actor=NURSE)
    return case_id


def decided_case(workflow: Workflow, **facts: object) -> str:
    """The long case with skin and kidney follow-up decided."""
    case_id = long_case(workflow, **facts)  # type: ignore[arg-type]
    append(workflow, case_id, SKIN_DUE)
    append(workflow, case_id, KIDNEY_DUE)
    append(workflow, case_id, PatientContact(family_doctor="Dr Invented Family"))
    return case_id


def bare_case(workflow: Workflow) -> str:
    """Opened and ended; nobody told anything else."""
    case_id = workflow.open_case(CaseOpened(room="Room 2", patient=Patient(id="P9")), actor=NURSE).case_id
    assert case_id is not None
    workflow.end_case(case_id, actor=NURSE)
    return case_id


def extracted(pdf: bytes, folder: Path) -> str:
    """What another program reads in the PDF, spaces and line ends as one space."""
    path = folder / "paper.pdf"
    path.write_bytes(pdf)
    done = run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True)
    return " ".join(done.stdout.decode().split())


def page_count(pdf: bytes, folder: Path) -> int:
    path = folder / "paper.pdf"
    path.write_bytes(pdf)
    told = run(["pdfinfo", str(path)], capture_output=True, check=True, text=True).stdout
    return int(next(line for line in told.splitlines() if line.startswith("Pages:")).split()[1])
