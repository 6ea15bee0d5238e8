"""What may come and what raised the dose, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from dashboards import view_models as vm
from dosetrack.cases import reports_of_others
from dosetrack.times import zone_named

if TYPE_CHECKING:
    from dosetrack.radiation import Driver, Forecast, NextRun
    from dosetrack.workflow.results import CaseView

SHORT_DRIVERS = 2
FIELD = "field"
"""Raises DAP and not Ka,r: told on Case, not in the short line."""


def room_lines(view: CaseView, *, is_wall: bool) -> str:
    """The lines below the lanes, one under the other; '' where there is nothing to say."""
    lines = [identity_line(view), run_line(view.next_run, zone=zone_named(view.time_zone))]
    if not is_wall:
        lines += [forecast_line(view.radiation_forecast), drivers_line(view)]
    return "\n".join(line for line in lines if line)


def identity_line(view: CaseView) -> str | None:
    """That a report was sent for another patient; who is said in the hand view."""
    if not reports_of_others(view.case):
        return None
    return "◆ A dose report here was sent for another patient than the one entered: see the hand view."


def run_line(run: NextRun | None, *, zone: ZoneInfo | None = None) -> str | None:
    """'one more run like the last three: +70–90 mGy, +10–14 mL', or why that cannot be told."""
    if run is None:
        return None
    if run.kerma_mgy is None:
        return f"one more run: not known, {run.reason}"
    low, high = run.kerma_mgy
    plane = vm.plane_words(run.plane)
    told = f", last reported run {vm.clock_time(run.last_run_at, zone)}" if run.last_run_at and zone else ""
    kerma = f"+{added(low, high)} mGy" + (f" on {plane}" if plane else "")
    if run.contrast_ml is None:
        return f"one more run like the last three: {kerma}; contrast not known, {run.contrast_reason}{told}"
    whose = "" if run.is_tied else " (the last three injections)"
    return f"one more run like the last three: {kerma}, +{added(*run.contrast_ml)} mL{whose}{told}"


def added(low: float, high: float) -> str:
    """A range of amounts, its low end rounded down and its high end up; one number where both agree.

    Examples
    --------
    >>> added(71.2, 89.4), added(12.0, 12.0), added(0.2, 0.8)
    ('71–90', '12', '0.2–0.8')
    """
    decimals = 0 if high >= 10 else 1
    least, most = vm.down(low, decimals), vm.up(high, decimals)
    return most if least == most else f"{least}–{most}"


def forecast_line(found: Forecast | None) -> str | None:
    """Minutes of fluoroscopy to the next level, recent and usual rate beside it; or why not."""
    if found is None:
        return None
    if found.beam_on_minutes is None and found.clock_minutes is None:
        return f"{found.level.name}: when is not known, {found.reason}" if found.reason else None
    ahead = vm.forecast_words(found.beam_on_minutes)
    told = f"{found.level.name} {ahead} of fluoroscopy" if ahead else None
    return vm.joined(told, rate_words(found))


def rate_words(found: Forecast) -> str | None:
    """'48 mGy per minute of fluoroscopy lately, 35 usual (12 cases)'."""
    if found.beam_on_rate is None:
        return None
    usual = f", {found.usual.per_minute:.0f} usual ({found.usual.cases} cases)" if found.usual else ""
    return f"{found.beam_on_rate:.0f} mGy per minute of fluoroscopy lately{usual}"


def drivers_line(view: CaseView) -> str | None:
    """'raised the dose so far: acquisitions 71% of Ka,r, 15 pulses/s'; None where nothing is told."""
    short = [short_driver(d, view) for d in view.drivers if d.weight > 0 and d.kind != FIELD][:SHORT_DRIVERS]
    return f"raised the dose so far: {', '.join(short)}" if short else None


def short_driver(driver: Driver, view: CaseView) -> str:
    """A driver in a few words, its plane named where there is more than one."""
    plane = vm.plane_words(driver.plane) if len(view.radiation.planes) > 1 else ""
    return vm.joined(driver.short, plane, by=", ")


def driver_sentences(view: CaseView) -> list[str]:
    """Every statement on what raised the dose, its plane first where there is more than one."""
    many = len(view.radiation.planes) > 1
    return [f"{vm.plane_words(d.plane)}: {d.text}" if many else d.text for d in view.drivers]
