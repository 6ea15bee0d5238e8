"""An invented patient: M, 72 y, 1.5 mg/dL, 80 kg, 175 cm; patient A of the limit examples."""

from __future__ import annotations

from datetime import date

import pytest

from dosetrack.kidney import ContrastGiven, EarlierContrast, RenalInput, contrast_totals
from dosetrack.records.entries import Creatinine, Injection, InjectionSite, Knowledge


@pytest.fixture
def patient() -> RenalInput:
    return RenalInput(
        on=date(2026, 3, 2),
        sex="M",
        age_years=72,
        creatinine=Creatinine("1.5", "mg/dL", "2026-03-01"),
        weight_kg=80,
        height_cm=175,
        site=InjectionSite.SECOND_PASS,
        concentration_mgi_ml=320,
    )


@pytest.fixture
def given() -> ContrastGiven:
    """88 mL of 320 mg I/mL, nothing earlier."""
    return given_ml(88)


def given_ml(volume_ml: float, concentration_mgi_ml: float | None = 320) -> ContrastGiven:
    injections = [Injection(volume_ml, concentration_mgi_ml)] if volume_ml else []
    return ContrastGiven(contrast_totals(injections), EarlierContrast(Knowledge.NO))
