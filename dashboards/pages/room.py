"""Room."""

from __future__ import annotations

from typing import Any

from dash import html


def picker(workflow: Any, query: dict[str, str]) -> html.Div:
    return html.Div()


hand = wall = picker


def title(query: dict[str, str]) -> str:
    return query["room"]


def register(app: Any, workflow: Any, clock: Any) -> None: ...
