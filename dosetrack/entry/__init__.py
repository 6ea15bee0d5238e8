"""What a person typed: parsed with its unit, checked against bounds, never converted silently.

Each function gives a `Typed` value with questions to put to the person. What cannot be used raises
`InputError` with a sentence naming the field and what is accepted.
"""

from dosetrack.entry.answers import Question, Typed
from dosetrack.entry.console import carried_over, check_reading, plane_from_text, reading_from_text
from dosetrack.entry.contrast import (
    agent_from_text,
    concentration_from_text,
    contrast_fraction_from_text,
    duplicate_question,
    injection_from_text,
    site_from_text,
)
from dosetrack.entry.patient import (
    age_from_text,
    birth_date_from_text,
    creatinine_from_text,
    patient_size_from_text,
    sex_from_text,
)

__all__ = [
    "Question",
    "Typed",
    "age_from_text",
    "agent_from_text",
    "birth_date_from_text",
    "carried_over",
    "check_reading",
    "concentration_from_text",
    "contrast_fraction_from_text",
    "creatinine_from_text",
    "duplicate_question",
    "injection_from_text",
    "patient_size_from_text",
    "plane_from_text",
    "reading_from_text",
    "sex_from_text",
    "site_from_text",
]
