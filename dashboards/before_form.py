"""What the form before the case says: parsed, with errors at their fields and the limits that result."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

from dashboards.before_schedule import as_told, differing_patient, is_same_patient
from dashboards.pages.room_entry import actor_of, input_words
from dosetrack.entry import concentration_from_text, creatinine_from_text, patient_size_from_text
from dosetrack.errors import InputError
from dosetrack.kidney import (
    ContrastGiven,
    EarlierContrast,
    KidneyAssessment,
    KidneySettings,
    RenalInput,
    age_years_on,
    assess,
)
from dosetrack.kidney.iodine import iodine_g
from dosetrack.records.entries import (
    CaseOpened,
    Creatinine,
    InjectionSite,
    Knowledge,
    PatientPlaced,
    PatientSize,
    ProcedureScheduled,
)
from dosetrack.records.report import Patient
from dosetrack.units import parse_quantity

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

Fields = dict[str, str | None]
ARMS = {"beside the body": "beside", "above the head": "raised", "one above": "unknown"}
"""Words of the form -> words of the skin map, which knows both arms beside or both raised."""
IDENTIFIERS = "two identifiers: number, and name or birth date"


@dataclass(frozen=True, slots=True)
class Form:
    """What the form says, parsed.

    placed : how the patient lies, as far as told
    errors : field -> what is wrong, for the place beside it
    questions : what must be asked before the case opens
    """

    opening: CaseOpened | None
    placed: PatientPlaced | None = None
    size: PatientSize | None = None
    creatinine: Creatinine | None = None
    errors: dict[str, str] = field(default_factory=dict)
    questions: tuple[str, ...] = ()


def parsed(
    fields: Fields,
    *,
    room: str,
    on: date,
    default_unit: str | None,
    is_planned: bool = False,
    scheduled: ProcedureScheduled | None = None,
) -> Form:
    """The form as records, with every error at its field and every question to ask.

    scheduled : what it was filled from; the case is tied to it while the patient is the same
    """
    errors: dict[str, str] = {}
    questions: list[str] = []

    def take(names: tuple[str, ...], read: Callable[[], Any]) -> Any:
        try:
            found = read()
        except InputError as error:
            errors[names[0]] = input_words(error)
            return None
        questions.extend(q.text for q in getattr(found, "questions", ()))
        return getattr(found, "value", found)

    size = PatientSize(
        weight_kg=_part(
            take(("weight",), lambda: patient_size_from_text(weight=fields.get("weight"), on=on)), "weight_kg"
        ),
        height_cm=_part(
            take(("height",), lambda: patient_size_from_text(height=fields.get("height"), on=on)), "height_cm"
        ),
        birth_date=_part(
            take(("born",), lambda: patient_size_from_text(birth_date=fields.get("born"), on=on)),
            "birth_date",
        ),
        sex=fields.get("sex"),
    )
    if size.weight_kg is not None and size.height_cm is not None:
        take(
            ("weight",),
            lambda: patient_size_from_text(weight=fields.get("weight"), height=fields.get("height"), on=on),
        )
    creatinine = (
        take(("creatinine",), lambda: _creatinine(fields, on=on, default_unit=default_unit))
        if _said(fields, "creatinine")
        else None
    )
    strength = take(("strength",), lambda: _strength(fields.get("strength")))
    earlier_ml, earlier_g = take(("earlier_ml",), lambda: _earlier(fields)) or (None, None)
    if not _said(fields, "id") or not (_said(fields, "name") or _said(fields, "born")):
        errors.setdefault("id", f"Needed: {IDENTIFIERS}.")
    questions.extend(differing_patient(fields, scheduled))
    opening = CaseOpened(
        room=room,
        patient=Patient(
            id=_said(fields, "id"),
            id_issuer=_said(fields, "issuer"),
            name=as_told(_said(fields, "name"), scheduled),
            sex=size.sex,
            birth_date=size.birth_date,
            weight_kg=size.weight_kg,
            height_cm=size.height_cm,
        ),
        procedure=_said(fields, "procedure"),
        operators=tuple(
            told
            for one in (fields.get("operators") or "").split(";")
            if (told := as_told(one.strip(), scheduled))
        ),
        is_planned=is_planned,
        concentration_mgi_ml=strength,
        injection_site=InjectionSite(fields.get("site") or InjectionSite.UNKNOWN),
        is_inpatient=fields.get("inpatient") == "yes",
        dialysis=Knowledge(fields.get("dialysis") or Knowledge.UNKNOWN),
        is_creatinine_unstable=fields.get("unstable") == "yes",
        earlier_contrast=Knowledge(fields.get("earlier") or Knowledge.UNKNOWN),
        earlier_contrast_ml=earlier_ml,
        earlier_iodine_g=earlier_g,
        arms=None if fields.get("arms") in (None, "not known") else fields.get("arms"),
        pregnancy=Knowledge(fields.get("pregnancy") or Knowledge.UNKNOWN),
        accession_number=_said(fields, "accession"),
        scheduled_key=scheduled.key if scheduled and is_same_patient(fields, scheduled) else None,
    )
    return Form(opening, _placed(fields), size, creatinine, errors, tuple(dict.fromkeys(questions)))


def _placed(fields: Fields) -> PatientPlaced | None:
    """How the patient lies; None where nothing was told."""
    position, region = fields.get("position") or None, fields.get("region") or None
    arms = ARMS.get(fields.get("arms") or "")
    if not (position or region or arms):
        return None
    return PatientPlaced(position=position, region=region, arms=arms)


def _part(size: PatientSize | None, name: str) -> Any:
    return getattr(size, name) if size else None


def _said(fields: Fields, name: str) -> str | None:
    return (fields.get(name) or "").strip() or None


def _creatinine(fields: Fields, *, on: date, default_unit: str | None) -> Any:
    return creatinine_from_text(
        fields.get("creatinine") or "",
        taken_on=fields.get("creatinine_on"),
        on=on,
        default_unit=default_unit or None,
        is_unstable=fields.get("unstable") == "yes",
    )


def _strength(text: str | None) -> float | None:
    return concentration_from_text(text)[0] if text and text.strip() else None


def _earlier(fields: Fields) -> tuple[float | None, float | None]:
    """Earlier contrast as told [mL, g I]; iodine only where its strength is told too."""
    if fields.get("earlier") != Knowledge.YES.value or not _said(fields, "earlier_ml"):
        return None, None
    volume = parse_quantity(fields["earlier_ml"] or "", "volume", field="earlier contrast", default_unit="mL")
    strength = _strength(fields.get("earlier_strength"))
    return volume, iodine_of(volume, strength)


def iodine_of(volume_ml: float, strength: float | None) -> float | None:
    """Iodine of a volume, None where the strength is not told [g]."""
    return None if strength is None else iodine_g(neat_ml=volume_ml, concentration_mgi_ml=strength)


def assessment(form: Form, *, on: date, settings: KidneySettings) -> KidneyAssessment:
    """The limits that would stand if the case began now, nothing given yet."""
    opening = form.opening or CaseOpened(room="", patient=Patient())
    patient = opening.patient
    given = ContrastGiven(
        earlier=EarlierContrast(
            knowledge=opening.earlier_contrast,
            neat_ml=opening.earlier_contrast_ml,
            iodine_g=opening.earlier_iodine_g,
        )
    )
    facts = RenalInput(
        on=on,
        sex=patient.sex,
        age_years=age_years_on(patient.birth_date, on) if patient.birth_date else None,
        creatinine=form.creatinine,
        weight_kg=patient.weight_kg,
        height_cm=patient.height_cm,
        site=opening.injection_site,
        concentration_mgi_ml=opening.concentration_mgi_ml,
        dialysis=opening.dialysis,
        is_creatinine_unstable=opening.is_creatinine_unstable,
        is_inpatient=opening.is_inpatient,
    )
    return assess(facts, given, settings)


def open_case(workflow: Workflow, form: Form) -> str:
    """Open the case with its size and creatinine; its id."""
    if form.opening is None:
        raise InputError(field="form", given="", accepted=IDENTIFIERS)
    actor = actor_of(form.opening.operators[0] if form.opening.operators else None, form.opening.room)
    opened = workflow.open_case(form.opening, actor=actor)
    case_id = opened.case_id or ""
    for payload in (form.creatinine, form.placed):
        if payload is not None:
            workflow.record(case_id, payload, actor=actor, is_confirmed=True)
    return case_id
