"""Which address shows which page: an explicit table, matched by hand.

An address is ``/word/<name>/...?key=value``; the named parts and the query reach the page in one
mapping, so that every filter lives in the address.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import parse_qsl, quote, unquote, urlencode

from dash.development.base_component import Component

from dashboards.theme import LIGHT, Ground

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

Query = dict[str, str]
Layout = Callable[["Workflow", Query], Component]


@dataclass(frozen=True, slots=True)
class Page:
    """One address of the dashboard.

    pattern : '/case/<case>'; parts in angle brackets are named
    title : what is shown, for the browser's title
    section : the word of the navigation this page stands under
    has_chrome : False on the wall, which shows no controls
    """

    pattern: str
    layout: Layout
    title: Callable[[Query], str]
    section: str
    ground: Ground = LIGHT
    has_chrome: bool = True


@dataclass(frozen=True, slots=True)
class Match:
    """The page of an address with its named parts and query."""

    page: Page
    query: Query


def match(pages: tuple[Page, ...], pathname: str | None, search: str | None) -> Match | None:
    """The first page whose pattern fits `pathname`, None when none does."""
    parts = _parts(pathname or "/")
    for page in pages:
        named = _named(_parts(page.pattern), parts)
        if named is not None:
            return Match(page=page, query={**query_of(search), **named})
    return None


def _parts(path: str) -> list[str]:
    return [unquote(part) for part in path.split("/") if part]


def _named(pattern: list[str], parts: list[str]) -> Query | None:
    if len(pattern) != len(parts):
        return None
    named: Query = {}
    for wanted, given in zip(pattern, parts, strict=True):
        if wanted.startswith("<"):
            named[wanted.strip("<>")] = given
        elif wanted != given:
            return None
    return named


def query_of(search: str | None) -> Query:
    """The mapping of '?from=2026-01-01&room=Room%202'; empty values are left out."""
    return dict(parse_qsl((search or "").lstrip("?")))


def search_of(query: Mapping[str, str | None]) -> str:
    """The search part of an address for `query`; '' when nothing is asked for."""
    text = urlencode({key: value for key, value in query.items() if value})
    return f"?{text}" if text else ""


def path_of(*parts: str) -> str:
    """An address from its parts, each quoted: ``path_of('room', 'Room 2')`` is '/room/Room%202'."""
    return "/" + "/".join(quote(part, safe="") for part in parts)
