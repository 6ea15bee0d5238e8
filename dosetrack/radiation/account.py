"""The radiation account of one case: per plane and over all planes, by where each number came from.

Dose-area product and time add across planes. Reference air kerma of two planes does not describe
one piece of skin: each plane stands alone and the sum is labelled as a sum.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from math import isclose

from dosetrack.radiation.console import console_totals
from dosetrack.records.entries import ConsoleReading
from dosetrack.records.report import DoseTotal, IrradiationEvent, PlaneName
from dosetrack.records.totals import summed_totals, unique_events

KERMA = "reference_air_kerma_mgy"
DAP = "dose_area_product_gycm2"
TIME = "fluoroscopy_time_s"
QUANTITIES = (KERMA, DAP, TIME)
FLOAT_NOISE = 1e-9
"""Relative difference below which two doses are one: far above rounding of doubles, far below any display."""
_CALIBRATED = (KERMA, DAP)  # one meter gives both, so one factor serves both


@dataclass(frozen=True, slots=True)
class Figure:
    """A number and where it came from.

    basis : 'stated', 'summed', 'typed' or 'corrected'; joined by ' + ' where planes differ
    is_complete : False when a part is missing, so that the value is 'at least'
    """

    value: float
    basis: str
    is_complete: bool = True


@dataclass(frozen=True, slots=True)
class Tally:
    """One quantity by where it came from, in the unit of the quantity's name.

    stated, summed, typed : as displayed by the machine, from its events, from the console
    corrected : the highest of them times the site's calibration factor; None when there is none
    displayed : the highest of stated, summed and typed, named
    higher : the higher of displayed and corrected, named; what levels use
    """

    stated: float | None = None
    summed: float | None = None
    typed: float | None = None
    corrected: float | None = None
    displayed: Figure | None = None
    higher: Figure | None = None


@dataclass(frozen=True, slots=True)
class Exposure:
    """The part given by one kind of exposure."""

    time_s: Figure | None = None
    dose_area_product_gycm2: Figure | None = None
    reference_air_kerma_mgy: Figure | None = None


@dataclass(frozen=True, slots=True)
class PlaneAccount:
    """One plane. `plane` is 'all' only where no source told the planes apart."""

    plane: PlaneName
    reference_air_kerma_mgy: Tally
    dose_area_product_gycm2: Tally
    fluoroscopy_time_s: Tally
    fluoroscopy: Exposure
    acquisition: Exposure
    events: int = 0


@dataclass(frozen=True, slots=True)
class RadiationAccount:
    """The whole case. `reference_air_kerma_sum_mgy` is the labelled sum; no level reads it alone."""

    planes: tuple[PlaneAccount, ...] = ()
    reference_air_kerma_sum_mgy: Tally = Tally()
    dose_area_product_gycm2: Tally = Tally()
    fluoroscopy_time_s: Tally = Tally()
    fluoroscopy: Exposure = Exposure()
    acquisition: Exposure = Exposure()

    def plane(self, name: str) -> PlaneAccount | None:
        """The account of plane `name`, None when it has none."""
        return next((p for p in self.planes if p.plane == name), None)

    @property
    def worst_plane(self) -> PlaneAccount | None:
        """The plane with the highest reference air kerma; None when no plane has one."""
        known = [p for p in self.planes if p.reference_air_kerma_mgy.higher is not None]
        return max(known, key=lambda p: _value(p.reference_air_kerma_mgy.higher), default=None)


@dataclass(frozen=True, slots=True)
class _Sources:
    """What is known of one plane, by source."""

    stated: DoseTotal | None
    summed: DoseTotal | None
    typed: DoseTotal | None
    events: tuple[IrradiationEvent, ...]

    def number(self, basis: str, name: str) -> float | None:
        total: DoseTotal | None = getattr(self, basis)
        return None if total is None else getattr(total, name)

    def is_complete(self, basis: str, name: str) -> bool:
        if basis != "summed":
            return True
        if name == TIME:
            return all(e.duration_s is not None for e in self.events if e.type == "fluoroscopy")
        return all(getattr(e, name) is not None for e in self.events)


def radiation_account(
    events: Sequence[IrradiationEvent],
    stated_totals: Sequence[DoseTotal],
    readings: Sequence[ConsoleReading],
    *,
    calibration: Mapping[str, float] | None = None,
) -> RadiationAccount:
    """The account of a case from its unique events, its stated totals and the console readings.

    Parameters
    ----------
    events : each counts once, by its UID, plane and start
    stated_totals : of the report or reports that count; rows of one plane join, the higher number
        staying
    readings : cumulative, in order of time
    calibration : plane -> true / displayed kerma of its meter; a plane not named is not corrected
    """
    alias = _single_plane_alias(
        [e.plane for e in events] + [t.plane for t in stated_totals] + [r.plane for r in readings]
    )
    if "b" in alias.values() and any(e.plane == "single" for e in events):
        alias = {}  # runs of a single plane beside those of plane b: they were of the other plane
    events = unique_events(_on_plane(e, alias) for e in events)
    summed = {t.plane: t for t in summed_totals(events)}
    stated = _joined(replace(t, plane=alias.get(t.plane, t.plane)) for t in stated_totals)
    typed = _typed([replace(r, plane=alias[r.plane]) if r.plane in alias else r for r in readings])
    factors = {alias.get(p, p): f for p, f in (calibration or {}).items()}

    for rows in (stated, typed):
        _total_as_single(rows, {*summed, *stated, *typed})
    names = sorted({*summed, *stated, *typed}, key=("single", "a", "b", "all").index)
    by_plane = {
        name: _Sources(
            stated=stated.get(name),
            summed=summed.get(name),
            typed=typed.get(name),
            events=tuple(e for e in events if name in ("all", plane_of(e))),
        )
        for name in names
    }
    over_all = by_plane.pop("all", _Sources(None, None, None, events))
    if not by_plane and _has_any(over_all):
        by_plane = {"all": over_all}
    planes = tuple(_plane_account(name, s, factors.get(name)) for name, s in by_plane.items() if _has_any(s))
    return _over_all(planes, over_all)


def plane_of(event: IrradiationEvent) -> PlaneName:
    """The plane an event counts under; 'single' when the report names none."""
    return event.plane or "single"


def _single_plane_alias(names: Iterable[PlaneName | None]) -> dict[str, PlaneName]:
    """'single' named as the one other plane of the case, where there is exactly one."""
    others = {name for name in names if name in ("a", "b")}
    return {"single": others.pop()} if len(others) == 1 else {}


def _on_plane(event: IrradiationEvent, alias: Mapping[str, PlaneName]) -> IrradiationEvent:
    plane = plane_of(event)
    wanted = alias.get(plane, plane)
    return event if event.plane == wanted else replace(event, plane=wanted)


def _joined(totals: Iterable[DoseTotal]) -> dict[PlaneName, DoseTotal]:
    found: dict[PlaneName, DoseTotal] = {}
    for total in totals:
        earlier = found.get(total.plane)
        found[total.plane] = total if earlier is None else _higher_of_rows(earlier, total)
    return found


def _higher_of_rows(one: DoseTotal, other: DoseTotal) -> DoseTotal:
    found = one
    for name in DoseTotal.__dataclass_fields__:
        if name not in ("plane", "basis"):
            found = replace(found, **{name: _greatest(getattr(one, name), getattr(other, name))})  # type: ignore[arg-type]
    return found


def _total_as_single(rows: dict[PlaneName, DoseTotal], names: Set[PlaneName]) -> None:
    """Let a total over all planes also speak for the one plane of a single-plane system."""
    if "all" in rows and names - {"all"} == {"single"}:
        total = replace(rows["all"], plane="single")
        rows["single"] = _higher_of_rows(rows["single"], total) if "single" in rows else total


def _typed(readings: Sequence[ConsoleReading]) -> dict[PlaneName, DoseTotal]:
    newest = {total.plane: total for total in console_totals(readings)}
    return {
        plane: DoseTotal(
            plane=plane,
            basis="stated",
            reference_air_kerma_mgy=total.reference_air_kerma_mgy,
            dose_area_product_gycm2=total.dose_area_product_gycm2,
            fluoroscopy_time_s=total.fluoroscopy_time_s,
        )
        for plane, total in newest.items()
    }


def _has_any(sources: _Sources) -> bool:
    return bool(sources.events) or any(
        sources.number(basis, name) is not None for basis in ("stated", "typed") for name in QUANTITIES
    )


def _plane_account(plane: PlaneName, sources: _Sources, factor: float | None) -> PlaneAccount:
    tallies = {name: _tally(sources, name, factor if name in _CALIBRATED else None) for name in QUANTITIES}
    return PlaneAccount(
        plane=plane,
        reference_air_kerma_mgy=tallies[KERMA],
        dose_area_product_gycm2=tallies[DAP],
        fluoroscopy_time_s=tallies[TIME],
        fluoroscopy=_exposure(sources, "fluoroscopy"),
        acquisition=_exposure(sources, "acquisition"),
        events=len(sources.events),
    )


def _tally(sources: _Sources, name: str, factor: float | None) -> Tally:
    figures = [
        Figure(value, basis, sources.is_complete(basis, name))
        for basis in ("stated", "typed", "summed")
        if (value := sources.number(basis, name)) is not None
    ]
    displayed = _highest(figures)
    corrected = None if displayed is None or factor is None else displayed.value * factor
    higher = displayed
    if displayed is not None and corrected is not None and corrected > displayed.value:
        higher = Figure(corrected, "corrected", displayed.is_complete)
    return Tally(
        stated=sources.number("stated", name),
        summed=sources.number("summed", name),
        typed=sources.number("typed", name),
        corrected=corrected,
        displayed=displayed,
        higher=higher,
    )


def _exposure(sources: _Sources, kind: str) -> Exposure:
    def figure(name: str) -> Figure | None:
        return _highest(
            Figure(value, basis)
            for basis in ("stated", "summed")
            if (value := sources.number(basis, f"{kind}_{name}")) is not None
        )

    return Exposure(
        time_s=figure("time_s"), dose_area_product_gycm2=figure(DAP), reference_air_kerma_mgy=figure(KERMA)
    )


def _over_all(planes: tuple[PlaneAccount, ...], sources: _Sources) -> RadiationAccount:
    adding = _adding(planes)
    parts: dict[str, list[Tally]] = {name: [getattr(p, name) for p in adding] for name in QUANTITIES}
    with_fluoroscopy = {plane_of(e) for e in sources.events if e.type == "fluoroscopy"}
    parts[TIME] = [
        p.fluoroscopy_time_s
        for p in adding
        if not p.events or p.plane in with_fluoroscopy or p.fluoroscopy_time_s.higher
    ]
    tallies = {name: _sum_tally(parts[name], sources, name) for name in QUANTITIES}
    return RadiationAccount(
        planes=planes,
        reference_air_kerma_sum_mgy=tallies[KERMA],
        dose_area_product_gycm2=tallies[DAP],
        fluoroscopy_time_s=tallies[TIME],
        fluoroscopy=_sum_exposure([p.fluoroscopy for p in adding], sources, "fluoroscopy"),
        acquisition=_sum_exposure([p.acquisition for p in adding], sources, "acquisition"),
    )


def _adding(planes: tuple[PlaneAccount, ...]) -> list[PlaneAccount]:
    """The planes that add; a console read as one beside two told apart shows both already."""
    if len(planes) < 3:
        return list(planes)
    return [p for p in planes if p.plane != "single" or p.events]


def _sum_tally(parts: Sequence[Tally], sources: _Sources, name: str) -> Tally:
    def total(basis: str) -> float | None:
        own = sources.number(basis, name)
        return own if own is not None else _sum_if_all(getattr(p, basis) for p in parts)

    own = [
        Figure(value, basis, sources.is_complete(basis, name))
        for basis in ("stated", "typed", "summed")
        if (value := sources.number(basis, name)) is not None
    ]
    return Tally(
        stated=total("stated"),
        summed=total("summed"),
        typed=total("typed"),
        corrected=_sum_if_all(p.corrected for p in parts),
        displayed=_highest([*_sum_figure([p.displayed for p in parts]), *own]),
        higher=_highest([*_sum_figure([p.higher for p in parts]), *own]),
    )


def _sum_exposure(parts: Sequence[Exposure], sources: _Sources, kind: str) -> Exposure:
    own = _exposure(sources, kind)

    def figure(name: str) -> Figure | None:
        whole: Figure | None = getattr(own, name)
        known = [f for p in parts if (f := getattr(p, name)) is not None]  # a plane may lack this kind
        return _highest([*_sum_figure(known), *([whole] if whole else [])])

    return Exposure(
        time_s=figure("time_s"), dose_area_product_gycm2=figure(DAP), reference_air_kerma_mgy=figure(KERMA)
    )


def _sum_figure(parts: Sequence[Figure | None]) -> list[Figure]:
    known = [p for p in parts if p is not None]
    if not known:
        return []
    bases = dict.fromkeys(b for p in known for b in p.basis.split(" + "))
    is_complete = len(known) == len(parts) and all(p.is_complete for p in known)
    return [Figure(sum(p.value for p in known), " + ".join(bases), is_complete)]


def _highest(figures: Iterable[Figure]) -> Figure | None:
    """The figure with the greatest value; the first of equals, so that 'stated' is named first."""
    known = list(figures)
    if not known:
        return None
    top = max(f.value for f in known)
    return next(f for f in known if f.value >= top or isclose(f.value, top, rel_tol=FLOAT_NOISE))


def _sum_if_all(values: Iterable[float | None]) -> float | None:
    known = list(values)
    total = 0.0
    for value in known:
        if value is None:
            return None
        total += value
    return total if known else None


def _greatest(one: float | None, other: float | None) -> float | None:
    return max((v for v in (one, other) if v is not None), default=None)


def _value(figure: Figure | None) -> float:
    return 0.0 if figure is None else figure.value
