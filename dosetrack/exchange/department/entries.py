"""What people typed about an invented case: form, size, creatinine, injections, console readings."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from random import Random

from dosetrack.exchange.department.events import TimedEvent, stated_totals
from dosetrack.exchange.department.records import SampleEntry
from dosetrack.exchange.department.schedule import CasePlan
from dosetrack.records.entries import (
    Agent,
    CaseEnded,
    CaseOpened,
    ConsoleReading,
    Creatinine,
    Injection,
    InjectionSite,
    Knowledge,
    PatientSize,
    Payload,
    RenalStatus,
)
from dosetrack.records.people import Actor, Role
from dosetrack.units import unit_factor

NURSE = Actor("Birch-Demo (nurse)", Role.ROOM)
RADIOGRAPHER = Actor("Larch-Demo (radiographer)", Role.ROOM)

_USUALLY_ENTERED = 0.85
_SIZE_ENTERED = 0.85
_CREATININE_KNOWN = 0.88
_READING_ENTERED = 0.35
_ITEMISED_SYRINGE_ML = 8.0
_BOLUS_ML = 45.0


@dataclass(frozen=True, slots=True)
class ContrastGiven:
    """Undiluted iodinated contrast of one case [mL] and its iodine [g]; None when not entered."""

    contrast_ml: float | None
    iodine_g: float | None


def case_entries(
    plan: CasePlan,
    events: tuple[TimedEvent, ...],
    *,
    accession_number: str,
    ended_at: datetime,
    is_recent: bool,
    rng: Random,
) -> tuple[tuple[SampleEntry, ...], ContrastGiven]:
    """The entries of the case in time order, and the contrast they add up to.

    is_recent : syringe by syringe; older cases hold a few sums
    """
    is_entered = rng.random() < (0.5 if plan.room.is_mobile else _USUALLY_ENTERED)
    if not (plan.traits.tags or is_entered):
        return (), ContrastGiven(None, None)
    opened_at = plan.started_at - timedelta(minutes=12)
    found = [SampleEntry(opened_at, _form(plan, accession_number, rng), NURSE)]
    found += _before(plan, opened_at, rng)
    injections = _injections(plan, events, is_recent=is_recent, rng=rng)
    found += injections
    # where the report comes late nobody read the console either: its dose is news
    has_readings = plan.traits.tags or rng.random() < _READING_ENTERED
    if has_readings and plan.traits.reports != "late":
        found += _readings(events, ended_at)
    found.append(SampleEntry(ended_at, CaseEnded(), NURSE))
    found.sort(key=lambda entry: entry.happened_at)
    return tuple(found), contrast_given(entry.payload for entry in injections)


def contrast_given(payloads: Iterable[Payload]) -> ContrastGiven:
    """What the intravascular iodinated injections among `payloads` add up to."""
    volume = iodine = 0.0
    for payload in payloads:
        if not isinstance(payload, Injection) or payload.agent is not Agent.IODINATED:
            continue
        if payload.site is InjectionSite.NOT_INTRAVASCULAR:
            continue
        product_ml = payload.volume_ml * payload.contrast_fraction
        volume += product_ml
        iodine += product_ml * (payload.concentration_mgi_ml or 0) / 1000
    return ContrastGiven(round(volume, 3), round(iodine, 4))


def _form(plan: CasePlan, accession_number: str, rng: Random) -> CaseOpened:
    earlier = rng.choices((Knowledge.NO, Knowledge.UNKNOWN), (9, 1))[0]
    return CaseOpened(
        room=plan.room.name,
        # the form takes the identity; size comes as an entry of its own
        patient=replace(plan.patient.record, weight_kg=None, height_cm=None),
        procedure=plan.procedure.label,
        operators=tuple(each.name for each in plan.operators),
        concentration_mgi_ml=plan.procedure.concentration_mgi_ml,
        injection_site=plan.procedure.injection_site,
        dialysis=Knowledge.YES if plan.traits.is_on_dialysis else Knowledge.NO,
        is_creatinine_unstable=plan.traits.creatinine == "unstable",
        earlier_contrast=earlier,
        accession_number=accession_number,
    )


def _before(plan: CasePlan, opened_at: datetime, rng: Random) -> list[SampleEntry]:
    found: list[SampleEntry] = []
    patient, traits = plan.patient.record, plan.traits
    if traits.has_size and (traits.tags or rng.random() < _SIZE_ENTERED):
        size = PatientSize(patient.weight_kg, patient.height_cm, patient.sex, patient.birth_date)
        found.append(SampleEntry(opened_at + timedelta(minutes=1), size, NURSE))
    if traits.is_on_dialysis:
        status = RenalStatus(dialysis=Knowledge.YES)
        found.append(SampleEntry(opened_at + timedelta(minutes=2), status, NURSE))
    if traits.creatinine != "none" and (traits.tags or rng.random() < _CREATININE_KNOWN):
        days = 131 if traits.creatinine == "stale" else rng.randrange(0, 14)
        taken_on = (plan.started_at.date() - timedelta(days=days)).isoformat()
        creatinine = _creatinine(plan, taken_on)
        found.append(SampleEntry(opened_at + timedelta(minutes=3), creatinine, NURSE))
    return found


def _creatinine(plan: CasePlan, taken_on: str) -> Creatinine:
    value = plan.patient.creatinine_mg_dl
    is_unstable = plan.traits.creatinine == "unstable"
    if plan.procedure.group == "heart":  # the heart laboratory's values come in SI units
        unit = unit_factor("umol/L", "creatinine_mg_dl")
        assert unit is not None
        return Creatinine(f"{value / unit.factor:.0f}", "umol/L", taken_on, is_unstable)
    return Creatinine(f"{value:.2f}", "mg/dL", taken_on, is_unstable)


def _injections(
    plan: CasePlan, events: tuple[TimedEvent, ...], *, is_recent: bool, rng: Random
) -> list[SampleEntry]:
    procedure, traits = plan.procedure, plan.traits
    total_ml = traits.contrast_ml or procedure.contrast_ml * rng.lognormvariate(0, 0.33)
    each_ml = _ITEMISED_SYRINGE_ML if is_recent or traits.tags else _BOLUS_ML
    number = max(2, math.ceil(total_ml / each_ml))
    runs = [each.start for each in events if each.event.type != "fluoroscopy"] or [plan.started_at]
    parts = [rng.uniform(0.6, 1.4) for _ in range(number)]
    given: list[tuple[Payload, datetime]] = []
    left_ml = total_ml
    for order, part in enumerate(parts):
        share = total_ml * part / sum(parts)
        volume = round(share if order < number - 1 else left_ml, 1)
        left_ml -= volume
        if volume <= 0:
            continue
        moment = runs[order * len(runs) // number] - timedelta(seconds=rng.randrange(2, 8))
        given.append((_injection(plan, volume), moment))
    if traits.carbon_dioxide_ml:
        gas = Injection(
            traits.carbon_dioxide_ml / 4, agent=Agent.CARBON_DIOXIDE, site=procedure.injection_site
        )
        given += [(gas, runs[order * len(runs) // 4]) for order in range(4)]
    return [SampleEntry(moment, payload, NURSE) for payload, moment in given]


def _injection(plan: CasePlan, volume_ml: float) -> Injection:
    is_diluted = plan.procedure.key == "lower-limb"
    return Injection(
        volume_ml=volume_ml,
        concentration_mgi_ml=plan.procedure.concentration_mgi_ml,
        contrast_fraction=0.5 if is_diluted else 1.0,
        site=plan.procedure.injection_site,
        from_injector=volume_ml > 20,
    )


def _readings(events: tuple[TimedEvent, ...], ended_at: datetime) -> list[SampleEntry]:
    totals = stated_totals(tuple(each.event for each in events))
    return [
        SampleEntry(
            ended_at - timedelta(minutes=1),
            ConsoleReading(
                plane=total.plane,
                reference_air_kerma_mgy=_rounded(total.reference_air_kerma_mgy, 0),
                dose_area_product_gycm2=_rounded(total.dose_area_product_gycm2, 1),
                fluoroscopy_time_s=_rounded(total.fluoroscopy_time_s, 0),
            ),
            RADIOGRAPHER,
        )
        for total in totals
    ]


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
