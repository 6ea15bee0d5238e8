"""Operators within one procedure: what each gave beside what the same patients would be expected to get.

The logarithm of the dose is explained by patient size (logarithm of body surface area), complexity,
room and biplane; what is then alike in the cases of one operator is that operator's effect, drawn
toward none the fewer the cases. An operator is told as 'cannot tell yet' where the cases are few or
the interval is wide. Operators stand in order of name; there is no order by dose.

What the model cannot see: referral of harder cases, teaching, a room that one operator has alone.
A difference is a question to talk about and no judgement.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import ceil, exp, log, sqrt
from statistics import median

import numpy as np

from dosetrack.audit.cases import AuditCase
from dosetrack.audit.intervals import confidence
from dosetrack.audit.mixed import FloatArray, RandomIntercept, group_numbers, random_intercept
from dosetrack.tables import constants

NOT_KNOWN = "not known"
"""The level of a factor for cases that do not tell it: missing is a level of its own."""

SIZE = "body surface area, per doubling"
SIZE_MISSING = "body surface area not known"


class Telling(StrEnum):
    """What may be said of one operator."""

    CANNOT_TELL = "cannot tell yet"
    AS_EXPECTED = "no difference beyond chance"
    HIGHER = "higher than expected"
    LOWER = "lower than expected"


class Outcome(StrEnum):
    """Whether operators could be compared at all."""

    COMPARED = "compared"
    NO_CASES = "no case has the quantity"
    ONE_OPERATOR = "fewer than two operators"
    TOO_FEW = "too few cases for what is adjusted for"
    NO_SPREAD = "no scatter is left between cases"


@dataclass(frozen=True, slots=True)
class ComparingRules:
    """When an operator can be told.

    minimum_n : fewest cases of an operator
    widest : greatest upper end over lower end of the interval of the ratio
    """

    minimum_n: int
    widest: float


@dataclass(frozen=True, slots=True)
class OperatorRatio:
    """One operator. Geometric means in the quantity's unit.

    observed, expected : of the operator's own cases; expected: the same patients with the mean of the
        operators at hand
    observed_over_expected : as it stands, not drawn toward 1
    ratio, low, high : drawn toward 1, with the interval; None where nothing could be fitted
    cases_needed : of this operator in all, to see the difference the audit looks for
    """

    operator: str
    n: int
    observed: float
    expected: float | None
    observed_over_expected: float | None
    ratio: float | None
    low: float | None
    high: float | None
    telling: Telling
    cases_needed: int | None


@dataclass(frozen=True, slots=True)
class Adjustment:
    """One term of the model: by what it multiplies the dose, with its interval."""

    name: str
    ratio: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """How far the model can be trusted.

    size_missing : share of cases without body surface area
    scatter : ratio that one standard deviation of a case means, after adjustment
    spread : the same between operators; 1.0 where the data show none
    skewness, excess_kurtosis : of the residuals, 0 for a normal distribution
    normality_p : D'Agostino and Pearson's test of the residuals; None with few cases
    has_converged : the fit is the best that a search over a grid finds too
    left_out : terms that others already tell, such as biplane where each room is one or the other
    alone_in_room : operators none of whose rooms has a case of another: room and operator are one
    """

    n: int
    operators: int
    size_missing: float
    scatter: float
    spread: float
    skewness: float
    excess_kurtosis: float
    normality_p: float | None
    has_converged: bool
    left_out: tuple[str, ...]
    alone_in_room: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OperatorComparison:
    """operators : in order of name. adjustments, diagnostics : empty and None unless `COMPARED`.

    missing : cases without the quantity; no_operator : cases without an operator
    not_positive : ids of cases whose value is zero or below, which has no logarithm
    """

    quantity: str
    outcome: Outcome
    operators: tuple[OperatorRatio, ...]
    missing: int
    no_operator: int
    not_positive: tuple[str, ...]
    adjustments: tuple[Adjustment, ...] = ()
    diagnostics: Diagnostics | None = None


def compare_operators(
    cases: Iterable[AuditCase], quantity: str, *, rules: ComparingRules
) -> OperatorComparison:
    """The operators of `cases` in `quantity`, adjusted for what the cases tell.

    Parameters
    ----------
    cases : of one procedure and age group, in any order
    """
    given = sorted(cases, key=lambda c: (c.day, c.id))
    known = [c for c in given if c.value(quantity) is not None]
    named = [c for c in known if c.operator is not None]
    not_positive = tuple(c.id for c in named if _value(c, quantity) <= 0)
    used = [c for c in named if _value(c, quantity) > 0]
    left = (len(given) - len(known), len(known) - len(named), not_positive)
    design = _design(used)
    outcome = _outcome(used, quantity, design)
    if outcome is not Outcome.COMPARED:
        rows = tuple(_untold(name, rows, quantity) for name, rows in _by_operator(used))
        return OperatorComparison(quantity, outcome, rows, *left)
    names, groups = group_numbers([str(c.operator) for c in used])
    response = np.log([_value(c, quantity) for c in used])
    fit = random_intercept(response, design.matrix, groups, confidence=confidence())
    expected = design.matrix @ fit.fixed + fit.effects.mean()
    ratios = [
        _told(name, response[groups == g], expected[groups == g], fit, g, rules)
        for g, name in enumerate(names)
    ]
    adjustments, diagnostics = _adjustments(fit, design), _diagnostics(used, fit, design)
    return OperatorComparison(quantity, outcome, tuple(ratios), *left, adjustments, diagnostics)


def cases_needed(scatter_log: float, *, difference: float, power: float, confidence: float) -> int:
    """Cases of one operator that show a mean `difference` times the expected one with chance `power`.

    Parameters
    ----------
    scatter_log : standard deviation of the natural logarithm of one case, after adjustment
    difference : ratio of doses, not 1

    References
    ----------
    ((z(1 - error / 2) + z(power)) scatter / ln difference)²: the two-sided test of one mean with
    known scatter; textbooks. The expected value is taken as known.

    Examples
    --------
    >>> cases_needed(0.5, difference=1.2, power=0.8, confidence=0.95)
    60
    """
    from scipy.special import ndtri

    reach = float(ndtri((1.0 + confidence) / 2.0)) + float(ndtri(power))
    return max(1, ceil((reach * scatter_log / log(difference)) ** 2))


@dataclass(frozen=True, slots=True)
class _Design:
    """matrix : shape (cases, terms), full rank, the intercept first; names : of its columns."""

    matrix: FloatArray
    names: tuple[str, ...]
    left_out: tuple[str, ...]


def _design(cases: Sequence[AuditCase]) -> _Design:
    """The terms in a fixed order; one that the terms before it already tell is left out and named."""
    columns: list[tuple[str, FloatArray]] = [("all", np.ones(len(cases))), *_size(cases)]
    columns += _levels(cases, "complexity", lambda c: c.complexity)
    columns += _levels(cases, "room", lambda c: c.room)
    columns += _levels(cases, "biplane", lambda c: None if c.is_biplane is None else _yes(c.is_biplane))
    kept: list[tuple[str, FloatArray]] = []
    basis: list[FloatArray] = []
    left_out = []
    for name, column in columns:
        rest = column.astype(float)
        for _ in range(2):  # twice: rounding of the first pass is taken away by the second
            for direction in basis:
                rest = rest - (direction @ rest) * direction
        length = float(np.linalg.norm(rest))
        if length <= 1e-8 * max(1.0, float(np.linalg.norm(column))):
            left_out.append(name)
            continue
        basis.append(rest / length)
        kept.append((name, column))
    matrix = np.column_stack([c for _, c in kept]) if cases else np.empty((0, 0))
    return _Design(matrix, tuple(name for name, _ in kept), tuple(left_out))


def _yes(is_so: bool) -> str:
    return "yes" if is_so else "no"


def _size(cases: Sequence[AuditCase]) -> list[tuple[str, FloatArray]]:
    """Doublings of body surface area from the median; a case without it counts at the median, with a
    term of its own that lets its mean differ."""
    known = [c.body_surface_m2 for c in cases if c.body_surface_m2]
    if not known:
        return []
    centre = median(known)
    doublings = [log(c.body_surface_m2 / centre, 2) if c.body_surface_m2 else 0.0 for c in cases]
    found = [(SIZE, np.array(doublings))]
    if len(known) < len(cases):
        found.append((SIZE_MISSING, np.array([0.0 if c.body_surface_m2 else 1.0 for c in cases])))
    return found


def _levels(
    cases: Sequence[AuditCase], factor: str, level_of: Callable[[AuditCase], str | None]
) -> list[tuple[str, FloatArray]]:
    """One column for each level but the most frequent one, to which the others are compared."""
    levels = [level_of(c) or NOT_KNOWN for c in cases]
    counted = sorted(set(levels), key=lambda level: (-levels.count(level), level))
    return [
        (f"{factor}: {level}", np.array([float(one == level) for one in levels]))
        for level in sorted(counted[1:])
    ]


def _outcome(cases: Sequence[AuditCase], quantity: str, design: _Design) -> Outcome:
    operators = {c.operator for c in cases}
    if not cases:
        return Outcome.NO_CASES
    if len(operators) < _own("fewest_operators"):
        return Outcome.ONE_OPERATOR
    if len(cases) < len(design.names) + len(operators) + 1:
        return Outcome.TOO_FEW
    response = np.log([_value(c, quantity) for c in cases])
    numbers = group_numbers([str(c.operator) for c in cases])[1]
    whole = np.column_stack([design.matrix, np.eye(len(operators))[numbers]])
    residue = response - whole @ np.linalg.lstsq(whole, response, rcond=None)[0]
    return Outcome.NO_SPREAD if float(np.abs(residue).max()) < 1e-9 else Outcome.COMPARED


def _told(
    name: str, logs: FloatArray, expected: FloatArray, fit: RandomIntercept, group: int, rules: ComparingRules
) -> OperatorRatio:
    low, high = exp(fit.low[group]), exp(fit.high[group])
    is_wide = high / low > rules.widest
    telling = Telling.AS_EXPECTED
    if len(logs) < rules.minimum_n or is_wide or not fit.has_converged:
        telling = Telling.CANNOT_TELL
    elif low > 1.0:
        telling = Telling.HIGHER
    elif high < 1.0:
        telling = Telling.LOWER
    mean, wanted = float(logs.mean()), float(expected.mean())
    return OperatorRatio(
        operator=name,
        n=len(logs),
        observed=exp(mean),
        expected=exp(wanted),
        observed_over_expected=exp(mean - wanted),
        ratio=exp(float(fit.relative[group])),
        low=low,
        high=high,
        telling=telling,
        cases_needed=cases_needed(
            sqrt(fit.residual_variance),
            difference=_own("difference_to_see"),
            power=_own("power"),
            confidence=confidence(),
        ),
    )


def _untold(name: str, cases: Sequence[AuditCase], quantity: str) -> OperatorRatio:
    observed = exp(sum(log(_value(c, quantity)) for c in cases) / len(cases))
    return OperatorRatio(
        name, len(cases), observed, None, None, None, None, None, Telling.CANNOT_TELL, cases_needed=None
    )


def _by_operator(cases: Sequence[AuditCase]) -> list[tuple[str, list[AuditCase]]]:
    names = sorted({str(c.operator) for c in cases})
    return [(name, [c for c in cases if c.operator == name]) for name in names]


def _adjustments(fit: RandomIntercept, design: _Design) -> tuple[Adjustment, ...]:
    from scipy.special import stdtrit

    reach = float(stdtrit(len(fit.residuals) - len(design.names), (1.0 + confidence()) / 2.0))
    found = []
    for name, b, error in zip(design.names[1:], fit.fixed[1:], fit.fixed_errors[1:], strict=True):
        found.append(
            Adjustment(name, exp(float(b)), exp(float(b - reach * error)), exp(float(b + reach * error)))
        )
    return tuple(found)


def _diagnostics(cases: Sequence[AuditCase], fit: RandomIntercept, design: _Design) -> Diagnostics:
    centred = fit.residuals - fit.residuals.mean()
    spread = float(np.sqrt((centred**2).mean()))
    return Diagnostics(
        n=len(cases),
        operators=len(fit.effects),
        size_missing=sum(not c.body_surface_m2 for c in cases) / len(cases),
        scatter=exp(sqrt(fit.residual_variance)),
        spread=exp(sqrt(fit.between_variance)),
        skewness=float((centred**3).mean() / spread**3),
        excess_kurtosis=float((centred**4).mean() / spread**4 - 3.0),
        normality_p=_normality(fit.residuals),
        has_converged=fit.has_converged,
        left_out=design.left_out,
        alone_in_room=_alone(cases),
    )


def _normality(residuals: FloatArray) -> float | None:
    if len(residuals) < _own("fewest_for_normality"):
        return None
    from scipy.stats import normaltest

    return float(normaltest(residuals).pvalue)


def _alone(cases: Sequence[AuditCase]) -> tuple[str, ...]:
    rooms: dict[str | None, set[str]] = {}
    for case in cases:
        rooms.setdefault(case.room, set()).add(str(case.operator))
    if len(rooms) < 2:
        return ()
    shared = {name for names in rooms.values() if len(names) > 1 for name in names}
    return tuple(sorted({str(c.operator) for c in cases} - shared))


def _value(case: AuditCase, quantity: str) -> float:
    value = case.value(quantity)
    if value is None:
        raise ValueError(f"{case.id} has no {quantity}")
    return value


def _own(key: str) -> float:
    return constants("audit_statistics")[key].number
