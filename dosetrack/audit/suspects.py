"""Values that a slip of unit or digit would explain: shown beside the audit, never taken out of it.

A value is suspected where it lies far from the other cases of its procedure and age group and a
listed slip (`tables/slips.csv`) would bring it among them. A person looks; every statistic keeps it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import log
from statistics import median

from dosetrack.audit.cases import QUANTITIES, AgeGroup, AuditCase
from dosetrack.tables import Constant, constants


@dataclass(frozen=True, slots=True)
class Suspect:
    """One value. others : median of the known values of its group, its own included.

    factor : the value is this many times what the slip would make of it
    slip : which one, in words
    """

    case_id: str
    procedure: str | None
    quantity: str
    value: float
    others: float
    factor: float
    slip: str


def suspects(cases: Iterable[AuditCase]) -> tuple[Suspect, ...]:
    """Every suspected value, in order of day, case and quantity.

    References
    ----------
    Iglewicz and Hoaglin 1993: a modified z-score (distance from the median in scaled median absolute
    deviations) above 3.5; here of the logarithms. From memory.
    """
    groups: dict[tuple[str | None, AgeGroup], list[AuditCase]] = {}
    for case in sorted(cases, key=lambda c: (c.day, c.id)):
        groups.setdefault((case.procedure, case.age_group), []).append(case)
    found = [
        (case.day, case.id, place, suspect)
        for members in groups.values()
        for place, quantity in enumerate(QUANTITIES)
        for case, suspect in _of_group(members, quantity)
    ]
    return tuple(suspect for *_, suspect in sorted(found, key=lambda row: row[:3]))


def _of_group(cases: list[AuditCase], quantity: str) -> list[tuple[AuditCase, Suspect]]:
    slips = [row for row in constants("slips").values() if row.applies_to == quantity]
    known = [(case, value) for case in cases if (value := case.value(quantity)) is not None and value > 0]
    if not slips or len(known) < _own("suspect_fewest"):
        return []
    logs = [log(value) for _, value in known]
    centre = median(logs)
    spread = _own("suspect_scale") * median(abs(one - centre) for one in logs)
    others = median(value for _, value in known)
    found = []
    for (case, value), place in zip(known, logs, strict=True):
        away = abs(place - centre)
        if away < log(_own("suspect_factor")) or away <= _own("suspect_distance") * spread:
            continue
        slip = min(slips, key=lambda row: abs(place - log(row.number) - centre))
        if abs(place - log(slip.number) - centre) <= max(spread, log(2.0)):
            found.append((case, _suspect(case, quantity, value, others, slip)))
    return found


def _suspect(case: AuditCase, quantity: str, value: float, others: float, slip: Constant) -> Suspect:
    return Suspect(case.id, case.procedure, quantity, value, others, slip.number, slip.note)


def _own(key: str) -> float:
    return constants("audit_statistics")[key].number
