"""How complete follow-up is, and how well the kerma trigger finds the skin that received much.

Completeness counts items, not patients. What nobody measured is counted apart and never as 'no
injury'. The trigger is held against the computed peak of those cases that have a map.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import exp, fsum, lgamma, log

from dosetrack.followup.injury import InjuryState
from dosetrack.followup.items import KIDNEY, SKIN, FollowUpItem, FollowUpState
from dosetrack.followup.triggers import is_reached

_CONFIDENCE = 0.95
_HALVINGS = 100


@dataclass(frozen=True, slots=True)
class Completeness:
    """Items of one kind, of the cases of a period.

    asked : items in which something was asked for
    not_yet_due : the first day has not come
    done_in_time, done_late : by the first look, call or creatinine that counts
    not_done : its day has passed, nobody did it and nobody tried
    not_reached : tried, and reached nobody
    set_apart : died, declined, handed over or taken back by the rules
    settled_without : settled by a person without a look or result
    open_now : still open; injury, not_assessed : what the creatinines say, of items past their day
    estimates_asked, estimates_made : of the physicist
    """

    kind: str
    asked: int = 0
    not_yet_due: int = 0
    done_in_time: int = 0
    done_late: int = 0
    not_done: int = 0
    not_reached: int = 0
    set_apart: int = 0
    settled_without: int = 0
    open_now: int = 0
    injury: int = 0
    not_assessed: int = 0
    estimates_asked: int = 0
    estimates_made: int = 0


@dataclass(frozen=True, slots=True)
class Share:
    """n of `of`, with its exact 95 % interval (Clopper-Pearson); None where there is nothing to divide."""

    n: int
    of: int
    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class TriggerTable:
    """The kerma trigger against the computed peak skin dose.

    kerma_level_mgy, peak_level_mgy : the lowest levels in force
    both, only_trigger, only_peak, neither : cases with a map
    not_mapped : cases with air kerma and no map; they are in no share
    """

    kerma_level_mgy: float
    peak_level_mgy: float
    both: int
    only_trigger: int
    only_peak: int
    neither: int
    not_mapped: int
    sensitivity: Share
    specificity: Share


@dataclass(frozen=True, slots=True)
class FollowUpMeasures:
    """Follow-up of the cases of a period, as it stood on a day."""

    on: date
    completeness: tuple[Completeness, ...]
    trigger: TriggerTable | None


@dataclass(frozen=True, slots=True)
class TriggerCase:
    """Air kerma of the worst plane and computed peak of one case [mGy]; None: not known."""

    reference_air_kerma_mgy: float | None
    peak_skin_dose_mgy: float | None


def completeness(items: Iterable[FollowUpItem], kind: str, *, on: date, grace_days: int) -> Completeness:
    """Completeness of one kind on the local day `on`.

    Parameters
    ----------
    items : in which something was asked for at some time
    grace_days : how many days after its day a look still counts as in time
    """
    of_kind = [item for item in items if item.kind == kind]
    ends = [_outcome(item, on, grace_days) for item in of_kind]
    past = [item for item, end in zip(of_kind, ends, strict=True) if end != "not_yet_due"]
    return Completeness(
        kind=kind,
        asked=len(of_kind),
        open_now=sum(item.is_open for item in of_kind),
        injury=sum(_injury(item) is InjuryState.INJURY for item in of_kind),
        not_assessed=sum(kind == KIDNEY and _injury(i) in (None, InjuryState.NOT_ASSESSED) for i in past),
        estimates_asked=sum(i.decided.estimate_due is not None for i in of_kind),
        estimates_made=sum(i.estimate is not None for i in of_kind),
        **{name: ends.count(name) for name in _OUTCOMES},
    )


_OUTCOMES = (
    "not_yet_due",
    "done_in_time",
    "done_late",
    "not_done",
    "not_reached",
    "set_apart",
    "settled_without",
)
_APART = (
    FollowUpState.DECEASED,
    FollowUpState.DECLINED,
    FollowUpState.TRANSFERRED,
    FollowUpState.NOTHING_DUE,
)


def _outcome(item: FollowUpItem, on: date, grace_days: int) -> str:
    """One of _OUTCOMES, by the first thing that was due."""
    done = min((due for due in item.due if due.done_on), key=lambda due: due.day, default=None)
    first = item.due[0] if item.due else None
    if first is not None and first.done_on is not None:
        return "done_in_time" if first.done_on <= _days_after(first.by, grace_days) else "done_late"
    if done is not None:
        return "done_late"
    if item.state in _APART or item.died_on is not None:
        return "set_apart"
    if item.state is FollowUpState.SETTLED:
        return "set_apart" if item.estimate is not None and not item.due else "settled_without"
    if item.unreached:
        return "not_reached"
    by = first.by if first is not None else item.decided.estimate_due
    if by is None or on.isoformat() <= _days_after(by, grace_days):
        return "not_yet_due"
    return "not_done"


def _days_after(day: str, days: int) -> str:
    return (date.fromisoformat(day) + timedelta(days=days)).isoformat()


def _injury(item: FollowUpItem) -> InjuryState | None:
    return item.injury.state if item.injury is not None else None


def trigger_table(
    cases: Sequence[TriggerCase], *, kerma_level_mgy: float, peak_level_mgy: float
) -> TriggerTable:
    """The 2 x 2 table of the kerma trigger against the computed peak."""
    known = [c for c in cases if c.reference_air_kerma_mgy is not None]
    counts = {(a, b): 0 for a in (True, False) for b in (True, False)}
    for case in known:
        if case.peak_skin_dose_mgy is not None:
            is_over = is_reached(case.reference_air_kerma_mgy or 0.0, kerma_level_mgy)
            counts[(is_over, is_reached(case.peak_skin_dose_mgy, peak_level_mgy))] += 1
    both, only_trigger = counts[(True, True)], counts[(True, False)]
    only_peak, neither = counts[(False, True)], counts[(False, False)]
    return TriggerTable(
        kerma_level_mgy=kerma_level_mgy,
        peak_level_mgy=peak_level_mgy,
        both=both,
        only_trigger=only_trigger,
        only_peak=only_peak,
        neither=neither,
        not_mapped=sum(case.peak_skin_dose_mgy is None for case in known),
        sensitivity=share(both, of=both + only_peak),
        specificity=share(neither, of=neither + only_trigger),
    )


def share(n: int, *, of: int) -> Share:
    """n of `of` with its exact interval.

    References
    ----------
    Clopper and Pearson 1934, Biometrika 26, 404 (from memory): each end is the share at which a count
    at least, or at most, as far out has a probability of 2.5 %.

    Examples
    --------
    >>> [round(x, 4) for x in (share(0, of=10).low, share(0, of=10).high)]
    [0.0, 0.3085]
    """
    if of == 0:
        return Share(n, of, None, None, None)
    tail = (1 - _CONFIDENCE) / 2
    low = 0.0 if n == 0 else _solve(lambda p: _at_least(n, of, p) - tail)
    high = 1.0 if n == of else _solve(lambda p: tail - _at_most(n, of, p))
    return Share(n, of, n / of, low, high)


def _solve(rising: Callable[[float], float]) -> float:
    """Where a rising function of a share crosses zero."""
    low, high = 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if rising(middle) < 0 else (low, middle)
    return (low + high) / 2


def _at_least(n: int, of: int, p: float) -> float:
    return fsum(_probability(k, of, p) for k in range(n, of + 1))


def _at_most(n: int, of: int, p: float) -> float:
    return fsum(_probability(k, of, p) for k in range(n + 1))


def _probability(k: int, of: int, p: float) -> float:
    if p <= 0.0 or p >= 1.0:
        return float(k == (0 if p <= 0.0 else of))
    ways = lgamma(of + 1) - lgamma(k + 1) - lgamma(of - k + 1)
    return exp(ways + k * log(p) + (of - k) * log(1 - p))


def measures(
    items: Sequence[FollowUpItem],
    *,
    on: date,
    skin_grace_days: int,
    kidney_grace_days: int,
    trigger: TriggerTable | None,
) -> FollowUpMeasures:
    """Both kinds and the trigger."""
    return FollowUpMeasures(
        on=on,
        completeness=(
            completeness(items, SKIN, on=on, grace_days=skin_grace_days),
            completeness(items, KIDNEY, on=on, grace_days=kidney_grace_days),
        ),
        trigger=trigger,
    )
