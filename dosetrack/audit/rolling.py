"""The typical value of a department: the local median over a rolling window.

The window ends with the day asked for and reaches back over whole months; cases before a change of
equipment or protocol that touches them are left out. Children have rows of their own. A single
month is never compared with a reference level: it rarely holds enough cases.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from dosetrack.audit.cases import QUANTITIES, AgeGroup, AuditCase
from dosetrack.audit.changes import RESETS_TYPICAL_VALUES, Change, changes_touching, still_comparable
from dosetrack.audit.intervals import PercentileInterval, percentiles
from dosetrack.audit.months import rolling_start
from dosetrack.audit.reference import Comparison, ReferenceLevel, compare
from dosetrack.errors import InputError


@dataclass(frozen=True, slots=True)
class TypicalValue:
    """One procedure, age group and quantity over the window.

    n, missing : cases of the window that have the quantity, and that lack it
    median : with its interval; None where no case has it
    is_enough : n reaches the fewest cases for a comparison
    resets : changes within the window that took earlier cases out
    left_out : cases of the window that lie before such a change
    """

    procedure: str | None
    age_group: AgeGroup
    quantity: str
    first_day: date
    last_day: date
    n: int
    missing: int
    median: PercentileInterval | None
    is_enough: bool
    resets: tuple[Change, ...]
    left_out: int


@dataclass(frozen=True, slots=True)
class Window:
    """The cases of one procedure and age group that still are comparable, and what was left out."""

    cases: tuple[AuditCase, ...]
    first_day: date
    last_day: date
    resets: tuple[Change, ...]
    left_out: int


def window_of(
    cases: Iterable[AuditCase],
    *,
    procedure: str | None,
    age_group: AgeGroup,
    last_day: date,
    months: int,
    changes: Sequence[Change] = (),
) -> Window:
    """The window of one procedure and age group that ends with `last_day`."""
    start = rolling_start(last_day, months)
    group = [
        c
        for c in cases
        if c.procedure == procedure and c.age_group is age_group and start <= c.day <= last_day
    ]
    group.sort(key=lambda c: (c.day, c.id))
    kept = still_comparable(group, changes, last_day=last_day)
    inside = (c for c in changes_touching(group, changes) if start < c.day <= last_day)
    resets = tuple(c for c in inside if c.kind in RESETS_TYPICAL_VALUES)
    return Window(kept, start, last_day, resets, len(group) - len(kept))


def typical_values(
    cases: Iterable[AuditCase],
    *,
    last_day: date,
    months: int,
    minimum_n: int,
    changes: Sequence[Change] = (),
    quantities: Sequence[str] = QUANTITIES,
) -> tuple[TypicalValue, ...]:
    """The typical values of every procedure and age group, in order of name, those without one last."""
    given = list(cases)
    groups = {(c.procedure, c.age_group) for c in given}
    found = []
    for procedure, age in sorted(groups, key=lambda g: (g[0] is None, g[0] or "", g[1].value)):
        window = window_of(
            given, procedure=procedure, age_group=age, last_day=last_day, months=months, changes=changes
        )
        found += [_typical(window, procedure, age, quantity, minimum_n) for quantity in quantities]
    return tuple(found)


def _typical(
    window: Window, procedure: str | None, age: AgeGroup, quantity: str, minimum_n: int
) -> TypicalValue:
    known = percentiles((c.value(quantity) for c in window.cases), fractions=(0.5,))
    return TypicalValue(
        procedure=procedure,
        age_group=age,
        quantity=quantity,
        first_day=window.first_day,
        last_day=window.last_day,
        n=known.n,
        missing=known.missing,
        median=known.rows[0] if known.rows else None,
        is_enough=known.n >= minimum_n,
        resets=window.resets,
        left_out=window.left_out,
    )


def compare_window(
    window: Window, reference: ReferenceLevel, *, procedure: str, minimum_n: int
) -> Comparison:
    """The median of `window` beside `reference`; reference levels are for adults.

    Raises
    ------
    InputError
        The window holds cases of patients under 18, or the row is context only.
    """
    if any(case.age_group is not AgeGroup.ADULT for case in window.cases):
        raise InputError(field="reference level", given="cases under 18", accepted="cases of adults")
    return compare(
        window.cases,
        reference,
        procedure=procedure,
        first_day=window.first_day,
        last_day=window.last_day,
        minimum_n=minimum_n,
    )
