"""The cases that test rules: what is unusual in each, and the tag that names it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ReportStyle = Literal["one", "cumulative-resent", "late", "none", "totals-only", "mismatch"]
CreatinineStyle = Literal["usual", "none", "stale", "unstable"]


@dataclass(frozen=True, slots=True)
class Traits:
    """What is unusual about a case; every default means 'as usual'.

    tags : names of the rules it tests
    patient : cases with the same word here are of one patient
    reference_air_kerma_mgy : sum over planes
    dose_area_product_unit : UCUM code the report writes
    """

    tags: tuple[str, ...] = ()
    patient: str | None = None
    name: str | None = None
    reference_air_kerma_mgy: float | None = None
    reports: ReportStyle = "one"
    has_size: bool = True
    dose_area_product_unit: str | None = None
    creatinine: CreatinineStyle = "usual"
    creatinine_mg_dl: float | None = None
    is_on_dialysis: bool = False
    contrast_ml: float | None = None
    carbon_dioxide_ml: float | None = None


USUAL = Traits()


@dataclass(frozen=True, slots=True)
class Special:
    """A case put into every department.

    at : place in the department's span, from 0 to 1; None where `days_before_end` says it
    """

    procedure: str
    room: str
    traits: Traits
    at: float | None = None
    days_before_end: int | None = None
    is_clock_change_night: bool = False


LIVE_PATIENT = "live"
"""The word that marks the cases of the live case's patient."""

DAYS_BEFORE_LIVE_CASE = 40

SPECIALS = (
    Special("aneurysm-coiling", "Room 3", Traits(("biplane",)), at=0.93),
    Special("tace", "Room 1", Traits(("cumulative-resent",), reports="cumulative-resent"), at=0.90),
    Special("uterine-embolisation", "Room 2", Traits(("totals-mismatch",), reports="mismatch"), at=0.86),
    Special("evar", "Room 1", Traits(("missing-size",), has_size=False), at=0.89),
    Special(
        "pci", "Room 4", Traits(("late-report",), reports="late", reference_air_kerma_mgy=5600.0), at=0.84
    ),
    Special("sirt-workup", "Room 1", Traits(("high-dose",), reference_air_kerma_mgy=6200.0), at=0.95),
    Special("tips", "Room 1", Traits(("very-high-dose",), reference_air_kerma_mgy=10800.0), at=0.91),
    Special(
        "evar",
        "Room 1",
        Traits(("poor-kidneys-past-limit",), creatinine_mg_dl=2.4, contrast_ml=190.0),
        at=0.96,
    ),
    Special(
        "lower-limb", "Room 2", Traits(("dialysis",), creatinine_mg_dl=6.1, is_on_dialysis=True), at=0.87
    ),
    Special(
        "lower-limb",
        "Room 1",
        Traits(("carbon-dioxide",), creatinine_mg_dl=2.1, contrast_ml=25.0, carbon_dioxide_ml=240.0),
        at=0.92,
    ),
    Special("tace", "Room 2", Traits(("stale-creatinine",), creatinine="stale"), at=0.94),
    Special("coronary-angiography", "Room 4", Traits(("unknown-creatinine",), creatinine="none"), at=0.965),
    Special("thrombectomy", "Room 3", Traits(("unstable-creatinine",), creatinine="unstable"), at=0.88),
    Special(
        "coronary-angiography",
        "Room 4",
        Traits(("same-patient-60-days",), patient="again", reference_air_kerma_mgy=1900.0),
        days_before_end=53,
    ),
    Special(
        "pci",
        "Room 4",
        Traits(("same-patient-60-days",), patient="again", reference_air_kerma_mgy=3400.0),
        days_before_end=12,
    ),
    Special("nephrostomy", "Room 2", Traits(("totals-only",), reports="totals-only"), at=0.85),
    Special("pacemaker", "Room 5", Traits(("dap-only",)), at=0.935),
    Special(
        "cerebral-angiography", "Room 3", Traits(("non-ascii-name",), name="Žďárská-Demo^Þóra"), at=0.955
    ),
    Special(
        "biliary-drainage", "Room 2", Traits(("other-unit",), dose_area_product_unit="dGy.cm2"), at=0.945
    ),
    Special("nephrostomy", "Room 5", Traits(("no-report",), reports="none"), at=0.975),
    Special("biliary-drainage", "Room 1", Traits(("clock-change",)), is_clock_change_night=True),
    Special(
        "tace",
        "Room 1",
        Traits(("live-patient-earlier",), patient=LIVE_PATIENT, reference_air_kerma_mgy=1450.0),
        days_before_end=DAYS_BEFORE_LIVE_CASE,
    ),
)

TAGS = tuple(dict.fromkeys(tag for special in SPECIALS for tag in special.traits.tags))
"""Every tag a case can carry."""
