"""Case: the list, one case at rest, and closing it."""

from __future__ import annotations

import pytest

from dashboards import why_it_matters
from dashboards.case_tables import level_rows, plane_rows, provenance_rows
from dashboards.case_timeline import ReadingRun, grouped, row_words, run_words
from dashboards.components.case_lists import findings_list, timeline
from dashboards.components.limits import limit_cells, limits_table
from dashboards.pages import case, cases
from dosetrack.findings import Finding, finding_kinds
from dosetrack.records.entries import ConsoleReading, OperatorsChanged
from dosetrack.times import zone_named
from dosetrack.workflow import Workflow

from .conftest import NURSE, SteppedClock, inject, opening, read_console


@pytest.fixture
def busy_case(workflow: Workflow, case_id: str, clock: SteppedClock) -> str:
    for kerma in (400.0, 1800.0, 3200.0):
        clock.pass_minutes(4)
        read_console(workflow, case_id, kerma)
        inject(workflow, case_id, 40.0)
    return case_id


def test_list_keeps_missing_empty_and_numbers_sortable(workflow: Workflow, busy_case: str) -> None:
    bare = workflow.open_case(opening(room="Room 3"), actor=NURSE).case_id
    rows = {row["id"]: row for row in map(cases.grid_row, workflow.cases())}
    assert rows[busy_case]["kerma_gy"] == 3.2
    assert rows[busy_case]["contrast"] == 120
    assert rows[bare]["kerma_gy"] is None
    assert rows[busy_case]["href"] == f"/case/{busy_case}"


def test_missing_is_a_word_in_the_list(workflow: Workflow) -> None:
    workflow.open_case(opening(room="Room 3", procedure=None, operators=()), actor=NURSE)
    row = cases.grid_row(workflow.cases()[0])
    assert (row["procedure"], row["operator"]) == ("not told", "not told")
    words = {c["field"]: c["valueFormatter"]["function"] for c in cases.COLUMNS if "valueFormatter" in c}
    assert "'none entered'" in words["contrast"]
    assert all("'not known'" in words[field] for field in ("kerma_gy", "dap", "minutes"))


def test_list_is_unfiltered_and_newest_first(workflow: Workflow, busy_case: str, clock: SteppedClock) -> None:
    clock.pass_minutes(60)
    newer = workflow.open_case(opening(room="Room 3"), actor=NURSE).case_id
    grid = next(c for c in cases.layout(workflow, {})._traverse() if getattr(c, "id", "") == "cases-grid")
    assert [row["id"] for row in grid.rowData] == [newer, busy_case]


def test_runs_of_readings_fold_into_one_line_between_key_entries(
    workflow: Workflow, case_id: str, clock: SteppedClock
) -> None:
    for kerma in (400.0, 700.0, 1300.0):
        clock.pass_minutes(4)
        read_console(workflow, case_id, kerma, plane="a")
        read_console(workflow, case_id, kerma / 2, plane="b")
    inject(workflow, case_id, 8.0)
    clock.pass_minutes(1)
    read_console(workflow, case_id, 1400.0, plane="a")
    view = workflow.case_view(case_id)
    parts = grouped(view)
    kinds = ["run" if isinstance(part, ReadingRun) else part.kind for part in parts]
    assert kinds[:2] == ["case-opened", "creatinine"]
    assert kinds.count("run") == 1
    assert kinds[-2:] == ["injection", "console-reading"]
    run = next(part for part in parts if isinstance(part, ReadingRun))
    assert run_words(run, view, zone=zone_named("UTC")) == (
        "6 console readings, 09:16 to 09:24, plane A 400 mGy to 1.30 Gy, plane B 200 to 650 mGy"
    )
    drawn = str(timeline(view, zone=zone_named("UTC")))
    assert all(row.text in drawn for row in view.timeline)  # folded, never dropped


def test_a_corrected_reading_is_never_folded_away(
    workflow: Workflow, case_id: str, clock: SteppedClock
) -> None:
    for kerma in (100.0, 200.0, 300.0, 400.0):
        clock.pass_minutes(1)
        read_console(workflow, case_id, kerma)
    wrong = workflow.case_view(case_id).timeline[-1]
    workflow.correct(wrong.entry_id, ConsoleReading("single", 350.0), actor=NURSE, reason="misread")
    kinds = ["run" if isinstance(p, ReadingRun) else p.kind for p in grouped(workflow.case_view(case_id))]
    assert kinds[-3:] == ["run", "console-reading", "console-reading"]


def test_names_are_readable_in_the_timeline(workflow: Workflow, case_id: str) -> None:
    workflow.record(case_id, OperatorsChanged(("Reed-Demo^Noor", "Müller^Anna^^Dr")), actor=NURSE)
    view = workflow.case_view(case_id)
    assert row_words(view.timeline[-1], view) == "Operators: Noor Reed-Demo, Dr Anna Müller"
    assert "^" not in str(case.body(view))


def test_a_limit_that_does_not_apply_has_words_not_blanks(workflow: Workflow, busy_case: str) -> None:
    kidney = workflow.case_view(busy_case).kidney
    assert "colSpan=5" in str(limits_table(kidney))  # the reason stands in place of the numbers
    assert all(cell for row in kidney.limits for cell in limit_cells(row, is_leading=False))


def test_filters_come_from_the_address(workflow: Workflow, busy_case: str) -> None:
    workflow.open_case(opening(room="Room 3"), actor=NURSE)
    assert "2 cases" in str(cases.layout(workflow, {}))
    assert "1 case'" in str(cases.layout(workflow, {"room": "Room 3"}))
    assert "No case fits" in str(cases.layout(workflow, {"from": "2030-01-01"}))


def test_empty_ledger_says_how_the_first_case_comes(workflow: Workflow) -> None:
    assert "The ledger holds no case yet" in str(cases.layout(workflow, {}))


def test_case_shows_both_accounts_limits_decisions_and_trail(workflow: Workflow, busy_case: str) -> None:
    text = str(case.layout(workflow, {"case": busy_case}))
    for part in (
        "Radiation by plane",
        "Contrast limits",
        "Levels reached",
        "Decisions",
        "Findings",
        "Where each number",
    ):
        assert part in text
    assert "Moreira" in text  # behind a touch
    assert "2 × CrCl" in text


def test_planes_are_told_by_source(workflow: Workflow, busy_case: str) -> None:
    rows = plane_rows(workflow.case_view(busy_case))
    assert rows[0] == (
        "one plane", "Ka,r", "not known", "not known", "3.20 Gy", "3.20 Gy", "typed from the console",
    )  # fmt: skip


def test_sum_of_planes_is_called_a_sum(workflow: Workflow, case_id: str) -> None:
    read_console(workflow, case_id, 500.0, plane="a")
    read_console(workflow, case_id, 300.0, plane="b")
    sums = [row for row in plane_rows(workflow.case_view(case_id)) if "sum of planes" in row[0]]
    assert sums[0][5] == "800 mGy"
    assert "does not describe one piece of skin" in sums[0][0]


def test_levels_carry_their_source(workflow: Workflow, busy_case: str) -> None:
    rows = level_rows(workflow.case_view(busy_case))
    assert any(row[0] == "Ka,r 3 Gy" and row[1] == "3.20 Gy" for row in rows)
    assert all(row[-1] for row in rows)


def test_every_number_says_where_it_came_from(workflow: Workflow, busy_case: str) -> None:
    view = workflow.case_view(busy_case)
    rows = {row[0]: row for row in provenance_rows(view, zone=zone_named("UTC"))}
    assert rows["Ka,r"][2] == "typed from the console"
    assert "Ines" in rows["Ka,r"][3]
    assert rows["creatinine"][1] == "1.00 mg/dL"
    assert "Gurm" in rows["leading limit"][3]
    assert rows["skin dose, range"][2] == "estimated"


def test_close_needs_an_ended_case_and_a_name(workflow: Workflow, busy_case: str) -> None:
    assert "Name who" in case.close(workflow, busy_case, note=None, by="")
    assert "running" in case.close(workflow, busy_case, note=None, by="Ines")
    workflow.end_case(busy_case, actor=NURSE)
    assert case.close(workflow, busy_case, note="agrees with the report", by="Ines") == "Closed."
    assert workflow.case_view(busy_case).case.state == "closed"


@pytest.mark.parametrize("code", [code.code for code in finding_kinds().values()])
def test_every_finding_says_why_it_matters(code: str) -> None:
    assert code in why_it_matters.WHY, f"add {code} to dashboards/why_it_matters.py"


def test_why_names_only_findings_that_exist() -> None:
    assert set(why_it_matters.WHY) <= {code.code for code in finding_kinds().values()}


def test_repeated_findings_are_counted_not_listed() -> None:
    one = Finding("unit-missing", "error", "DAP 3 came without a unit; the value is not known.")
    text = str(findings_list([one, one, one]))
    assert "(3 times)" in text
    assert text.count("came without a unit") == 1
