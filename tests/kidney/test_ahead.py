"""How many injections lie ahead, by hand: distance over the median of the last five, rounded up."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from dosetrack.kidney import (
    ContrastGiven,
    KidneyAssessment,
    RenalInput,
    assess,
    contrast_totals,
    injections_ahead,
)
from dosetrack.records.entries import Creatinine, Injection, InjectionSite

# patient A of the limit examples: 2 x CrCl = 100.74 mL, 3 x CrCl = 151.11 mL
PATIENT_A = RenalInput(
    on=date(2026, 3, 2),
    sex="M",
    age_years=72,
    creatinine=Creatinine("1.5", "mg/dL", "2026-02-27"),
    weight_kg=80,
    height_cm=175,
    site=InjectionSite.SECOND_PASS,
    concentration_mgi_ml=320,
)


def after(volumes: list[float]) -> KidneyAssessment:
    given = contrast_totals([Injection(volume_ml=v, concentration_mgi_ml=320) for v in volumes])
    return assess(PATIENT_A, ContrastGiven(now=given))


@pytest.mark.parametrize(
    ("volumes", "words"),
    [
        ([6.0] * 10, "2 × CrCl reached after about 7 injections of 6 mL"),  # 40.74 / 6 = 6.8
        ([40.0, 40.0, 5.0, 6.0, 7.0], "2 × CrCl reached after about 1 injection of 7 mL"),  # 2.74 / 7
        ([30.0, 30.0, 30.0, 12.0], "3 × CrCl reached after about 2 injections of 30 mL"),  # 49.11 / 30
    ],
    ids=["below", "close", "past the leading one"],
)
def test_distance_over_the_usual_size(volumes: list[float], words: str) -> None:
    ahead = injections_ahead(after(volumes), volumes)
    assert ahead is not None
    assert ahead.in_words() == words


def test_nothing_is_said_before_the_first_injection_or_without_a_limit() -> None:
    assert injections_ahead(after([]), []) is None
    unknown = assess(replace(PATIENT_A, creatinine=None), ContrastGiven())
    assert injections_ahead(unknown, [6.0]) is None
