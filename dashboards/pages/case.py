"""case"""

from __future__ import annotations

from typing import Any

from dash import html


def layout(workflow: Any, query: dict[str, str]) -> html.Div:
    return html.Div()


cases = layout


def title(query: dict[str, str]) -> str:
    return "x"


def register(app: Any, workflow: Any, clock: Any) -> None: ...
