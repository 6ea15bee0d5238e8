"""The settings page: every setting with value, source and history; changes refused beside the field."""

import pytest
from dash import no_update

from dashboards import ids
from dashboards.pages import settings as page
from dashboards.pages import settings_references as references
from dashboards.view_models_settings import (
    ChosenReference,
    chosen_references,
    printed_unit,
    reference_rows,
    references_with,
    references_without,
)
from dosetrack.settings import definitions

KEY = "levels.reference_air_kerma.first_mgy"


def form(**changes):
    fields = {
        "value": "2500",
        "scope": "site",
        "from": "2026-12-01",
        "reason": "local physics group",
        "source": "",
        "who": "Dr Invented One",
        "role": "lead",
    }
    return {**fields, **changes}


def test_every_setting_stands_on_the_page(workflow, words):
    text = words(page.layout(workflow, {}))
    missing = [d.label for d in definitions().values() if d.label not in text]
    assert missing == []


def test_default_from_memory_says_so(workflow, words):
    assert "from memory, confirm against the original" in words(page.layout(workflow, {}))


def test_chosen_setting_shows_value_source_and_no_history(workflow, words):
    text = words(page.layout(workflow, {"key": KEY}))
    assert "Change it" in text
    assert "3000\u2009mGy (default)" in text
    assert "Never changed" in text


def test_change_is_recorded_as_claimed_and_shown_in_the_history(workflow, words):
    body, *errors = page.save(workflow, {"key": KEY}, form(source="Local protocol 12"))
    assert errors == [""] * 5
    (change,) = workflow.changes
    assert (change.value, change.actor, change.reason) == ("2500", "Dr Invented One", "local physics group")
    assert change.source == "Local protocol 12"
    text = words(body)
    assert "Recorded: Ka,r first notification" in text
    assert "valid from 2026-12-01: local physics group" in text


def test_change_valid_later_does_not_count_today(workflow, words):
    page.save(workflow, {"key": KEY}, form())
    assert "3000\u2009mGy (default)" in words(page.layout(workflow, {"key": KEY}))


def test_change_of_a_room_is_named_as_such(workflow, words):
    page.save(workflow, {"key": KEY}, form(scope="room:Room 2", **{"from": "2026-11-01"}))
    text = words(page.layout(workflow, {"key": KEY, "scope": "room:Room 2"}))
    assert "2500\u2009mGy (set for room: Room 2)" in text
    assert "own value of the site, no source named" in text


@pytest.mark.parametrize(
    ("changes", "field", "accepted"),
    [
        ({"value": "-5"}, "value", "a number from 100 to 20000 mGy"),
        ({"value": "three"}, "value", "a number from 100 to 20000 mGy"),
        ({"value": "nan"}, "value", "a number from 100 to 20000 mGy"),
        ({"from": "tomorrow"}, "from", "YYYY-MM-DD"),
        ({"reason": "  "}, "reason", "a few words"),
        ({"scope": "room:"}, "scope", "room:NAME"),
        ({"who": ""}, "who", "the name of the person"),
    ],
    ids=["negative", "words", "not a number", "day", "reason", "scope", "who"],
)
def test_refusal_stands_beside_its_field_and_nothing_is_recorded(workflow, changes, field, accepted):
    body, *errors = page.save(workflow, {"key": KEY}, form(**changes))
    said = dict(zip(page.FIELDS, errors, strict=True))
    assert body is no_update
    assert accepted in said.pop(field)
    assert set(said.values()) == {""}
    assert workflow.changes == []


def test_setting_that_is_of_the_site_alone_offers_only_the_site(workflow, found):
    layout = page.layout(workflow, {"key": "audit.minimum_n", "scope": "room:Room 1"})
    (scope,) = found(layout, lambda c: getattr(c, "id", None) == ids.SETTING_SCOPE)
    assert [option["value"] for option in scope.data] == ["site"]


def test_unknown_setting_in_the_address_shows_the_page_without_a_form(workflow, found):
    assert not found(
        page.layout(workflow, {"key": "no.such"}), lambda c: getattr(c, "id", None) == ids.SETTING_SAVE
    )


# reference levels


def usable():
    return next(row for row in reference_rows() if row["usable"] == "yes")


def reference_form(**changes):
    fields = {"procedure": "TIPS", "reason": "nearest published", "who": "Dr Invented One", "role": "lead"}
    return {**fields, **changes}


def test_none_is_chosen_at_first(workflow, words):
    assert "None chosen" in words(references.layout(workflow, {}))


def test_choosing_writes_the_setting_and_taking_back_empties_it(workflow, words):
    row = usable()
    table, said = references.choose(workflow, [row], reference_form())
    assert said.startswith("TIPS: ")
    assert workflow.settings().text("audit.references") == f"TIPS | {row['quantity']} | {row['key']}"
    assert row["value"] in words(table)
    _, said = references.take_back(workflow, f"TIPS | {row['quantity']} | {row['key']}", reference_form())
    assert said.startswith("Taken back")
    assert workflow.settings().text("audit.references") == ""


def test_context_row_is_refused(workflow):
    row = next(r for r in reference_rows() if r["usable"] != "yes")
    table, said = references.choose(workflow, [row], reference_form())
    assert table is no_update
    assert "context only" in said
    assert workflow.changes == []


@pytest.mark.parametrize(
    ("selected", "changes", "accepted"),
    [(None, {}, "one row"), ([], {}, "one row"), ("row", {"procedure": ""}, "one of our procedures"),
     ("row", {"reason": " "}, "a few words"), ("row", {"who": None}, "the name of the person")],
    ids=["no row", "empty", "procedure", "reason", "who"],
)  # fmt: skip
def test_choice_without_all_it_needs_is_refused(workflow, selected, changes, accepted):
    rows = [usable()] if selected == "row" else selected
    _, said = references.choose(workflow, rows, reference_form(**changes))
    assert accepted in said
    assert workflow.changes == []


def test_second_choice_for_a_procedure_and_quantity_replaces_the_first():
    first = ChosenReference("TIPS", "dose_area_product_gycm2", "a")
    text = references_with(first.line, ChosenReference("TIPS", "dose_area_product_gycm2", "b"))
    assert text == "TIPS | dose_area_product_gycm2 | b"
    assert references_without(text, "TIPS | dose_area_product_gycm2 | b") == ""


def test_malformed_line_of_the_setting_is_left_out():
    assert chosen_references("TIPS | only two\n\nTIPS | q | k") == [ChosenReference("TIPS", "q", "k")]


@pytest.mark.parametrize(
    ("unit", "printed"),
    [("Gy.cm2", "Gy·cm²"), ("mL/(mL/min/{1.73_m2})", "mL/(mL/min/1.73 m²)"), ("mGy", "mGy")],
)
def test_units_are_printed_as_people_write_them(unit, printed):
    assert printed_unit(unit) == printed


def test_published_limits_name_source_and_how_checked(workflow, words):
    text = words(references.published(workflow, {}))
    for expected in ("second-hand: read in a restatement", "own choice of this project", "gurm_2"):
        assert expected in text
