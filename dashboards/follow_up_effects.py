"""What this week's phase could show, by dose and time since the case: published bands, no prediction."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from dosetrack.reports.skin_words import NO_PREDICTION, band_name, weeks_words
from dosetrack.skin.effects import SkinBand, skin_bands
from dosetrack.skin.grades import band_doubts
from dosetrack.skin.wording import dose_words, range_words

if TYPE_CHECKING:
    from dosetrack.followup.items import FollowUpItem
    from dosetrack.workflow.results import SkinMapView

_DAYS_PER_WEEK = 7
BANDS_HEAD = ("skin dose", "phase", "what this phase could show")
NO_DOSE = "The skin dose is not known, so no band can be named. Ask about everything below."
ASK = "Ask: itching; redness in a patch with straight edges; hair loss; blister, wound or pain at the site."


@dataclass(frozen=True, slots=True)
class KnownDose:
    """What is known of the peak skin dose [mGy], in the order of trust: estimate, map, air kerma alone."""

    low_mgy: float | None
    high_mgy: float | None
    words: str


@dataclass(frozen=True, slots=True)
class Expected:
    """The bands that the dose may lie in, for the week since the case.

    week : completed weeks since the case, None where its day is not known
    rows : cells of the table: band, phase with its weeks, what it could show
    notes : that it is no prediction, and where the sources differ
    """

    dose: KnownDose
    week: int | None
    rows: tuple[tuple[str, str, str], ...]
    notes: tuple[str, ...]


def known_dose(item: FollowUpItem, view: SkinMapView | None) -> KnownDose:
    """The peak skin dose of a case: a physicist's, of the map, else the possible range."""
    made = item.estimate
    if made is not None and made.peak_skin_dose_mgy is not None:
        low, high = (made.peak_skin_dose_mgy if end is None else end for end in (made.low_mgy, made.high_mgy))
        words = (
            f"{dose_words(made.peak_skin_dose_mgy)}, range {range_words(low, high)}, a physicist's estimate"
        )
        return KnownDose(low, high, words)
    found = view.map if view is not None else None
    if found is not None and found.peak_mgy is not None:
        low = found.peak_mgy if found.low_mgy is None else found.low_mgy
        high = found.peak_mgy if found.high_mgy is None else found.high_mgy
        return KnownDose(
            low, high, f"{dose_words(found.peak_mgy)}, range {range_words(low, high)}, estimated by map"
        )
    if view is not None and view.screening is not None:
        low, high = view.screening.low_mgy, view.screening.high_mgy
        return KnownDose(low, high, f"possible range {range_words(low, high)}, from air kerma alone; no map")
    return KnownDose(None, None, "not known")


def expected(item: FollowUpItem, dose: KnownDose, *, on: date) -> Expected:
    """The rows of the published table for this dose and this week."""
    week = _weeks(item.day, on)
    doubts = tuple(f"{doubt.text} ({doubt.source})" for doubt in band_doubts())
    return Expected(dose, week, tuple(_rows(dose, item.day, on)), (NO_PREDICTION, *doubts))


def _weeks(day: str | None, on: date) -> int | None:
    return None if day is None else max(0, (on - date.fromisoformat(day)).days) // _DAYS_PER_WEEK


def _rows(dose: KnownDose, day: str | None, on: date) -> list[tuple[str, str, str]]:
    if day is None:
        return []
    week = max(0, (on - date.fromisoformat(day)).days) / _DAYS_PER_WEEK
    return [
        (band_name(band), f"{effect.phase}, {weeks_words(effect.from_week, effect.to_week)}", effect.effect)
        for band in _touched(dose)
        for effect in band.effects_in_week(week)
    ]


def _touched(dose: KnownDose) -> tuple[SkinBand, ...]:
    low, high = dose.low_mgy, dose.high_mgy
    if low is None or high is None:
        return ()
    return tuple(b for b in skin_bands() if b.low_mgy <= high and (b.high_mgy is None or b.high_mgy > low))
