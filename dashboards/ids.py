"""Ids of every component that a callback or a test speaks to.

Plain ids are constants; families of components (one button per volume, one card per prompt) are
made by functions that return Dash's pattern-matching form.
"""

from __future__ import annotations

from typing import Any

# shell
PROVIDER = "shell-provider"
LOCATION = "shell-location"
SHELL = "shell"
NAVIGATION = "shell-navigation"
PAGE = "shell-page"
TITLE = "shell-title"
ANNOUNCER = "shell-announcer"


def family(kind: str, key: Any) -> dict[str, Any]:
    """The id of one member of a family: ``{'type': kind, 'key': key}``."""
    return {"type": kind, "key": key}
