"""What the papers say of the skin dose of one case, and of what may be seen by dose and time."""

from __future__ import annotations

from functools import cache

from dosetrack.reports.case_paper import CasePaper
from dosetrack.reports.words import NOT_KNOWN
from dosetrack.skin.effects import SkinBand, skin_bands
from dosetrack.skin.wording import dose_words, level_words, range_words
from dosetrack.tables import rows

PHASES = ("prompt", "early", "midterm", "long term")
NO_PREDICTION = (
    "Bands of published experience for one delivery to one site in an average patient; "
    "no prediction for this person. Sources put the edges of the bands differently."
)


def skin_dose_words(facts: CasePaper) -> str:
    """The estimate with its range, or the possible range, or why neither is known."""
    found = facts.skin.map
    if found is not None and found.peak_mgy is not None and found.low_mgy is not None:
        spread = range_words(found.low_mgy, found.high_mgy or found.low_mgy)
        return f"{dose_words(found.peak_mgy)}, range {spread} (k = 2), estimated from the skin dose map"
    span = facts.skin_range_mgy()
    if span is not None:
        return f"possible range {range_words(*span)}, from air kerma alone; no map"
    return f"{NOT_KNOWN}; no map"


def site_words(facts: CasePaper) -> str:
    """Where the peak lies, in the terms of the trade."""
    found = facts.skin.map
    return (found.peak_site if found is not None else None) or NOT_KNOWN


def bands_touched(facts: CasePaper) -> tuple[SkinBand, ...]:
    """The bands that the range of the estimate touches, the lowest first; none while no dose is known."""
    span = facts.skin_range_mgy()
    if span is None:
        return ()
    low, high = span
    return tuple(b for b in skin_bands() if b.low_mgy <= high and (b.high_mgy is None or b.high_mgy > low))


def band_name(band: SkinBand, unit: str = "Gy") -> str:
    """'2 to 5 Gy', '15 Gy and more'."""
    low, high = (None if edge is None else level_words(edge) for edge in (band.low_mgy, band.high_mgy))
    if band.low_mgy <= 0:
        return f"below {high}".replace("Gy", unit)
    if high is None:
        return f"{low} and more".replace("Gy", unit)
    return f"{(low or '').removesuffix(' Gy')} to {high}".replace("Gy", unit)


def weeks_words(from_week: float, to_week: float | None) -> str:
    """'weeks 2 to 8', 'after week 40'."""
    return f"after week {from_week:g}" if to_week is None else f"weeks {from_week:g} to {to_week:g}"


@cache
def patient_words() -> dict[tuple[float, str], str]:
    """(low edge of the band [mGy], phase) -> plain words (`tables/patient_words.csv`)."""
    plain = {row["key"]: row["text"] for row in rows("patient_words")}
    return {(float(row["low"]) * 1000.0, row["phase"]): plain[row["key"]] for row in rows("skin_effects")}
