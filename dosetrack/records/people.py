"""Who does something in dosetrack."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """What an actor may be; recorded with every entry."""

    ROOM = "room"
    OPERATOR = "operator"
    FOLLOW_UP = "follow-up"
    PHYSICS = "physics"
    LEAD = "lead"
    ADMINISTRATOR = "administrator"
    SYSTEM = "system"


@dataclass(frozen=True, slots=True)
class Actor:
    """A person or service. `is_claimed`: picked from a list, not signed in."""

    name: str
    role: Role
    is_claimed: bool = False
