"""Operators: letters by default, only the own name revealed, never a league table."""

from datetime import date

import pytest

from dashboards.operators_view import letters_by_first_case, operators_view, ordered, telling_words
from dashboards.pages import operators as page
from dosetrack.audit import AuditCase

NAMES = ("Dr Invented One", "Dr Invented Two", "Dr Invented Three", "Dr Invented Four")


def drawn_words(layout, found, words):
    """Everything that stands on the page but the list in which a person picks themselves."""
    figures = found(layout, lambda c: type(c).__name__ == "Graph")
    names = [str(figure.figure.to_dict()) for figure in figures]
    links = [c.href for c in found(layout, lambda c: isinstance(getattr(c, "href", None), str))]
    return " ".join([words(layout), *names, *links])


def test_nobody_is_named_by_default(department, found, words):
    text = drawn_words(page.layout(department, {}), found, words)
    assert not [name for name in NAMES if name in text or name.replace(" ", "%20") in text]


def test_only_the_person_who_picked_themselves_is_named(department, found, words):
    text = drawn_words(page.layout(department, {"me": NAMES[1]}), found, words)
    assert [name for name in NAMES if name in text] == [NAMES[1]]
    assert "Picked, not signed in" in text


def test_own_cases_are_those_of_the_person_alone(department):
    view = operators_view(department, {"me": NAMES[0], "procedure": "Coronary intervention"})
    mine = {c.id for c in department.audit_cases if c.operator == NAMES[0]}
    assert view.own
    assert {dot.case_id for dot in view.own} <= mine


def test_someone_without_cases_sees_none(department, words):
    text = words(page.layout(department, {"me": "Dr Stranger"}))
    assert "None of your cases" in text


def test_order_is_by_letter_or_by_count_and_never_by_dose(department):
    by_letter = [row.name for row in operators_view(department, {}).rows]
    counts = [row[1] for row in operators_view(department, {"order": "n"}).numbers.rows]
    assert by_letter == sorted(by_letter)
    assert counts == sorted(counts, reverse=True)
    asked = [row.name for row in operators_view(department, {"order": "dose"}).rows]
    assert asked == by_letter


def test_few_cases_cannot_tell_yet(department):
    view = operators_view(department, {"procedure": "Uterine embolisation"})
    assert view.rows
    assert all("cannot tell yet" in row.note and not row.is_telling for row in view.rows if row.n < 20)


@pytest.mark.parametrize(("n", "text"), [(19, "n 19: cannot tell yet"), (20, "n 20")])
def test_enough_is_the_number_of_the_setting(n, text):
    assert telling_words(n, 20) == text


def test_letters_follow_the_first_case_and_a_newcomer_moves_nobody():
    cases = [
        AuditCase("1", date(2026, 1, 5), "TIPS", "Room 1", "Zeta (invented)", {}),
        AuditCase("2", date(2026, 1, 6), "TIPS", "Room 1", "Alpha (invented)", {}),
        AuditCase("3", date(2026, 1, 7), "TIPS", "Room 1", None, {}),
    ]
    before = letters_by_first_case(cases)
    after = letters_by_first_case(
        [*cases, AuditCase("4", date(2026, 2, 1), "TIPS", "Room 1", "Beta (invented)", {})]
    )
    assert before == {"Zeta (invented)": "A", "Alpha (invented)": "B"}
    assert {who: after[who] for who in before} == before


def test_thresholds_are_drawn_for_quantities_that_have_levels(department):
    kerma = operators_view(department, {"quantity": "reference_air_kerma_mgy"})
    contrast = operators_view(department, {"quantity": "contrast_ml"})
    assert [(line.value, line.is_substantial) for line in kerma.lines] == [(3000.0, False), (5000.0, True)]
    assert contrast.lines == ()


def test_time_is_shown_in_minutes_with_its_levels(department):
    view = operators_view(department, {"quantity": "fluoroscopy_time_s"})
    assert [line.value for line in view.lines] == [30.0, 60.0]


def test_saved_numbers_carry_letters(department):
    view = operators_view(department, {"me": NAMES[0]})
    assert not [cell for row in view.numbers.values for cell in row if cell in NAMES]


def test_ledger_without_cases_says_so(workflow, words):
    assert "No ended case is held yet" in words(page.layout(workflow, {}))


def test_rows_without_operator_stand_last(department):
    view = operators_view(department, {})
    assert ordered([], {}, "n") == []
    assert all(row.name for row in view.rows)
