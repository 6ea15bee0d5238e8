"""The total filtration of an event's beam, as far as its report tells it."""

from __future__ import annotations

from math import isfinite
from typing import NamedTuple

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.records.report import Filter, IrradiationEvent
from dosetrack.skin.model import Assumption
from dosetrack.tables import constants

_IN_TABLES = ("aluminium", "copper")


class Filtration(NamedTuple):
    """Total filtration of one beam.

    al_mm : inherent, in aluminium equivalent, and added aluminium [mm]
    cu_mm : added copper [mm]
    """

    al_mm: float
    cu_mm: float
    assumed: tuple[Assumption, ...]


def filtration_of(event: IrradiationEvent) -> Filtration:
    """Aluminium and copper in the beam of `event`; the inherent filtration is assumed and said so.

    A filter that is thinner at one side counts with its thin end, where the skin dose is highest.
    Other materials and thicknesses that cannot be used are left out with an assumption; their
    findings are those of `filter_findings`.

    Examples
    --------
    >>> event = IrradiationEvent(filters=(Filter("copper", 0.2, 0.2), Filter("aluminium", 1.0, 1.0)))
    >>> filtration_of(event)[:2]
    (4.0, 0.2)
    """
    inherent = constants("skin_factors")["inherent_al"]
    total = {"aluminium": inherent.number, "copper": 0.0}
    assumed = [
        Assumption(
            "inherent-filtration",
            f"inherent filtration {inherent.value} mm Al ({inherent.low} to {inherent.high}; not reported)",
        )
    ]
    if not event.filters:
        assumed.append(Assumption("beam-quality", "no filter added (none reported)"))
    for one in event.filters:
        thickness, name = _thin_end(one), one.material
        if name not in _IN_TABLES:
            if thickness != 0:
                said = name or "unknown material"
                assumed.append(Assumption("filter-material", f"filter of {said} left out"))
        elif thickness is None:
            assumed.append(Assumption("filter-material", f"filter of {name} without a thickness left out"))
        else:
            total[name] += thickness
            if one.max_mm is not None and one.max_mm > thickness:
                text = f"{name} filter of {thickness:g} to {one.max_mm:g} mm counted with its thin end"
                assumed.append(Assumption("filter-shape", text))
    return Filtration(total["aluminium"], total["copper"], tuple(dict.fromkeys(assumed)))


def filter_findings(event: IrradiationEvent) -> tuple[Finding, ...]:
    """What was unusual in the filters of `event`: other materials, thicknesses that cannot be used."""
    findings = []
    for one in event.filters:
        thickness, name = _thin_end(one), one.material or "unknown material"
        if one.material not in _IN_TABLES:
            if thickness != 0:
                kind = FindingCode.FILTER_MATERIAL_NOT_IN_TABLE
                findings.append(finding(kind, event_uid=event.uid, material=name))
        elif thickness is None:
            given = one.min_mm if one.min_mm is not None else one.max_mm
            findings.append(
                finding(
                    FindingCode.FILTER_THICKNESS_NOT_USABLE,
                    event_uid=event.uid,
                    material=name,
                    given="nothing" if given is None else f"{given:g} mm",
                )
            )
    return tuple(findings)


def _thin_end(one: Filter) -> float | None:
    """The least thickness told [mm]; None when none can be used."""
    told = [number for number in (one.min_mm, one.max_mm) if number is not None]
    if not told or not all(isfinite(number) and number >= 0 for number in told):
        return None
    return min(told)
