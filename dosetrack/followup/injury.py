"""Acute kidney injury after contrast, staged by creatinine alone (KDIGO 2012).

The criteria are compared in the laboratory's own unit with exact decimals: 1.2 - 0.9 is 0.3, and
26.5 µmol/L is not 0.3 mg/dL converted. Stages are half-open: [1.5, 2), [2, 3), [3, without end).
The clocks of 48 hours and 7 days belong to the diagnosis; the stage is that of the highest value.
That nobody measured in time is a state of its own. Urine output is not read.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from enum import StrEnum

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.followup.due import creatinine_window
from dosetrack.followup.facts import InjuryFacts
from dosetrack.followup.samples import Sample, in_one_unit, samples_of
from dosetrack.kidney import filtration
from dosetrack.settings import Settings
from dosetrack.tables import Constant, constants

_UNITS = {"mg/dL": "mg_dl", "umol/L": "umol_l"}
_UNIT_WORDS = {"mg/dL": "mg/dL", "umol/L": "µmol/L"}


class InjuryState(StrEnum):
    """What the creatinines say. None of them says that there was no injury."""

    INJURY = "injury"
    OUTSIDE_CLOCK = "rise outside the clock"
    NOT_MET = "criterion not met"
    NOT_ASSESSED = "not assessed"


@dataclass(frozen=True, slots=True)
class InjuryStage:
    """Kidney injury after contrast, as far as creatinine tells.

    stage : 1, 2 or 3 in the state INJURY, else None; is_at_least: the baseline is missing
    text : the same in words
    unit : of baseline, peak and rise; None where nothing was compared
    is_baseline_presumed : older than the table's days, or drawn on the day of the contrast at a time
        nobody told
    ratio : peak over baseline, exact
    missing : what would have been wanted, in words
    """

    state: InjuryState
    text: str
    stage: int | None = None
    is_at_least: bool = False
    unit: str | None = None
    baseline: Decimal | None = None
    baseline_on: date | None = None
    is_baseline_presumed: bool = False
    peak: Decimal | None = None
    peak_on: date | None = None
    rise: Decimal | None = None
    ratio: Decimal | None = None
    findings: tuple[Finding, ...] = ()
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Course:
    """Samples before and after the contrast in one unit, oldest first."""

    facts: InjuryFacts
    unit: str
    before: tuple[Sample, ...]
    after: tuple[Sample, ...]

    @property
    def baseline(self) -> Sample | None:
        """The latest stable sample before the first contrast."""
        return next((s for s in reversed(self.before) if not s.is_unstable), None)

    @property
    def peak(self) -> Sample | None:
        """The highest sample after the contrast, the first of equals."""
        return max(self.after, key=lambda s: s.value, default=None)

    @property
    def contrast_day(self) -> date:
        """The local day of the first contrast."""
        return self.facts.first_contrast_at.astimezone(self.facts.zone).date()


def stage_injury(facts: InjuryFacts, settings: Settings) -> InjuryStage:
    """The state and stage of kidney injury after contrast.

    Notes
    -----
    Injury is diagnosed by a rise of at least 0.3 mg/dL (26.5 µmol/L) from the baseline to a sample
    within 48 h of the last contrast, or between any two samples within 48 h; or by at least 1.5
    times the baseline within 7 days of the contrast. Dialysis begun is stage 3. A sample without a
    time of day is counted in whole days. The criterion is 'not met' only where a
    sample was drawn from the first day of the repeat creatinine on and within the 7 days.

    References
    ----------
    KDIGO 2012, definition and table 2, as restated: `tables/follow_up.csv`.
    """
    if facts.was_on_dialysis:
        return InjuryStage(
            InjuryState.NOT_ASSESSED,
            "Not assessed: on dialysis before the case, creatinine would not tell of injury",
        )
    course, findings, missing = _course(facts)
    if facts.dialysis_started:
        return _staged(course, 3, "dialysis was begun", findings, missing)
    if course is None or course.peak is None:
        text = "Not assessed: no creatinine after the contrast"
        return InjuryStage(InjuryState.NOT_ASSESSED, text, findings=findings, missing=missing)
    if course.baseline is None:
        missing = (*missing, _no_baseline(course))
    met = _criterion(course)
    if met is not None:
        stage, why = _stage(course, course.peak, met)
        missing = (*missing, *_child_missing(course))
        return _staged(course, stage, why, findings, missing)
    return _not_diagnosed(course, settings, findings, missing)


def _course(facts: InjuryFacts) -> tuple[_Course | None, tuple[Finding, ...], tuple[str, ...]]:
    read, undated = samples_of(facts.series, facts.zone)
    missing = ("date of a creatinine",) if undated else ()
    if not read:
        return None, (), missing
    one_unit, was_mixed = in_one_unit(read)
    findings = (finding(FindingCode.CREATININE_UNITS_MIXED),) if was_mixed else ()
    first = facts.first_contrast_at
    before = tuple(s for s in one_unit if s.is_before(first, facts.zone))
    after = tuple(s for s in one_unit if not s.is_before(first, facts.zone))
    return _Course(facts, one_unit[0].unit, before, after), findings, missing


def _criterion(course: _Course) -> str | None:
    """Which part of the definition is met, in words; None when none is."""
    rise, unit = _of_unit("kdigo_rise", course.unit), _UNIT_WORDS[course.unit]
    hours = _constant("kdigo_rise_hours")
    if _rises_within(course, Decimal(rise.value), timedelta(hours=hours.number)):
        return f"rise of at least {rise.value} {unit} within {hours.value} h"
    base = course.baseline
    least, days = _constant("kdigo_ratio_stage_1"), _constant("kdigo_ratio_days")
    in_clock = _within_contrast(course, timedelta(days=days.number))
    if base is not None and any(s.value >= Decimal(least.value) * base.value for s in in_clock):
        return f"at least {least.value} times the baseline within {days.value} days"
    return None


def _rises_within(course: _Course, rise: Decimal, clock: timedelta) -> bool:
    base = course.baseline
    early = _within_contrast(course, clock)
    if base is not None and any(s.value - base.value >= rise for s in early):
        return True
    earlier = [*([base] if base is not None else []), *course.after]
    return any(
        later.value - sample.value >= rise and later.is_within(clock, sample.at, sample.day)
        for number, sample in enumerate(earlier)
        for later in earlier[number + 1 :]
    )


def _within_contrast(course: _Course, clock: timedelta) -> list[Sample]:
    last = course.facts.last_contrast_at
    day = last.astimezone(course.facts.zone).date()
    return [s for s in course.after if s.is_within(clock, last, day)]


def _stage(course: _Course, peak: Sample, met: str) -> tuple[int, str]:
    """The stage by the highest value after the contrast, once the definition is met."""
    base = course.baseline
    severe = _of_unit("kdigo_severe", course.unit)
    if peak.value >= Decimal(severe.value):
        return 3, f"{met}, and {severe.value} {_UNIT_WORDS[course.unit]} or more"
    egfr = _child_egfr(course, peak)
    level = _constant("kdigo_child_egfr")
    if egfr is not None and egfr < level.number:
        return 3, f"{met}, and eGFR of a child below {level.value} mL/min/1.73 m²"
    for stage in (3, 2):
        ratio = _constant(f"kdigo_ratio_stage_{stage}")
        if base is not None and peak.value >= Decimal(ratio.value) * base.value:
            return stage, f"{met}; at the highest {ratio.value} times the baseline or more"
    return 1, met


def _child_egfr(course: _Course, peak: Sample) -> float | None:
    """Bedside Schwartz at the highest creatinine; None for adults and where it cannot be computed."""
    age, height = course.facts.age_years, course.facts.height_cm
    if age is None or filtration.is_adult(age) or height is None or peak.value <= 0:
        return None
    return filtration.schwartz_bedside_ml_min_173m2(creatinine_mg_dl=peak.mg_dl(), height_cm=height)


def _child_missing(course: _Course) -> tuple[str, ...]:
    age = course.facts.age_years
    is_child = age is not None and not filtration.is_adult(age)
    return ("height: eGFR of the child not computed",) if is_child and course.facts.height_cm is None else ()


def _not_diagnosed(
    course: _Course, settings: Settings, findings: tuple[Finding, ...], missing: tuple[str, ...]
) -> InjuryStage:
    """A rise outside the clocks, a criterion not met in time, or nothing measured in time."""
    state, text = _outside(course) or _in_time(course, settings)
    return _with_numbers(course, InjuryStage(state, text, findings=findings, missing=missing))


def _outside(course: _Course) -> tuple[InjuryState, str] | None:
    base, peak = course.baseline, course.peak
    if base is None or peak is None:
        return None
    hours, days = _constant("kdigo_rise_hours"), _constant("kdigo_ratio_days")
    window = _constant("esur_window")
    if peak.value >= Decimal(_constant("kdigo_ratio_stage_1").value) * base.value:
        return InjuryState.OUTSIDE_CLOCK, f"Rise outside the {days.value} day window"
    rise = Decimal(_of_unit("kdigo_rise", course.unit).value)
    if peak.value - base.value < rise:
        return None
    risen = [s for s in course.after if s.value - base.value >= rise]
    in_window = {id(s) for s in _within_contrast(course, timedelta(hours=window.number))}
    text = f"Rise outside the {hours.value} h window"
    if any(id(s) in in_window for s in risen):
        text += f" (meets ESUR {hours.value}-{window.value} h only)"
    return InjuryState.OUTSIDE_CLOCK, text


def _in_time(course: _Course, settings: Settings) -> tuple[InjuryState, str]:
    facts = course.facts
    first_day = creatinine_window(facts.last_contrast_at, facts.zone, settings).from_day
    clock = timedelta(days=_constant("kdigo_ratio_days").number)
    in_time = [s for s in _within_contrast(course, clock) if s.day >= first_day]
    if course.baseline is None:
        return InjuryState.NOT_ASSESSED, f"Not assessed: {_no_baseline(course)}"
    if in_time:
        last = max(s.day for s in in_time)
        return InjuryState.NOT_MET, f"Criterion not met by the creatinines up to {last.isoformat()}"
    drawn = ", ".join(s.day.isoformat() for s in course.after)
    return (
        InjuryState.NOT_ASSESSED,
        f"Not assessed: no creatinine from {first_day.isoformat()} on and within {clock.days} days; "
        f"drawn {drawn}",
    )


def _no_baseline(course: _Course) -> str:
    if course.before:
        return "baseline: creatinine was changing before the contrast"
    return "baseline: no creatinine before the contrast"


def _staged(
    course: _Course | None,
    stage: int,
    why: str,
    findings: tuple[Finding, ...],
    missing: tuple[str, ...],
) -> InjuryStage:
    is_at_least = stage < 3 and (course is None or course.baseline is None)
    text = f"KDIGO stage {stage}{' at least' if is_at_least else ''}: {why}"
    found = InjuryStage(
        InjuryState.INJURY, text, stage=stage, is_at_least=is_at_least, findings=findings, missing=missing
    )
    return found if course is None else _with_numbers(course, found)


def _with_numbers(course: _Course, found: InjuryStage) -> InjuryStage:
    base, peak = course.baseline, course.peak
    return InjuryStage(
        state=found.state,
        text=found.text,
        stage=found.stage,
        is_at_least=found.is_at_least,
        unit=course.unit,
        baseline=base.value if base else None,
        baseline_on=base.day if base else None,
        is_baseline_presumed=base is not None and _is_presumed(course, base),
        peak=peak.value if peak else None,
        peak_on=peak.day if peak else None,
        rise=peak.value - base.value if peak and base else None,
        ratio=peak.value / base.value if peak and base and base.value else None,
        findings=found.findings,
        missing=found.missing,
    )


def _is_presumed(course: _Course, base: Sample) -> bool:
    is_vague = base.at is None and base.day == course.contrast_day
    return is_vague or course.contrast_day - base.day > timedelta(days=_constant("baseline_age").number)


def _constant(key: str) -> Constant:
    return constants("follow_up")[key]


def _of_unit(name: str, unit: str) -> Constant:
    """The row of `name` in the unit of the laboratory: 'kdigo_rise_mg_dl', 'kdigo_severe_umol_l' ..."""
    return constants("follow_up")[f"{name}_{_UNITS[unit]}"]
