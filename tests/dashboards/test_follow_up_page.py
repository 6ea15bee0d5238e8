"""Follow-up pages on a real workflow: the worklist, its filters, bulk assign, call list, links."""

from __future__ import annotations

from typing import Any

import pytest

from dashboards import follow_up_view as fv
from dashboards.pages import case, follow_up, follow_up_calls
from dosetrack.records.follow_up import ContactTried, PatientContact
from dosetrack.workflow import Workflow

from .conftest import SteppedClock
from .follow_up_fixtures import CALLER, OTHER, ended, pass_days


@pytest.fixture
def both(workflow: Workflow, clock: SteppedClock) -> str:
    """Over 5 Gy and far over three times the clearance: skin and kidney."""
    return ended(workflow, clock, contrast_ml=260.0)


def text(tree: Any) -> str:
    return str(tree.to_plotly_json() if hasattr(tree, "to_plotly_json") else tree).replace("\\u202f", " ")


def words(tree: Any) -> list[str]:
    """Every piece of text under `tree`, in reading order."""
    if isinstance(tree, str | int):
        return [str(tree)]
    if isinstance(tree, list | tuple):
        return [word for part in tree for word in words(part)]
    return words(getattr(tree, "children", None) or [])


def test_an_empty_ledger_says_so(workflow: Workflow) -> None:
    said = " ".join(words(follow_up.layout(workflow, {})))
    assert follow_up.NOTHING in said
    assert "0 overdue" in said


def test_both_reasons_of_a_patient_stand_in_one_row(workflow: Workflow, both: str) -> None:
    view = fv.worklist(workflow, {})
    (row,) = view.rows
    assert [line.kind for line in row.lines] == ["skin", "kidney"] or [line.kind for line in row.lines] == [
        "kidney",
        "skin",
    ]
    said = " ".join(words(follow_up.body(view, {})))
    assert "Olga Moreira" in said
    assert "born 1955-03-02, number 30040417" in said
    assert "6.20 Gy" in said
    assert "260 mL" in said
    assert "nobody" in said


def test_head_counts_are_links_that_list_what_they_count(
    workflow: Workflow, clock: SteppedClock, both: str
) -> None:
    ended(workflow, clock, patient=OTHER)
    pass_days(clock, 5)
    head = {count.words: count for count in fv.worklist(workflow, {}).head}
    assert [head[w].number for w in ("overdue", "this week", "without owner")] == [1, 0, 3]
    # the kidney's creatinine was due 72 h after the contrast: two days ago
    assert head["overdue"].href == "/follow-up?due=over"
    overdue = fv.worklist(workflow, {"due": "over"})
    assert next(line.standing for row in overdue.rows for line in row.lines).startswith("2 days overdue")
    assert head["kidney not assessed"].number == len(
        fv.items_of(workflow, {"kind": "kidney", "assessed": "no"})
    )


def test_overdue_stands_first_and_says_so_by_shape_and_words(workflow: Workflow, clock: SteppedClock) -> None:
    first = ended(workflow, clock, patient=OTHER)
    pass_days(clock, 20)
    ended(workflow, clock)
    rows = fv.worklist(workflow, {}).rows
    assert rows[0].href == fv.card_href(first)
    assert (rows[0].lines[0].shape, rows[1].lines[0].shape) == ("▲", "●")
    assert "6 days overdue" in rows[0].lines[0].standing  # due after 14 days, 20 have passed


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ({"kind": "kidney"}, ["kidney"]),
        ({"kind": "skin"}, ["skin"]),
        ({"owner": fv.NOBODY}, ["kidney", "skin"]),
        ({"owner": "Cleo"}, []),
        ({"tier": "review"}, []),
        ({"state": "to be called"}, ["skin"]),
        ({"room": "Room 3"}, []),
        ({"kind": "no such kind"}, ["kidney", "skin"]),
        ({"state": "no such state"}, ["kidney", "skin"]),
    ],
    ids=str,
)
def test_filters_of_the_address(
    workflow: Workflow, both: str, query: dict[str, str], expected: list[str]
) -> None:
    assert sorted(one.item.kind for one in fv.items_of(workflow, query)) == expected


def test_the_order_is_in_the_address(workflow: Workflow, clock: SteppedClock, both: str) -> None:
    ended(workflow, clock, patient=OTHER)
    assert [row.name for row in fv.worklist(workflow, {"order": "patient"}).rows] == [
        "Olga Moreira",
        "Rui Ferreira",
    ]


def test_chosen_patients_go_to_an_owner_together(workflow: Workflow, clock: SteppedClock, both: str) -> None:
    ended(workflow, clock, patient=OTHER)
    chosen = [row.keys for row in fv.worklist(workflow, {}).rows]
    assert follow_up.assign(workflow, chosen, owner="Cleo", who=None)[0] is False
    assert follow_up.assign(workflow, [], owner="Cleo", who="Cleo") == (False, follow_up.CHOOSE)
    assert follow_up.assign(workflow, chosen, owner="Cleo", who="Cleo") == (True, "3 items given to Cleo.")
    assert {one.item.owner for one in workflow.follow_up_items()} == {"Cleo"}
    assert follow_up.assign(workflow, chosen, owner="", who="Cleo")[1] == "3 items given to nobody."


def test_the_list_is_saved_as_a_file(workflow: Workflow, both: str) -> None:
    saved = follow_up.exported(workflow, {"kind": "skin"})
    assert saved["filename"] == "follow-up-2026-11-25.csv"
    lines = saved["content"].splitlines()
    assert lines[0].startswith("patient_id,name,birth_date,case_id")
    assert len(lines) == 2


def test_call_list_says_that_deaths_were_not_checked(
    workflow: Workflow, clock: SteppedClock, both: str
) -> None:
    workflow.keep_contact(
        both, PatientContact(phone="555 0100", interpreter="Invented language"), actor=CALLER
    )
    pass_days(clock, 15)
    said = " ".join(words(follow_up_calls.layout(workflow, {})))
    assert "Deaths not checked" in said
    assert "555 0100" in said
    assert "Invented language" in said


def test_call_list_leaves_out_who_died(workflow: Workflow, clock: SteppedClock, both: str) -> None:
    pass_days(clock, 15)
    workflow.try_contact(both, ContactTried("skin", "deceased"), actor=CALLER)
    said = " ".join(words(follow_up_calls.layout(workflow, {})))
    assert follow_up_calls.NOBODY_DUE in said or "Due and not called" in said
    assert "0 to call" in said


def test_case_page_leads_to_the_card_and_to_the_patient(workflow: Workflow, both: str) -> None:
    shown = text(case.layout(workflow, {"case": both}))
    assert f"/follow-up/{both}" in shown
    assert "/patient?id=30040417" in shown


def test_no_word_of_safety_and_no_tick(workflow: Workflow, both: str) -> None:
    shown = " ".join(words(follow_up.layout(workflow, {}))).lower()
    for word in ("safe", "allowance", "budget", "headroom", "✓", "✔"):
        assert word not in shown
