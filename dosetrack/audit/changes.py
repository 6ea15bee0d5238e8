"""Days from which cases are no longer comparable with those before: equipment, protocol, setting."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from dosetrack.audit.cases import AuditCase


class ChangeKind(StrEnum):
    """What was changed. A setting of this program starts a chart anew, never a typical value."""

    EQUIPMENT = "equipment"
    PROTOCOL = "protocol"
    SETTING = "setting"


RESETS_TYPICAL_VALUES = frozenset({ChangeKind.EQUIPMENT, ChangeKind.PROTOCOL})


@dataclass(frozen=True, slots=True)
class Change:
    """day : first day of the new state; room, procedure : what it touches, None for all."""

    day: date
    kind: ChangeKind
    what: str
    room: str | None = None
    procedure: str | None = None

    def touches(self, case: AuditCase) -> bool:
        """Whether cases like `case` are done otherwise since this change."""
        return self.room in (None, case.room) and self.procedure in (None, case.procedure)


def changes_of(lines: Iterable[str]) -> tuple[tuple[Change, ...], tuple[str, ...]]:
    """(changes in order of day, lines that tell none) of 'day | kind | room | procedure | what'.

    Room and procedure may be empty: every one.

    Examples
    --------
    >>> changes_of(["2026-05-04 | equipment | Room 1 | | new tube"])[0][0].what
    'new tube'
    """
    found, unread = [], []
    for line in lines:
        change = _change(line)
        if change is None:
            unread.append(line)
        else:
            found.append(change)
    return tuple(sorted(found, key=_order)), tuple(unread)


def _change(line: str) -> Change | None:
    parts = [part.strip() for part in line.split("|")]
    if len(parts) != 5 or not parts[4]:
        return None
    try:
        day, kind = date.fromisoformat(parts[0]), ChangeKind(parts[1].lower())
    except ValueError:
        return None
    return Change(day, kind, parts[4], room=parts[2] or None, procedure=parts[3] or None)


def _order(change: Change) -> tuple[date, str, str, str, str]:
    return (change.day, change.kind.value, change.room or "", change.procedure or "", change.what)


def still_comparable(
    cases: Iterable[AuditCase], changes: Sequence[Change], *, last_day: date
) -> tuple[AuditCase, ...]:
    """The cases after the latest change of equipment or protocol that touches them, up to `last_day`.

    A new unit in one room leaves the cases of the other rooms in.
    """
    telling = [c for c in changes if c.kind in RESETS_TYPICAL_VALUES and c.day <= last_day]
    return tuple(
        case
        for case in cases
        if case.day <= last_day and not any(c.day > case.day and c.touches(case) for c in telling)
    )


def changes_touching(cases: Sequence[AuditCase], changes: Iterable[Change]) -> tuple[Change, ...]:
    """The changes that touch any of `cases`, in order of day."""
    kinds = {(case.room, case.procedure): case for case in cases}
    return tuple(sorted((c for c in changes if any(c.touches(k) for k in kinds.values())), key=_order))
