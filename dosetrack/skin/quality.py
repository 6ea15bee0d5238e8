"""Beam quality, and the backscatter and medium factor that follows from it and the field at the skin.

Backscatter and medium ratio stand as one product, absorbed dose to the medium with the patient
there over air kerma free in air, because scatter softens the spectrum at the skin. Nothing is
extrapolated: outside the tables their edge stands in, which is said and widens the range.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from math import exp, isfinite, log, sqrt
from typing import Literal, get_args

import numpy as np

from dosetrack.errors import InputError
from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.skin.beam import Beam
from dosetrack.skin.model import Assumption
from dosetrack.skin.quality_grid import (
    FloatArray,
    axes,
    backscatter_grid,
    field_sides_cm,
    quality_grid,
    table_steps_mm_al,
)
from dosetrack.tables import constants

Medium = Literal["water", "soft tissue", "skin"]
"""What the dose is absorbed in: water, ICRU-44 soft tissue, ICRP skin."""
MEDIUM_NAMES: dict[Medium, str] = {
    "water": "water",
    "soft tissue": "soft tissue (ICRU 44)",
    "skin": "skin (ICRP)",
}
_REMEMBERED_BEAMS = 4096


@dataclass(frozen=True, slots=True)
class BeamQuality:
    """The quality of a beam, as the tables hold it.

    kvp, al_mm, cu_mm : the tube voltage [kV] and total filtration [mm] that were used
    hvl_mm_al, hvl2_mm_al : first and second half-value layer in aluminium [mm]
    mean_energy_kev : of the fluence [keV]
    water_over_air, skin_over_air : ratio of collision kerma in the primary beam
    transmissions : (aluminium [mm], narrow-beam transmission of air kerma), from (0, 1) on
    doubt : standard relative doubt of the skin factor because of what was assumed
    """

    kvp: float
    al_mm: float
    cu_mm: float
    hvl_mm_al: float
    hvl2_mm_al: float
    mean_energy_kev: float
    water_over_air: float
    skin_over_air: float
    transmissions: tuple[tuple[float, float], ...]
    doubt: float = 0.0
    assumed: tuple[Assumption, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class FieldFactors:
    """Backscatter times medium ratio over the field at the skin.

    sides_cm : sides of square fields at the skin, 1 to 35, ascending, shape (10,) [cm]
    medium_and_backscatter : absorbed dose to `medium` at the skin over air kerma free in air, shape (10,);
        between the sides linear in the logarithm of the side, beyond them the end value
    doubt : standard relative doubt of the factor because of what was assumed
    """

    sides_cm: FloatArray
    medium_and_backscatter: FloatArray
    medium: Medium = "water"
    doubt: float = 0.0
    assumed: tuple[Assumption, ...] = ()
    findings: tuple[Finding, ...] = ()


def beam_quality(
    *, kvp: float | None = None, al_mm: float | None = None, cu_mm: float | None = None
) -> BeamQuality:
    """Half-value layers, mean energy and ratios of a beam, from the table of computed spectra.

    Parameters
    ----------
    kvp : tube voltage [kV]; None: 80 kV, assumed
    al_mm, cu_mm : total filtration, inherent and added [mm]; None: 3 mm Al and no copper, assumed

    Raises
    ------
    InputError
        A voltage that is not above 0, or a filtration below 0.

    Notes
    -----
    Outside the table (50 to 125 kV, 2.5 to 4.5 mm Al, 0 to 0.9 mm Cu) its edge stands in, with a
    finding and more doubt. How the table was computed: `tables/README.md`.

    Examples
    --------
    >>> beam = beam_quality(kvp=80, al_mm=3, cu_mm=0.2)
    >>> round(beam.hvl_mm_al, 3), round(beam.mean_energy_kev, 2)
    (5.623, 51.24)
    """
    quality = _reduced(kvp, al_mm, cu_mm)
    grid, place = quality_grid(), {"kvp": quality.kvp, "al_mm": quality.al_mm, "cu_mm": quality.cu_mm}
    steps = zip(table_steps_mm_al(), grid.at("al_length_mm", **place), strict=True)
    return BeamQuality(
        kvp=quality.kvp,
        al_mm=quality.al_mm,
        cu_mm=quality.cu_mm,
        hvl_mm_al=float(grid.at("hvl_mm_al", **place)),
        hvl2_mm_al=float(grid.at("hvl2_mm_al", **place)),
        mean_energy_kev=float(grid.at("mean_energy_kev", **place)),
        water_over_air=float(grid.at("water_over_air", **place)),
        skin_over_air=float(grid.at("skin_over_air", **place)),
        transmissions=((0.0, 1.0), *((step, exp(-step / length)) for step, length in steps)),
        doubt=quality_doubt(quality.assumed),
        assumed=quality.assumed,
        findings=quality.findings,
    )


def field_factors(beam: Beam, *, medium: Medium = "water") -> FieldFactors:
    """Backscatter times medium ratio of `beam` over the side of the field at the skin.

    What the beam itself brings (`backscatter`, `medium_ratio`) is used as given; what it leaves
    open comes from the table by its quality. A given backscatter is taken as a ratio of air
    kerma and gets the medium ratio of primary and scattered spectrum together.

    Examples
    --------
    >>> beam = Beam(10, 750, 1100, 160, 160, kvp=80, al_mm=3, cu_mm=0)
    >>> factors = field_factors(beam)
    >>> factors.sides_cm[[4, 6]].tolist(), factors.medium_and_backscatter[[4, 6]].round(2).tolist()
    ([10.0, 20.0], [1.36, 1.43])
    """
    return _field_factors(beam.kvp, beam.al_mm, beam.cu_mm, beam.backscatter, beam.medium_ratio, medium)


@lru_cache(maxsize=_REMEMBERED_BEAMS)
def _field_factors(
    kvp: float | None,
    al_mm: float | None,
    cu_mm: float | None,
    backscatter: float | None,
    medium_ratio: float | None,
    medium: Medium,
) -> FieldFactors:
    """One beam's factors, remembered: a case repeats few qualities many times."""
    check_medium(medium)
    sides = field_sides_cm()
    if backscatter is not None and medium_ratio is not None:
        return FieldFactors(sides, _fixed(np.full(sides.shape, backscatter * medium_ratio)), medium)
    quality = _reduced(kvp, al_mm, cu_mm)
    grid, place = backscatter_grid(), {"kvp": quality.kvp, "al_mm": quality.al_mm, "cu_mm": quality.cu_mm}
    if medium_ratio is not None:
        values = grid.at("b_air_kerma", **place) * medium_ratio
    else:
        column, of_column = _medium_column(medium)
        if backscatter is not None:
            values = backscatter * grid.at(f"{column}_over_air_total", **place) * of_column
        else:
            values = grid.at(f"bm_{column}", **place) * of_column
    doubt = quality_doubt(quality.assumed)
    return FieldFactors(sides, _fixed(values), medium, doubt, quality.assumed, quality.findings)


def check_medium(medium: str) -> Medium:
    """`medium` itself when it is one that the tables know.

    Raises
    ------
    InputError
        Another word; the message names the media.
    """
    if medium not in MEDIUM_NAMES:
        raise InputError(field="medium", given=medium, accepted=", ".join(get_args(Medium)))
    return medium


def table_transmission(quality: BeamQuality, al_equivalent_mm: float) -> float:
    """Narrow-beam transmission of air kerma through a table top at a right angle, above 0 to 1.

    Parameters
    ----------
    al_equivalent_mm : aluminium equivalence of top and pad, 0 to 3 mm [mm]

    Raises
    ------
    InputError
        A thickness outside the table.

    Notes
    -----
    Thickness over -ln(transmission) is linear between the thicknesses of the table, and that of the
    thinnest below it. Scatter from top and pad in contact with the skin gives back part of what is
    lost: a measured transmission is better than this one.

    Examples
    --------
    >>> round(table_transmission(beam_quality(kvp=80, al_mm=3, cu_mm=0), 1.0), 3)
    0.767
    """
    thickest = quality.transmissions[-1][0]
    if not 0 <= al_equivalent_mm <= thickest:
        raise InputError(
            field="aluminium equivalence of the table",
            given=al_equivalent_mm,
            accepted=f"0 to {thickest:g} mm",
        )
    told = quality.transmissions[1:]
    lengths = [step / -log(share) for step, share in told]
    length = float(np.interp(al_equivalent_mm, [step for step, _ in told], lengths))
    return exp(-al_equivalent_mm / length)


def quality_doubt(assumed: Iterable[Assumption]) -> float:
    """Standard relative doubt of the skin factor from what was assumed of the beam's quality.

    One share for each kind of assumption, added in quadrature; other assumptions count nothing
    here. `doubt_*` of `skin_factors.csv`.
    """
    table = constants("skin_factors")
    found = (table.get(f"doubt_{key}") for key in {one.key for one in assumed})
    return sqrt(sum(one.number**2 for one in found if one is not None))


@dataclass(frozen=True, slots=True)
class _Reduced:
    """A quality inside the tables, and what it took to bring it there."""

    kvp: float
    al_mm: float
    cu_mm: float
    assumed: tuple[Assumption, ...]
    findings: tuple[Finding, ...]


@lru_cache(maxsize=_REMEMBERED_BEAMS)
def _reduced(kvp: float | None, al_mm: float | None, cu_mm: float | None) -> _Reduced:
    _check_quality(kvp, al_mm, cu_mm)
    table = constants("skin_factors")
    given = {"default_kvp": kvp, "default_al": al_mm, "default_cu": cu_mm}
    whole = [table[key].number if value is None else value for key, value in given.items()]
    assumed, findings, used = [], [], []
    open_ones = [
        f"{axis.name} {number:g} {axis.unit}"
        for axis, number, value in zip(axes(), whole, given.values(), strict=True)
        if value is None
    ]
    if open_ones:
        assumed.append(Assumption("beam-quality", f"{', '.join(open_ones)} (not reported)"))
    for axis, number in zip(axes(), whole, strict=True):
        nearest = min(max(number, axis.values[0]), axis.values[-1])
        used.append(nearest)
        if nearest != number:
            assumed.append(
                Assumption(
                    "beam-quality-outside-table",
                    f"skin factors of {axis.name} {nearest:g} stand in for {number:g} {axis.unit}",
                )
            )
            findings.append(
                finding(
                    FindingCode.BEAM_QUALITY_OUTSIDE_TABLE,
                    name=axis.name,
                    given=f"{number:g}",
                    least=f"{axis.values[0]:g}",
                    most=f"{axis.values[-1]:g}",
                    unit=axis.unit,
                )
            )
    return _Reduced(used[0], used[1], used[2], tuple(assumed), tuple(findings))


def _check_quality(kvp: float | None, al_mm: float | None, cu_mm: float | None) -> None:
    if kvp is not None and not (isfinite(kvp) and kvp > 0):
        raise InputError(field="tube voltage [kV]", given=kvp, accepted="a number above 0")
    for name, thickness in (("aluminium [mm]", al_mm), ("copper [mm]", cu_mm)):
        if thickness is not None and not (isfinite(thickness) and thickness >= 0):
            raise InputError(field=name, given=thickness, accepted="a number of at least 0")


def _medium_column(medium: Medium) -> tuple[str, float]:
    """(which column of the table, factor on it)."""
    if medium == "soft tissue":
        return "water", constants("skin_factors")["soft_tissue_over_water"].number
    return medium, 1.0


def _fixed(values: FloatArray) -> FloatArray:
    """`values` guarded against writing, since they are remembered and shared."""
    values.setflags(write=False)
    return values
