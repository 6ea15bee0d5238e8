"""Grades of what is seen of the skin, and how far the published bands can be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from dosetrack.tables import rows, sources

SCALE = "CTCAE 5.0, radiation dermatitis"


@dataclass(frozen=True, slots=True)
class SkinGrade:
    """One grade of `SCALE`, shortened; 0 is our own word for a look that found nothing."""

    grade: int
    text: str


@dataclass(frozen=True, slots=True)
class BandDoubt:
    """One sentence about the bands, and where it is from."""

    text: str
    source: str


@cache
def skin_grades() -> tuple[SkinGrade, ...]:
    """The grades of `tables/skin_grades.csv`, the mildest first."""
    found = (SkinGrade(int(row["grade"]), row["text"]) for row in rows("skin_grades"))
    return tuple(sorted(found, key=lambda one: one.grade))


@cache
def band_doubts() -> tuple[BandDoubt, ...]:
    """What sources of the bands say differently, and what the bands leave out."""
    return tuple(BandDoubt(row["text"], _named(row["source"])) for row in rows("skin_effects_doubt"))


def _named(key: str) -> str:
    source = sources()[key]
    return f"{source.authors.split(',')[0]} {source.year}"
