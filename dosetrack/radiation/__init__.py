"""Radiation of one case: what was given, which levels it reached, and when the next one may come.

`account` adds up by plane and source - `curve` puts it on the clock - `field` and `levels` tell
what was reached - `rate` and `next_run` look ahead - `drivers` tells what raised the dose -
`plausibility` asks whether the numbers fit each other.
"""

from dosetrack.radiation.account import (
    Exposure,
    Figure,
    PlaneAccount,
    RadiationAccount,
    Tally,
    radiation_account,
)
from dosetrack.radiation.curve import (
    BeamOn,
    CurvePoint,
    PlaneCurve,
    TimedEvent,
    TimedReading,
    beam_on,
    plane_curves,
)
from dosetrack.radiation.drivers import Driver, drivers
from dosetrack.radiation.field import FieldUsed, field_used
from dosetrack.radiation.level_settings import (
    Ladder,
    LevelSettings,
    default_level_settings,
    level_settings,
)
from dosetrack.radiation.levels import (
    LevelValues,
    lane_figure,
    level_lines,
    level_values,
    levels_reached,
    next_level,
    reached_by,
)
from dosetrack.radiation.next_run import NextRun, next_run
from dosetrack.radiation.plausibility import field_index_cm2, implausible
from dosetrack.radiation.rate import (
    Forecast,
    Step,
    UsualRate,
    forecast,
    kerma_per_fluoroscopy_minute,
    recent_rate,
    steps_of,
    usual_rate,
)

__all__ = [
    "BeamOn",
    "CurvePoint",
    "Driver",
    "Exposure",
    "FieldUsed",
    "Figure",
    "Forecast",
    "Ladder",
    "LevelSettings",
    "LevelValues",
    "NextRun",
    "PlaneAccount",
    "PlaneCurve",
    "RadiationAccount",
    "Step",
    "Tally",
    "TimedEvent",
    "TimedReading",
    "UsualRate",
    "beam_on",
    "default_level_settings",
    "drivers",
    "field_index_cm2",
    "field_used",
    "forecast",
    "implausible",
    "kerma_per_fluoroscopy_minute",
    "lane_figure",
    "level_lines",
    "level_settings",
    "level_values",
    "levels_reached",
    "next_level",
    "next_run",
    "plane_curves",
    "radiation_account",
    "reached_by",
    "recent_rate",
    "steps_of",
    "usual_rate",
]
