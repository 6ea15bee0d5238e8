"""Addresses and what stands at them."""

from __future__ import annotations

import pytest

from dashboards.app import NO_PAGE, navigation, page_of, page_table
from dashboards.router import match, path_of, query_of, search_of
from dosetrack.workflow import Workflow


@pytest.mark.parametrize(
    ("pathname", "search", "query"),
    [
        ("/room/Room%202", "", {"room": "Room 2"}),
        ("/room/Room%202/wall", "", {"room": "Room 2"}),
        ("/case", "?from=2026-01-01&to=", {"from": "2026-01-01"}),
        ("/case/abc", "?room=B", {"case": "abc", "room": "B"}),
    ],
)
def test_address_gives_page_and_filters(pathname: str, search: str, query: dict[str, str]) -> None:
    found = match(page_table(), pathname, search)
    assert found is not None
    assert found.query == query


def test_named_part_of_the_path_wins_over_the_query() -> None:
    found = match(page_table(), "/case/abc", "?case=other")
    assert found is not None
    assert found.query["case"] == "abc"


def test_filters_make_the_round_trip() -> None:
    query = {"from": "2026-01-01", "room": "Room 2 & 3"}
    assert query_of(search_of(query)) == query
    assert search_of({"from": None, "room": ""}) == ""


def test_a_name_with_a_slash_stays_one_part() -> None:
    found = match(page_table(), path_of("room", "A/B"), "")
    assert found is not None
    assert found.query == {"room": "A/B"}


def test_unknown_address_says_so(workflow: Workflow) -> None:
    body, title, page = page_of(workflow, page_table(), "/nowhere", "")
    assert page is None
    assert title == NO_PAGE
    assert NO_PAGE in str(body)


def test_unknown_case_is_a_sentence_not_a_fault(workflow: Workflow) -> None:
    body, _, _ = page_of(workflow, page_table(), "/case/unknown", "")
    assert "no case with the id" in str(body)


def test_navigation_marks_where_one_is() -> None:
    text = str(navigation(page_table(), "Case"))
    assert text.count("'aria-current': 'page'") + text.count("aria-current='page'") == 1
    assert "Room" in text


@pytest.mark.parametrize("page", page_table(), ids=lambda p: p.pattern)
def test_titles_say_what_is_shown_and_carry_no_brand(page: object) -> None:
    query = {"room": "Room 2", "case": "0123456789", "month": "2026-10"}
    words = page.title(query)  # type: ignore[attr-defined]
    assert words
    assert "dosetrack" not in words.lower()
