"""The invented patients: build, kidneys, and names that cannot be taken for a person's."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from random import Random

from dosetrack.records.report import Patient

PATIENT_ISSUER = "INVENTED"
_FAMILY = (
    "Alder", "Bramble", "Clover", "Dogwood", "Elder", "Fennel", "Gorse", "Hazel", "Ivy", "Juniper",
    "Knapweed", "Larkspur", "Mallow", "Nettle", "Orache", "Pansy", "Quince", "Rowan", "Sedge", "Thistle",
    "Ulex", "Vervain", "Walnut", "Yew",
)  # fmt: skip
_GIVEN_F = ("Ada", "Berta", "Cleo", "Dora", "Elsa", "Fanny", "Greta", "Hilda", "Ines", "Jana", "Kora", "Lida")
_GIVEN_M = ("Abel", "Bruno", "Cyril", "Dino", "Emil", "Fred", "Gus", "Hugo", "Igor", "Jonas", "Karl", "Leo")
_ONLY_WOMEN = frozenset({"uterine-embolisation"})
_ONLY_MEN = frozenset({"prostate-embolisation"})
_MEAN_AGES = {"uterine-embolisation": 42, "prostate-embolisation": 68, "tavi": 80, "pacemaker": 76}
_REFERENCE_DIAMETER_CM = 24.0
"""Equivalent diameter at which a procedure's median holds: about 75 kg and 172 cm."""


@dataclass(frozen=True, slots=True)
class SamplePatient:
    """A patient and the creatinine found before the case [mg/dL]."""

    record: Patient
    creatinine_mg_dl: float

    @property
    def size_cm(self) -> float:
        """How much thicker than the reference build: difference of equivalent diameters [cm]."""
        weight, height = self.record.weight_kg or 75.0, self.record.height_cm or 172.0
        # a cylinder of water of this height and weight
        return 2 * math.sqrt(weight * 1000 / (math.pi * height)) - _REFERENCE_DIAMETER_CM


def make_patient(rng: Random, *, number: int, procedure: str, on: date) -> SamplePatient:
    """Patient `number`, of an age and sex that fit the procedure done on the day `on`."""
    is_woman = procedure in _ONLY_WOMEN or (procedure not in _ONLY_MEN and rng.random() < 0.42)
    age = min(94, max(19, round(rng.gauss(_MEAN_AGES.get(procedure, 66), 10))))
    birth = on - timedelta(days=round(age * 365.25) + rng.randrange(365))
    height = rng.gauss(163 if is_woman else 175, 6.5)
    body_mass_index = min(48.0, max(17.0, rng.lognormvariate(math.log(26.5), 0.18)))
    creatinine = rng.lognormvariate(math.log(0.8 if is_woman else 0.98), 0.18)
    if rng.random() < 0.12:
        creatinine *= rng.uniform(1.6, 3.0)
    given = rng.choice(_GIVEN_F if is_woman else _GIVEN_M)
    record = Patient(
        id=f"DEMO-{number:05d}",
        id_issuer=PATIENT_ISSUER,
        name=f"{rng.choice(_FAMILY)}-Demo^{given}",
        sex="F" if is_woman else "M",
        birth_date=birth.isoformat(),
        weight_kg=round(body_mass_index * (height / 100) ** 2, 0),
        height_cm=round(height, 0),
    )
    return SamplePatient(record, creatinine)
