"""What was typed against what was reported, and which of the two the audit takes. Pure.

Levels keep the higher of typed and reported, whatever a person chose. The audit takes the reported
value, the typed one where a person chose it, and none where a person chose neither. While only
part of the reports came, it takes the higher as the levels do.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from dosetrack.cases import Case, CaseState
from dosetrack.radiation import PlaneAccount, RadiationAccount, Tally
from dosetrack.radiation.account import DAP, QUANTITIES, TIME
from dosetrack.reconcile import (
    NEITHER,
    TYPED,
    Difference,
    GivenInjection,
    ToldTwice,
    choice_for,
    compare,
    told_twice,
    undecided,
)
from dosetrack.records.entries import Agent, SettledDifference

_PARTIAL = "PARTIAL"


@dataclass(frozen=True, slots=True)
class Reconciliation:
    """Both sides of a case.

    differences : per plane and quantity that either side tells
    undecided : those that do not agree and that nobody decided for these very numbers
    injections_told_twice : typed and told by the injector; one of each pair is to be taken back
    settled : what was decided at the last closing
    settled_by, reason : who decided it, and why; None while the case was never closed
    """

    differences: tuple[Difference, ...]
    undecided: tuple[Difference, ...]
    injections_told_twice: tuple[ToldTwice, ...]
    settled: tuple[SettledDifference, ...] = ()
    settled_by: str | None = None
    reason: str | None = None

    def choice(self, difference: Difference) -> str | None:
        """What was chosen for `difference`; None where nothing was, or its numbers changed since."""
        return choice_for(difference, self.settled)


@dataclass(frozen=True, slots=True)
class AuditValue:
    """A total that the audit takes otherwise than the levels do; value None: nobody knows it."""

    quantity: str
    value: float | None


def reconciliation_of(case: Case, account: RadiationAccount) -> Reconciliation:
    """What was typed in `case` against what was reported."""
    differences = tuple(_differences(account))
    settled = case.closing.value.differences if case.closing else ()
    given = [s for s in case.injections if s.value.agent is Agent.IODINATED]
    pairs = told_twice(
        *(
            [
                GivenInjection(s.entry_id, s.at, s.value.volume_ml)
                for s in given
                if s.value.from_injector is told
            ]
            for told in (False, True)
        )
    )
    closing_id = case.closing.entry_id if case.closing else None
    return Reconciliation(
        differences=differences,
        undecided=undecided(differences, settled),
        injections_told_twice=pairs,
        settled=settled,
        settled_by=case.closing.by.name if case.closing else None,
        reason=next((e.reason for e in case.entries if e.id == closing_id), None),
    )


def audit_values(case: Case, account: RadiationAccount) -> tuple[AuditValue, ...]:
    """The totals of an ended case that the audit takes otherwise than `account` displays them."""
    if case.state not in (CaseState.ENDED, CaseState.CLOSED) or _is_only_partial(case):
        return ()
    settled = case.closing.value.differences if case.closing else ()
    found = []
    for quantity in QUANTITIES:
        whole: Tally = _whole(account, quantity)
        shown = whole.displayed.value if whole.displayed else None
        value = _for_audit(account.planes, whole, quantity, settled)
        if value != shown:
            found.append(AuditValue(quantity, value))
    return tuple(found)


def reported(tally: Tally) -> float | None:
    """What the machine told: the higher of stated and summed."""
    return max((v for v in (tally.stated, tally.summed) if v is not None), default=None)


def _differences(account: RadiationAccount) -> Iterator[Difference]:
    for quantity in QUANTITIES:
        both = 0
        for plane in account.planes:
            tally: Tally = getattr(plane, quantity)
            typed, told = tally.typed, reported(tally)
            both += typed is not None and told is not None
            if typed is not None or told is not None:
                yield compare(quantity, plane.plane, typed=typed, reported=told)
        whole = _whole(account, quantity)
        adds = quantity in (DAP, TIME) and len(account.planes) > 1
        if adds and not both and whole.typed is not None and reported(whole) is not None:
            yield compare(quantity, "all", typed=whole.typed, reported=reported(whole))


def _for_audit(
    planes: Sequence[PlaneAccount], whole: Tally, quantity: str, settled: Sequence[SettledDifference]
) -> float | None:
    chosen = {
        d.plane: choice
        for d in _of_planes(planes, whole, quantity)
        if (choice := choice_for(d, settled)) is not None
    }
    if NEITHER in chosen.values():
        return None
    if chosen.get("all") == TYPED:
        return whole.typed
    parts = []
    for plane in planes:
        tally: Tally = getattr(plane, quantity)
        told = reported(tally)
        value = tally.typed if told is None or chosen.get(plane.plane) == TYPED else told
        if value is not None:
            parts.append(value)
    total = sum(parts) if parts else None
    own = reported(whole)
    if own is None or TYPED in chosen.values():
        return total
    return own if total is None else max(own, total)


def _of_planes(planes: Sequence[PlaneAccount], whole: Tally, quantity: str) -> Iterator[Difference]:
    for name, tally in (*((p.plane, getattr(p, quantity)) for p in planes), ("all", whole)):
        yield compare(quantity, name, typed=tally.typed, reported=reported(tally))


def _whole(account: RadiationAccount, quantity: str) -> Tally:
    name = "reference_air_kerma_sum_mgy" if quantity == "reference_air_kerma_mgy" else quantity
    found: Tally = getattr(account, name)
    return found


def _is_only_partial(case: Case) -> bool:
    """Whether nothing but reports 'so far' came."""
    return bool(case.reports) and all(r.report.completion == _PARTIAL for r in case.reports)
