"""What the schedule puts into the form before the case, and how its marks and questions read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dashboards import view_models as vm
from dosetrack.records.entries import ProcedureScheduled

Fields = Mapping[str, str | None]
FROM_SCHEDULE = "from the schedule"
OF_PATIENT = (
    "id", "issuer", "name", "born", "sex", "weight", "height", "creatinine", "creatinine_on", "dialysis",
    "unstable", "inpatient", "earlier", "earlier_ml", "earlier_strength", "procedure", "accession",
    "pregnancy", "position", "region", "arms",
)  # fmt: skip
"""Fields that say something of one patient: another patient empties them."""
NOT_SAID = {
    "dialysis": "unknown",
    "unstable": "no",
    "inpatient": "no",
    "earlier": "unknown",
    "pregnancy": "unknown",
    "arms": "not known",
    "position": "",
    "region": "",
}
"""What a choice stands at before anyone has said anything."""


def fields_of(told: ProcedureScheduled) -> dict[str, str]:
    """The fields of the form that the schedule tells, as a person would type them."""
    patient = told.patient
    found = {
        "id": patient.id,
        "issuer": patient.id_issuer,
        "name": vm.person_name(patient.name),
        "born": patient.birth_date,
        "sex": patient.sex,
        "weight": None if patient.weight_kg is None else f"{patient.weight_kg:g} kg",
        "height": None if patient.height_cm is None else f"{patient.height_cm:g} cm",
        "procedure": told.procedure,
        "operators": "; ".join(map(vm.person_name, told.operators)),
        "accession": told.accession_number,
    }
    return {name: text for name, text in found.items() if text}


def filled(values: Fields, told: ProcedureScheduled) -> dict[str, str | None]:
    """The form after one touch on `told`. What was typed of another patient goes."""
    typed_id = (values.get("id") or "").strip()
    is_other = bool(typed_id) and typed_id != told.patient.id
    kept = emptied(values) if is_other else dict(values)
    return {**kept, **{name: text for name, text in fields_of(told).items() if name in values}}


def emptied(values: Fields) -> dict[str, str | None]:
    """The form without anything said of a patient; what the room has on its table stays."""
    gone = {name: NOT_SAID.get(name) for name in (*OF_PATIENT, "operators")}
    return {name: gone.get(name, text) if name in gone else text for name, text in values.items()}


def marks(values: Fields, told: ProcedureScheduled | None) -> dict[str, str]:
    """Beside each field: that it came from the schedule, or what the schedule says instead."""
    if told is None:
        return {}
    found = {}
    for name, text in fields_of(told).items():
        is_same = (values.get(name) or "").strip() == text
        found[name] = FROM_SCHEDULE if is_same else f"the schedule says {text}"
    return found


def is_same_patient(values: Fields, told: ProcedureScheduled) -> bool:
    """Whether the form names the scheduled patient: number, and birth date where both tell it."""
    born = (values.get("born") or "").strip()
    is_same_birth = not born or told.patient.birth_date in (None, born)
    return (values.get("id") or "").strip() == told.patient.id and is_same_birth


def differing_patient(values: Fields, told: ProcedureScheduled | None) -> list[str]:
    """What to ask where the form was filled from the schedule and names somebody else now."""
    if told is None or is_same_patient(values, told):
        return []
    who = vm.joined(told.patient.id, vm.person_name(told.patient.name), _born(told))
    return [
        f"The schedule names {who}; the form names another number or birth date. Is it another patient? "
        "Then the case is not tied to the schedule."
    ]


def identity_words(values: Fields) -> str:
    """The two identifiers to hold against the patient's wristband."""
    born = (values.get("born") or "").strip()
    name = (values.get("name") or "").strip()
    return vm.joined(f"number {values.get('id') or vm.NOT_KNOWN}", name, f"born {born}" if born else None)


def as_told(text: str | None, told: ProcedureScheduled | None) -> str | None:
    """A name as the schedule wrote it, where the form shows it unchanged; else as typed."""
    if not text or told is None:
        return text or None
    names: Sequence[str] = [name for name in (told.patient.name, *told.operators) if name]
    return next((name for name in names if vm.person_name(name) == text), text)


def _born(told: ProcedureScheduled) -> str | None:
    return f"born {vm.day(told.patient.birth_date)}" if told.patient.birth_date else None
