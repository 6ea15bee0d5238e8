"""What the published table expects of skin by dose and time since the procedure.

Bands are of peak skin dose at one site, delivered once, in an average patient; they are not of
reference air kerma. Edges are approximate: a dose at an edge counts in the worse band.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from dosetrack.tables import rows

_MGY_PER_GY = 1000.0


@dataclass(frozen=True, slots=True)
class SkinEffect:
    """What may be seen in one phase. Weeks since the procedure; `to_week` None is without end."""

    phase: str
    from_week: float
    to_week: float | None
    effect: str


@dataclass(frozen=True, slots=True)
class SkinBand:
    """One band of peak skin dose [mGy]; `high_mgy` None for the top band. low <= dose < high."""

    low_mgy: float
    high_mgy: float | None
    effects: tuple[SkinEffect, ...]

    def effects_in_week(self, week: float) -> tuple[SkinEffect, ...]:
        """What may be seen `week` weeks after; the phases of the table overlap, so it may be two."""
        return tuple(
            e for e in self.effects if e.from_week <= week and (e.to_week is None or week <= e.to_week)
        )


@cache
def skin_bands() -> tuple[SkinBand, ...]:
    """The bands of `tables/skin_effects.csv`, the lowest first (Balter et al. 2010, Radiology 254:326)."""
    found: dict[tuple[float, float | None], list[SkinEffect]] = {}
    for row in rows("skin_effects"):
        high = float(row["high"]) * _MGY_PER_GY if row["high"] else None
        effect = SkinEffect(
            phase=row["phase"],
            from_week=float(row["from_week"]),
            to_week=float(row["to_week"]) if row["to_week"] else None,
            effect=row["effect"],
        )
        found.setdefault((float(row["low"]) * _MGY_PER_GY, high), []).append(effect)
    return tuple(
        SkinBand(low, high, tuple(e)) for (low, high), e in sorted(found.items(), key=lambda i: i[0][0])
    )


def skin_band(peak_skin_dose_mgy: float) -> SkinBand:
    """The band that holds a peak skin dose of at least 0 [mGy].

    Examples
    --------
    >>> skin_band(2400.0).low_mgy, skin_band(5000.0).low_mgy
    (2000.0, 5000.0)
    """
    for band in reversed(skin_bands()):
        if peak_skin_dose_mgy >= band.low_mgy:
            return band
    raise ValueError(f"peak skin dose {peak_skin_dose_mgy} mGy: wants a number of at least 0")
