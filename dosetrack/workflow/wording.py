"""Entries in plain words, for the timeline of a case."""

from __future__ import annotations

from functools import singledispatch

from dosetrack.records import entries as e
from dosetrack.records import follow_up as f
from dosetrack.records.report import Patient


def in_words(payload: e.Payload | None) -> str:
    """One line that tells what an entry says; 'data deleted' where its payload is gone."""
    return "data deleted" if payload is None else _words(payload)


@singledispatch
def _words(payload: object) -> str:
    return type(payload).__name__


@_words.register
def _(payload: e.CaseOpened) -> str:
    verb = "Case planned" if payload.is_planned else "Case opened"
    return f"{verb}: {payload.procedure or 'procedure not told'}, {_person(payload.patient)}"


@_words.register
def _(payload: e.CaseStarted) -> str:
    return "Case started"


@_words.register
def _(payload: e.CaseEnded) -> str:
    return f"Case ended ({payload.how})"


@_words.register
def _(payload: e.CaseClosed) -> str:
    said = [payload.note] if payload.note else []
    said += [_settled(one) for one in payload.differences]
    return "Case reconciled and closed" + (f": {'; '.join(said)}" if said else "")


_QUANTITY = {
    "reference_air_kerma_mgy": "Ka,r",
    "dose_area_product_gycm2": "DAP",
    "fluoroscopy_time_s": "fluoroscopy time",
}


def _settled(one: e.SettledDifference) -> str:
    plane = f", plane {one.plane.upper()}" if one.plane in ("a", "b") else ""
    return f"{_QUANTITY.get(one.quantity, one.quantity)}{plane}: {one.counts} counts"


@_words.register
def _(payload: e.ReportReceived) -> str:
    return f"Dose report received: {payload.file}"


@_words.register
def _(payload: e.TableReceived) -> str:
    return f"Table of entries taken in: {payload.file}, {payload.entries} entries"


@_words.register
def _(payload: e.FileQuarantined) -> str:
    return f"File kept but not read: {payload.file} ({payload.reason})"


@_words.register
def _(payload: e.JoinProposed) -> str:
    return f"May belong to case {payload.other_case}: {payload.why}"


@_words.register
def _(payload: e.ReportMoved) -> str:
    return f"Dose report moved here from case {payload.from_case}"


@_words.register
def _(payload: e.PatientSize) -> str:
    parts = [
        f"weight {payload.weight_kg:g} kg" if payload.weight_kg is not None else "",
        f"height {payload.height_cm:g} cm" if payload.height_cm is not None else "",
        f"sex {payload.sex}" if payload.sex else "",
        f"born {payload.birth_date}" if payload.birth_date else "",
    ]
    return "Patient: " + ", ".join(part for part in parts if part)


@_words.register
def _(payload: e.PromptShown) -> str:
    return f"Prompt shown on the {payload.screen} screen"


@_words.register
def _(payload: e.ProcedureScheduled) -> str:
    when = payload.scheduled_at or "time not told"
    return f"Scheduled: {payload.procedure or 'procedure not told'}, {when}"


@_words.register
def _(payload: e.AccessGranted) -> str:
    return f"{payload.name} may feed {payload.room}"


@_words.register
def _(payload: e.HeldForPerson) -> str:
    sent = payload.reading if payload.reading is not None else payload.injection
    return f"{payload.feed} sent: {_words(sent)}. Not counted. {' '.join(payload.questions)}"


@_words.register
def _(payload: f.FollowUpDecided) -> str:
    if payload.tier is None:
        return f"Follow-up of the {payload.kind}: nothing is due by the rules ({payload.profile})"
    why = "; ".join(reason.text for reason in payload.reasons)
    due = ", ".join(payload.due) or "no day set"
    return f"Follow-up of the {payload.kind}: {payload.tier}, due {due}: {why}"


@_words.register
def _(payload: f.FollowUpAssigned) -> str:
    return f"Follow-up of the {payload.kind}: {payload.owner or 'nobody'} looks after it"


@_words.register
def _(payload: f.ContactTried) -> str:
    parts = [
        f"{payload.kind}: {payload.outcome}",
        payload.note or "",
        payload.next_on and f"next {payload.next_on}",
    ]
    return "Patient called, " + ", ".join(part for part in parts if part)


@_words.register
def _(payload: f.SkinExamined) -> str:
    grade = "not graded" if payload.grade is None else f"grade {payload.grade} ({payload.scale})"
    place = f", {payload.place}" if payload.place else ""
    return f"Skin seen on {payload.seen_on} by {payload.examiner}: {grade}{place}"


@_words.register
def _(payload: f.SkinDoseEstimated) -> str:
    peak = payload.peak_skin_dose_mgy
    dose = "no number" if peak is None else f"{peak / 1000:.2g} Gy"
    return f"Physicist's estimate of peak skin dose: {dose}; decision: {payload.decision}"


@_words.register
def _(payload: f.FollowUpClosed) -> str:
    return f"Follow-up of the {payload.kind} settled"


@_words.register
def _(payload: f.FollowUpReopened) -> str:
    return f"Follow-up of the {payload.kind} opened again"


@_words.register
def _(payload: f.PatientContact) -> str:
    if payload.died_on:
        return f"Patient died on {payload.died_on}"
    parts = [
        "by " + ", ".join(payload.consents_to) if payload.consents_to else "",
        f"interpreter: {payload.interpreter}" if payload.interpreter else "",
    ]
    return "Contact: " + (", ".join(part for part in parts if part) or "as told")


@_words.register
def _(payload: e.PatientPlaced) -> str:
    shifts = (payload.shift_left_mm, payload.shift_back_mm, payload.shift_head_mm)
    parts = [
        payload.position or "",
        f"{payload.region} at the isocentre" if payload.region else "",
        f"arms {payload.arms}" if payload.arms else "",
        "moved by {:g} mm left, {:g} mm back, {:g} mm head".format(*shifts) if any(shifts) else "",
    ]
    return "Patient lay: " + (", ".join(part for part in parts if part) or "not told")


@_words.register
def _(payload: e.PatientChanged) -> str:
    return f"Patient changed to {_person(payload.patient)}"


@_words.register
def _(payload: e.Creatinine) -> str:
    when = f" of {payload.taken_on}" if payload.taken_on else ", date not told"
    return f"Creatinine {payload.value} {payload.unit.replace('umol', 'µmol')}{when}" + (
        ", changing" if payload.is_unstable else ""
    )


@_words.register
def _(payload: e.RenalStatus) -> str:
    changing = "changing" if payload.is_creatinine_unstable else "stable as far as told"
    return f"Renal status: dialysis {payload.dialysis}, creatinine {changing}"


@_words.register
def _(payload: e.Injection) -> str:
    text = f"{payload.volume_ml:g} mL {'contrast' if payload.agent is e.Agent.IODINATED else payload.agent}"
    if payload.agent is e.Agent.IODINATED:
        strength = payload.concentration_mgi_ml
        text += f", {strength:g} mg I/mL" if strength is not None else ", concentration not told"
        if payload.contrast_fraction < 1:
            text += f", diluted to {payload.contrast_fraction:.0%}"
    site = "" if payload.site is e.InjectionSite.UNKNOWN else f", {payload.site}"
    return "Injection: " + text + site + (", from the injector" if payload.from_injector else "")


@_words.register
def _(payload: e.ConsoleReading) -> str:
    parts = [
        f"Ka,r {payload.reference_air_kerma_mgy:g} mGy"
        if payload.reference_air_kerma_mgy is not None
        else "",
        f"DAP {payload.dose_area_product_gycm2:g} Gy·cm²"
        if payload.dose_area_product_gycm2 is not None
        else "",
        f"time {payload.fluoroscopy_time_s / 60:.1f} min" if payload.fluoroscopy_time_s is not None else "",
    ]
    plane = "" if payload.plane == "single" else f" plane {payload.plane.upper()}"
    note = ", console began again" if payload.is_reset else ""
    offset = payload.offset_reference_air_kerma_mgy or payload.offset_dose_area_product_gycm2
    note += ", less what an earlier patient left on it" if offset else ""
    return f"Console reading{plane}: " + ", ".join(part for part in parts if part) + note


@_words.register
def _(payload: e.OperatorsChanged) -> str:
    return "Operators: " + ", ".join(payload.operators)


@_words.register
def _(payload: e.LevelsReached) -> str:
    return f"Prompt: {payload.headline}"


@_words.register
def _(payload: e.PromptAnswered) -> str:
    return f"Prompt answered: {payload.decision}" + (f" ({payload.reason})" if payload.reason else "")


@_words.register
def _(payload: e.SettingChanged) -> str:
    return f"Setting {payload.key} for {payload.scope}: {payload.value or 'back to the wider scope'}"


@_words.register
def _(payload: e.Withdrawn) -> str:
    return "Taken back"


@_words.register
def _(payload: e.Note) -> str:
    return f"Note: {payload.text}"


def _person(patient: Patient) -> str:
    return f"patient {patient.id}" if patient.id else "patient without a number"
