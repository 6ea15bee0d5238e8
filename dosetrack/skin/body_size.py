"""Height, weight and sex a body is drawn from, and what was taken where one is not known.

Both unknown: no size, the caller falls back to a flat sheet. One unknown: a typical value stands in,
because the side on the pad does not depend on it and oblique views are better served by a body of
about the right size than by a sheet; the assumption says how far off it may be.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import exp, isfinite, log
from typing import Literal

import numpy as np

from dosetrack.findings import Finding, FindingCode, FindingKind, finding
from dosetrack.skin.model import Assumption, FloatArray
from dosetrack.tables import constants, rows

Sex = Literal["male", "female"]
MM_PER_CM = 10.0
_CM_PER_M = 100.0


def proportion(key: str) -> float:
    """The number of this key in `tables/body_proportions.csv`."""
    return constants("body_proportions")[key].number


def bounds(key: str) -> tuple[float, float]:
    """The low and the high end of this key in `tables/body_proportions.csv`."""
    row = constants("body_proportions")[key]
    return float(row.low), float(row.high)


@dataclass(frozen=True, slots=True)
class BodySize:
    """What a body is drawn from. sex: None draws the mean of both."""

    height_cm: float
    weight_kg: float
    sex: Sex | None

    @property
    def height_mm(self) -> float:
        """Height [mm]."""
        return self.height_cm * MM_PER_CM

    @property
    def is_adult_sized(self) -> bool:
        """Whether adult proportions hold."""
        return self.height_cm >= proportion("adult_height")


@dataclass(frozen=True, slots=True)
class SizeKnown:
    """The size used, None when neither height nor weight can be used, with what was taken for granted."""

    size: BodySize | None
    assumed: tuple[Assumption, ...]
    findings: tuple[Finding, ...]


@cache
def growth() -> dict[str, FloatArray]:
    """The columns of `tables/body_growth.csv`, each shape (n_heights,), in order of height."""
    table = rows("body_growth")
    words = {"key", "source", "locator", "checked", "note"}
    return {name: np.array([float(row[name]) for row in table]) for name in table[0] if name not in words}


def at_height(column: str, height_cm: float) -> float:
    """A column of `tables/body_growth.csv` at this height, linear between rows, held at its ends."""
    table = growth()
    return float(np.interp(height_cm, table["height_cm"], table[column]))


def typical_weight_kg(height_cm: float) -> float:
    """Weight of a person of this height: by body-mass index for adults, of the median child below [kg]."""
    table = growth()
    if height_cm >= table["height_cm"][-1]:
        return proportion("typical_body_mass_index") * (height_cm / _CM_PER_M) ** 2
    heights, weights = np.log(table["height_cm"]), np.log(table["typical_weight_kg"])
    return exp(float(np.interp(log(height_cm), heights, weights)))


def typical_height_cm(weight_kg: float | None, sex: Sex | None) -> float:
    """Height of a person of this weight [cm].

    Of the median child where the weight is a child's; an adult's from the weight on that is typical of
    the last row of `body_growth.csv`; between the two where it could be either.
    """
    table = growth()
    adult = proportion("typical_height" if sex is None else f"typical_height_{sex}")
    if weight_kg is None:
        return adult
    heights = np.log([*table["height_cm"][:-1], adult])
    return exp(float(np.interp(log(weight_kg), np.log(table["typical_weight_kg"]), heights)))


def sex_of(text: str | None) -> Sex | None:
    """'M' and 'F' as reports write them; anything else is not known."""
    first = (text or "").strip().casefold()[:1]
    return {"m": "male", "f": "female"}.get(first)  # type: ignore[return-value]


def known_size(*, height_cm: float | None, weight_kg: float | None, sex: str | None) -> SizeKnown:
    """The size a body can be drawn from, typical values put in where one of the two is not known.

    Examples
    --------
    >>> known_size(height_cm=170, weight_kg=70, sex="F").size
    BodySize(height_cm=170, weight_kg=70, sex='female')
    >>> known_size(height_cm=None, weight_kg=None, sex=None).size is None
    True
    """
    findings: list[Finding] = []
    height_cm = _possible(height_cm, "possible_height", "a height of", "cm", findings)
    weight_kg = _possible(weight_kg, "possible_weight", "a weight of", "kg", findings)
    if height_cm is not None and weight_kg is not None:
        index = weight_kg / (height_cm / _CM_PER_M) ** 2
        least, most = bounds("possible_body_mass_index")
        if not least <= index <= most:
            kind = FindingCode.BODY_SIZE_CONTRADICTORY
            findings.append(finding(kind, height=f"{height_cm:g}", weight=f"{weight_kg:g}"))
            height_cm = weight_kg = None
    known = sex_of(sex)
    if height_cm is None and weight_kg is None:
        return SizeKnown(None, (), tuple(findings))
    size = BodySize(
        height_cm=typical_height_cm(weight_kg, known) if height_cm is None else height_cm,
        weight_kg=weight_kg if weight_kg is not None else typical_weight_kg(height_cm or 0.0),
        sex=known,
    )
    assumed = _size_assumptions(
        size, is_height_known=height_cm is not None, is_weight_known=weight_kg is not None
    )
    return SizeKnown(size, assumed, tuple(findings))


def _possible(value: float | None, key: str, what: str, unit: str, findings: list[Finding]) -> float | None:
    """`value` where it can be a patient's, else None and a finding."""
    if value is None:
        return None
    least, most = bounds(key)
    if isfinite(value) and least <= value <= most:
        return value
    kind: FindingKind = FindingCode.BODY_SIZE_IMPOSSIBLE
    facts = {"what": what, "given": f"{value:g} {unit}", "least": f"{least:g}", "most": f"{most:g} {unit}"}
    findings.append(finding(kind, **facts))
    return None


def _size_assumptions(
    size: BodySize, *, is_height_known: bool, is_weight_known: bool
) -> tuple[Assumption, ...]:
    height, weight = f"{size.height_cm:.0f} cm", f"{size.weight_kg:.3g} kg"
    if not is_weight_known:
        text = (
            f"weight not known, {weight} taken as typical for {height}: the skin on the pad does not depend "
            "on it, sides and front may lie some centimetres nearer to the tube"
        )
    elif not is_height_known:
        text = (
            f"height not known, {height} taken as typical for {weight}: sites along the body may be off by "
            "some centimetres, thickness by a few per cent"
        )
    else:
        text = f"body of elliptic sections from height and weight ({height}, {weight}), not measured"
    key = "patient-shape" if is_height_known and is_weight_known else "patient-size"
    assumed = [Assumption(key, text)]
    if size.sex is None:
        assumed.append(Assumption("patient-sex", "sex not known, mean shape of both taken"))
    if not size.is_adult_sized:
        limit = f"{proportion('adult_height'):g} cm"
        text = f"below {limit}: a child's proportions by height, partly from memory of growth charts"
        assumed.append(Assumption("child-proportions", text))
    return tuple(assumed)
