"""The patient of the live case, who was in the department some weeks before."""

from __future__ import annotations

from datetime import date

from dosetrack.exchange.department.people import PATIENT_ISSUER, SamplePatient
from dosetrack.records.report import Patient

LIVE_PATIENT_ID = "DEMO-90417"
_AGE = 61  # whole years on the day of the live case
_BIRTHDAY = (6, 15)  # month, day


def live_patient(on: date) -> SamplePatient:
    """A man of 61 years, 74 kg and 172 cm with a creatinine of 1.4 mg/dL.

    Cockcroft-Gault: (140 - 61) x 74 / (72 x 1.4) = 58.0 mL/min, so that twice it is 116 mL.
    """
    has_birthday_ahead = (on.month, on.day) < _BIRTHDAY
    birth = date(on.year - _AGE - has_birthday_ahead, *_BIRTHDAY)
    record = Patient(
        id=LIVE_PATIENT_ID,
        id_issuer=PATIENT_ISSUER,
        name="Fennel-Demo^Orrin",
        sex="M",
        birth_date=birth.isoformat(),
        weight_kg=74.0,
        height_cm=172.0,
    )
    return SamplePatient(record, 1.4)
