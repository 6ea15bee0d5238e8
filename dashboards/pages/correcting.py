"""Corrections with a reason, and the change of patient: what their panels do on Room and Case."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from dash import Dash, Input, Output, State, ctx

from dashboards import ids
from dashboards.case_words import full_identity
from dashboards.components.correction import correctable
from dashboards.pages.room_entry import actor_of, input_words
from dosetrack.cases import standing
from dosetrack.entry import (
    birth_date_from_text,
    creatinine_from_text,
    patient_size_from_text,
    reading_from_text,
    sex_from_text,
)
from dosetrack.errors import DosetrackError, InputError
from dosetrack.records.entries import (
    ConsoleReading,
    Creatinine,
    Injection,
    PatientChanged,
    PatientSize,
    Payload,
)
from dosetrack.records.people import Actor
from dosetrack.records.report import Patient
from dosetrack.times import zone_named
from dosetrack.units import parse_quantity

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

PICK_ENTRY = "Pick the entry first."
REASON_MISSING = "A few words why: they stay with the correction."
NO_SWAP = "The patient of this case was not changed: there is nothing to undo."
BACK_TO = "Taken back. The case belongs to"
MOVED = "The case now belongs to"
CORRECTED = "Corrected; the earlier value stays readable on the timeline."


def correct(
    workflow: Workflow,
    case_id: str,
    entry_id: str | None,
    text: str | None,
    reason: str | None,
    *,
    actor: Actor,
) -> str:
    """Replace an entry by the value typed; what was done, or what is wrong."""
    if not entry_id:
        return PICK_ENTRY
    if not (reason or "").strip():
        return REASON_MISSING
    payload = next((e.payload for e in workflow.case_view(case_id).case.entries if e.id == entry_id), None)
    try:
        workflow.correct(entry_id, corrected(payload, (text or "").strip()), actor=actor, reason=reason or "")
    except InputError as error:
        return input_words(error)
    except DosetrackError as error:
        return str(error)
    return CORRECTED


def take_back(workflow: Workflow, entry_id: str | None, reason: str | None, *, actor: Actor) -> str:
    """Take an entry back; what was done, or what is wrong."""
    if not entry_id:
        return PICK_ENTRY
    if not (reason or "").strip():
        return REASON_MISSING
    try:
        workflow.correct(entry_id, None, actor=actor, reason=reason or "")
    except DosetrackError as error:
        return str(error)
    return CORRECTED


def corrected(payload: Payload | None, text: str) -> Payload:
    """`payload` with the value of `text` in place of its own; everything else stays."""
    if isinstance(payload, Injection):
        volume = parse_quantity(text, "volume", field="volume")
        return replace(payload, volume_ml=volume)
    if isinstance(payload, ConsoleReading):
        return _corrected_reading(payload, text)
    if isinstance(payload, Creatinine):
        found = creatinine_from_text(text, taken_on=payload.taken_on, is_unstable=payload.is_unstable)
        return found.value
    if isinstance(payload, PatientSize):
        return _corrected_size(payload, text)
    raise InputError(field="entry", given=text, accepted="an injection, a reading, a creatinine or a size")


def _corrected_reading(payload: ConsoleReading, text: str) -> ConsoleReading:
    """The unit tells which quantity is meant."""
    for name, field in (
        ("reference_air_kerma", "reference_air_kerma_mgy"),
        ("dose_area_product", "dose_area_product_gycm2"),
        ("fluoroscopy_time", "fluoroscopy_time_s"),
    ):
        try:
            found = reading_from_text(plane=payload.plane, **{name: text})
        except InputError:
            continue
        return replace(payload, **{field: getattr(found.value, field)})
    raise InputError(field="console reading", given=text, accepted="such as 3.4 Gy, 214 Gy·cm² or 41 min")


def _corrected_size(payload: PatientSize, text: str) -> PatientSize:
    try:
        return replace(payload, weight_kg=patient_size_from_text(weight=text).value.weight_kg)
    except InputError:
        return replace(payload, height_cm=patient_size_from_text(height=text).value.height_cm)


def swap(
    workflow: Workflow,
    case_id: str,
    *,
    number: str,
    name: str,
    born: str,
    sex: str,
    reason: str,
    actor: Actor,
) -> str:
    """Give the case to another patient; what was done, or what is wrong."""
    if not (number or "").strip() or not (name or "").strip():
        return "Two identifiers: the patient's number and name."
    if not (reason or "").strip():
        return REASON_MISSING
    try:
        day = birth_date_from_text(born)
        earlier = workflow.case_view(case_id).case.patient
        patient = Patient(
            id=number.strip(),
            id_issuer=earlier.id_issuer,  # a number typed here is of the same house
            name=name.strip(),
            birth_date=day.isoformat() if day else None,
            sex=sex_from_text(sex),
        )
        workflow.record(case_id, PatientChanged(patient), actor=actor, reason=reason, is_confirmed=True)
    except InputError as error:
        return input_words(error)
    except DosetrackError as error:
        return str(error)
    return f"{MOVED} {full_identity(patient)}."


def undo_swap(workflow: Workflow, case_id: str, *, actor: Actor) -> str:
    """Take back the last change of patient that stands; what was done, or what is wrong."""
    entries = standing(workflow.case_view(case_id).case.entries)
    changed = [entry for entry in entries if isinstance(entry.payload, PatientChanged)]
    if not changed:
        return NO_SWAP
    try:
        workflow.correct(changed[-1].id, None, actor=actor, reason="undo")
    except DosetrackError as error:
        return str(error)
    return f"{BACK_TO} {full_identity(workflow.case_view(case_id).case.patient)}."


def register(app: Dash, workflow: Workflow, clock: Any) -> None:
    """The callbacks of both panels."""

    @app.callback(
        Output(ids.CORRECT_MESSAGE, "children"),
        Output(ids.CORRECT_ENTRY, "data"),
        Input(ids.CORRECT_RECORD, "n_clicks"),
        Input(ids.CORRECT_BACK, "n_clicks"),
        State(ids.CORRECT_ENTRY, "value"),
        State(ids.CORRECT_VALUE, "value"),
        State(ids.CORRECT_REASON, "value"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.ENTRY_BY, "value"),
        prevent_initial_call=True,
    )
    def correct_entry(_r: Any, _b: Any, entry: str, text: str, reason: str, case_id: str, by: str) -> Any:
        actor = actor_of(by, None)
        said = ""
        if ctx.triggered_id == ids.CORRECT_RECORD:
            said = correct(workflow, case_id, entry, text, reason, actor=actor)
        elif ctx.triggered_id == ids.CORRECT_BACK:
            said = take_back(workflow, entry, reason, actor=actor)
        view = workflow.case_view(case_id)
        return said, correctable(view, zone=zone_named(view.time_zone))

    @app.callback(
        Output(ids.CORRECT_ENTRY, "data", allow_duplicate=True),
        Input(ids.ENTRY_DONE, "data"),
        State(ids.ENTRY_CASE, "data"),
        prevent_initial_call=True,
    )
    def offer_new_entry(_done: Any, case_id: str) -> Any:
        view = workflow.case_view(case_id)
        return correctable(view, zone=zone_named(view.time_zone))

    @app.callback(
        Output(ids.SWAP_MESSAGE, "children"),
        Input(ids.SWAP_RECORD, "n_clicks"),
        Input(ids.SWAP_UNDO, "n_clicks"),
        State(ids.SWAP_ID, "value"),
        State(ids.SWAP_NAME, "value"),
        State(ids.SWAP_BORN, "value"),
        State(ids.SWAP_SEX, "value"),
        State(ids.SWAP_REASON, "value"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.ENTRY_BY, "value"),
        prevent_initial_call=True,
    )
    def swap_patient(
        _n: Any, _u: Any, number: str, name: str, born: str, sex: str, reason: str, case_id: str, by: str
    ) -> str:
        actor = actor_of(by, None)
        if ctx.triggered_id == ids.SWAP_UNDO:
            return undo_swap(workflow, case_id, actor=actor) if _u else ""
        return swap(
            workflow, case_id, number=number, name=name, born=born, sex=sex, reason=reason, actor=actor
        )
