"""Renal estimates, iodine sums and the published contrast limits side by side."""

from dosetrack.kidney.ahead import InjectionsAhead, injections_ahead
from dosetrack.kidney.assessment import (
    KidneyAssessment,
    assess,
    distance_in_words,
    limit_loosened,
    shown_limit_ml,
    shown_used_ml,
)
from dosetrack.kidney.estimates import FiltrationRow
from dosetrack.kidney.inputs import (
    KidneySettings,
    RenalInput,
    age_years_on,
    case_site,
    default_kidney_settings,
)
from dosetrack.kidney.iodine import ContrastGiven, ContrastTotals, EarlierContrast, contrast_totals
from dosetrack.kidney.levels import contrast_levels, contrast_lines
from dosetrack.kidney.limits import LimitRow

__all__ = [
    "ContrastGiven",
    "ContrastTotals",
    "EarlierContrast",
    "FiltrationRow",
    "InjectionsAhead",
    "KidneyAssessment",
    "KidneySettings",
    "LimitRow",
    "RenalInput",
    "age_years_on",
    "assess",
    "case_site",
    "contrast_levels",
    "contrast_lines",
    "contrast_totals",
    "default_kidney_settings",
    "distance_in_words",
    "injections_ahead",
    "limit_loosened",
    "shown_limit_ml",
    "shown_used_ml",
]
