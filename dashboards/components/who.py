"""Who does something, picked from the names of the room and recorded as claimed."""

from __future__ import annotations

from collections.abc import Sequence

import dash_mantine_components as dmc
from dash.development.base_component import Component

from dashboards.view_models import person_name
from dosetrack.records.people import Actor, Role

CLAIMED = "Picked, not signed in: recorded as claimed"
NAME_NEEDED = "Accepted: the name of the person who does this."
ROLE_NEEDED = "Accepted: one of the roles listed."
SETTING_ROLES = (Role.LEAD, Role.PHYSICS, Role.ADMINISTRATOR)


def who_field(component_id: str, people: Sequence[str]) -> Component:
    """A name: one of the people known, or typed."""
    return dmc.Autocomplete(
        id=component_id,
        label="Who",
        description=CLAIMED,
        data=[person_name(name) for name in people],
        required=True,
    )


def role_field(component_id: str, roles: Sequence[Role] = SETTING_ROLES) -> Component:
    """The role the person acts in."""
    names = [role.value for role in roles]
    return dmc.Select(id=component_id, label="Acting as", data=names, value=names[0], allowDeselect=False)


def checked_actor(name: str | None, role: str | None) -> tuple[Actor | None, str]:
    """The claimed actor, or None with what would be accepted."""
    if not (name or "").strip():
        return None, NAME_NEEDED
    try:
        return Actor(name=(name or "").strip(), role=Role(role or ""), is_claimed=True), ""
    except ValueError:
        return None, ROLE_NEEDED
