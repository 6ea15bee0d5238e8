"""The month as a page: filters from the address, counts, links, and numbers that can be saved."""

import csv
import io
from urllib.parse import unquote

import pytest
from dash import no_update

from dashboards import ids
from dashboards.components.filters import changed_search
from dashboards.components.number_table import csv_text
from dashboards.figures.strips import Strip
from dashboards.month_view import month_view
from dashboards.pages import month as page
from dashboards.router import query_of
from dashboards.view_models_month import (
    QUANTITIES,
    last_day,
    letters,
    month_words,
    neighbours,
    share_words,
)
from dosetrack.audit import reference_levels


def saved(layout, found, name):
    """The rows of the CSV behind the link whose file is called `name`."""
    (link,) = found(layout, lambda c: getattr(c, "download", None) == name)
    text = unquote(link.href.partition(",")[2]).lstrip("\ufeff")
    return list(csv.DictReader(io.StringIO(text)))


def test_newest_month_is_shown_when_none_is_asked_for(department, words):
    text = words(page.layout(department, {}))
    assert "October 2026" in text
    assert "What to look at" in text


def test_ledger_without_cases_says_so(workflow, words):
    assert "No ended case is held yet" in words(page.layout(workflow, {}))


def test_month_that_is_not_held_falls_back_to_the_newest(department):
    assert month_view(department, {"m": "1999-01"}).month == "2026-10"


@pytest.mark.parametrize("key", sorted(QUANTITIES), ids=str)
def test_every_quantity_can_be_drawn(department, key):
    view = month_view(department, {"quantity": key})
    assert view.quantity.key == key
    assert page.layout(department, {"quantity": key})


def test_room_filter_narrows_cases_and_completeness(department):
    everywhere, room = month_view(department, {}), month_view(department, {"room": "Room 2"})
    assert len(room.strip_numbers.values) < len(everywhere.strip_numbers.values)
    assert {row[3] for row in room.strip_numbers.values} == {"Room 2"}
    assert [row[0] for row in room.completeness.rows] == ["Room 2"]


def test_procedure_filter_narrows_strips_table_and_trend(department):
    view = month_view(department, {"procedure": "TIPS"})
    assert {strip.name.split(",")[0] for strip in view.strips} == {"TIPS"}
    assert view.trend_name.startswith("TIPS")
    assert {row[0].split(",")[0] for row in view.typical.rows} == {"TIPS"}


def test_strips_stand_for_every_case_with_the_quantity(department):
    view = month_view(department, {})
    drawn = sum(len(strip.dots) for strip in view.strips)
    known = [row for row in view.strip_numbers.values if row[-1] is not None]
    assert drawn == len(known)


def test_none_chosen_and_too_few_are_said_in_words(department, workflow):
    row = next(r for r in reference_levels().values() if r.usable and r.quantity == "dose_area_product_gycm2")
    assert all("none chosen" in strip.note for strip in month_view(department, {}).strips)
    workflow.audit_cases = tuple(c for c in department.audit_cases if c.procedure == "TIPS")[-5:]
    workflow.change_setting(
        key="audit.references", scope="site", value=f"TIPS | {row.quantity} | {row.key}",
        valid_from="2020-01-01", actor=type("Someone", (), {"name": "Invented"}), reason="test",
    )  # fmt: skip
    view = month_view(workflow, {"procedure": "TIPS"})
    adults = next(strip for strip in view.strips if strip.name == "TIPS")
    assert "too few to compare (n " in adults.note
    assert adults.reference == pytest.approx(row.value)
    assert view.trend_lines[0].value == pytest.approx(row.value)


def test_at_most_seven_sentences_each_with_a_test_and_a_link(department):
    sentences = month_view(department, {}).sentences
    assert 1 <= len(sentences) <= 7
    assert all(s.text and s.test and s.href.startswith(("/month?", "/settings")) for s in sentences)


def test_sentence_of_a_room_leads_to_that_room(department):
    rooms = [s for s in month_view(department, {}).sentences if ": missing" in s.text]
    assert rooms
    assert all(query_of(s.href.partition("?")[2].partition("#")[0])["room"] for s in rooms)


def test_case_over_a_substantial_level_links_to_the_case(department, found):
    view = month_view(department, {"m": "2026-10"})
    links = [cell.href for row in view.over.rows for cell in row if hasattr(cell, "href")]
    assert links
    assert all(link.startswith("/case/invented-") for link in links)


def test_numbers_behind_the_figure_are_exact_and_missing_is_empty(department, found):
    layout = page.layout(department, {"m": "2026-10"})
    rows = saved(layout, found, "cases-dose_area_product_gycm2-2026-10.csv")
    exact = {c.id: c.value("dose_area_product_gycm2") for c in department.audit_cases}
    assert rows
    for row in rows:
        value = exact[row["case"]]
        assert row["dose_area_product_gycm2"] == ("" if value is None else repr(value))


def test_typical_values_say_how_many_are_missing(department):
    view = month_view(department, {})
    assert any("missing" in cell for row in view.typical.rows for cell in row if isinstance(cell, str))


def test_title_names_the_month_and_survives_nonsense():
    assert page.title({"m": "2026-10"}) == "Month: October 2026"
    assert page.title({"m": "autumn!"}) == "Month"
    assert page.title({"m": "2026-19"}) == "Month"
    assert page.title({}) == "Month"


def test_choice_goes_into_the_address_and_keeps_the_rest():
    assert query_of(changed_search(("room",), ("Room 2",), "?m=2026-09")) == {
        "m": "2026-09",
        "room": "Room 2",
    }
    assert query_of(changed_search(("room",), ("",), "?m=2026-09&room=Room+2")) == {"m": "2026-09"}
    assert changed_search(("m",), ("2026-09",), "?m=2026-09") is no_update


def test_text_that_a_spreadsheet_would_run_is_held_as_text():
    assert csv_text(("name",), [("=1+1",), ("TIPS",), (None,), (-3.5,)]).split("\r\n")[1:5] == [
        "'=1+1", "TIPS", '""', "-3.5",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("count", "of", "text"),
    [
        (0, 0, "none recorded"),
        (0, 12, "0 of 12 (0\u2009%)"),
        (3, 41, "3 of 41 (7.3\u2009%)"),
        (5, 5, "5 of 5 (100\u2009%)"),
    ],
)
def test_shares_are_told_as_n_over_n(count, of, text):
    assert share_words(count, of) == text


def test_nearly_all_is_not_all_and_hardly_any_is_not_none():
    assert "100" not in share_words(999, 1000).partition("(")[2]
    assert "(0\u2009%)" not in share_words(1, 3000)


def test_months_and_their_ends():
    assert month_words("2026-02") == "February 2026"
    assert [last_day(m) for m in ("2026-02", "2028-02", "2026-12")] == [
        "2026-02-28",
        "2028-02-29",
        "2026-12-31",
    ]
    assert neighbours(("2026-01", "2026-03"), "2026-03") == ("2026-01", None)


def test_letters_go_on_after_z():
    assert [letters(n) for n in (0, 25, 26, 51, 52)] == ["A", "Z", "AA", "AZ", "BA"]


def test_filters_offer_every_month_newest_first(department, found):
    (months,) = found(page.layout(department, {}), lambda c: getattr(c, "id", None) == ids.MONTH_SELECT)
    offered = [option["value"] for option in months.data]
    assert offered == sorted(department.months(), reverse=True)


def test_strips_are_plain_data(department):
    assert all(isinstance(strip, Strip) for strip in month_view(department, {}).strips)
