"""Files into the ledger: bad ones are named and the rest goes on; started again it goes on where it was."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from dosetrack.services.ingest import ingest
from dosetrack.workflow import Workflow
from tests.workflow.invented import NURSE, dose_report, event


def test_ingest_goes_on_past_bad_files_and_starts_again_where_it_was(
    workflow: Workflow, tmp_path: Path
) -> None:
    folder = tmp_path / "in" / "deep"
    folder.mkdir(parents=True)
    for number in range(3):
        data = dose_report(f"r{number}", [event(number)], accession=f"A-{number}", study=f"1.2.{number}")
        (folder / f"r{number}.dcm").write_bytes(data)
    (folder / "r1-cut.dcm").write_bytes((folder / "r1.dcm").read_bytes()[:900])
    (folder / "empty.dcm").write_bytes(b"")
    (folder / "text.dcm").write_text("hello")
    seen: list[tuple[int, int]] = []
    result = ingest(
        workflow,
        [tmp_path / "in", tmp_path / "missing.dcm"],
        actor=NURSE,
        progress=lambda step: seen.append((step.done, step.total)),
        workers=1,
    )
    assert (result.added, result.already_held, len(result.refused)) == (3, 0, 4)
    assert all(refused.reason for refused in result.refused)
    assert seen[-1] == (7, 7)
    again = ingest(workflow, [tmp_path / "in"], actor=NURSE, workers=1)
    assert (again.added, again.already_held) == (0, 3)
    assert again.cases == ()


def test_ingest_on_two_processes_gives_the_same_cases(workflow: Workflow, tmp_path: Path) -> None:
    for number in range(6):
        data = dose_report(f"r{number}", [event(number)], accession=f"A-{number}", study=f"1.2.{number}")
        (tmp_path / f"r{number}.dcm").write_bytes(data)
    result = ingest(workflow, [tmp_path / f"r{n}.dcm" for n in range(6)], actor=NURSE, workers=2)
    assert (result.added, len(set(result.cases))) == (6, 6)


TABLE = """patient id;accession;time;room;creatinine [µmol/L];creatinine date;volume [mL];concentration;site
P1;A-1;2026-03-02T09:05;;132,6;2026-02-27;;;
P1;A-1;2026-03-02T09:20;;;;25;320;second-pass
P8;;2026-03-02T14:00;Room 4;;;12;300;venous
P9;;2026-03-02T15:00;;;;12;300;venous
P1;A-1;2026-03-02T09:30;;;;-4;320;second-pass
"""


def test_table_rows_find_their_case_make_one_or_are_refused(workflow: Workflow, tmp_path: Path) -> None:
    held = workflow.take_in_bytes(dose_report("one", [event(1)]), file="r.dcm").case_id
    path = tmp_path / "entries.csv"
    path.write_text(TABLE, encoding="utf-8")
    result = ingest(workflow, [path], actor=NURSE)
    assert result.entries_added == 3
    assert len(result.refused) == 2
    assert "line 5" in " ".join(r.reason for r in result.refused)
    view = workflow.case_view(held)
    assert [s.volume_ml for s in (x.value for x in view.case.injections)] == [25]
    assert view.case.creatinines[0].value.value == "132.6"
    made = [c for c in workflow.cases() if c.room == "Room 4"]
    assert [(c.patient_id, c.contrast_ml, c.state) for c in made] == [("P8", 12.0, "ended")]


def test_same_table_again_adds_nothing_and_names_its_refused_rows_again(
    workflow: Workflow, tmp_path: Path
) -> None:
    workflow.take_in_bytes(dose_report("one", [event(1)]), file="r.dcm")
    path = tmp_path / "entries.csv"
    path.write_text(TABLE, encoding="utf-8")
    first = ingest(workflow, [path], actor=NURSE)
    position = workflow.position()
    again = ingest(workflow, [path], actor=NURSE)
    assert (again.entries_added, again.already_held) == (0, 1)
    assert again.refused == first.refused
    assert workflow.position() == position


def test_corrected_table_sent_again_adds_only_what_is_new(workflow: Workflow, tmp_path: Path) -> None:
    held = workflow.take_in_bytes(dose_report("one", [event(1)]), file="r.dcm").case_id
    path = tmp_path / "entries.csv"
    path.write_text(TABLE, encoding="utf-8")
    ingest(workflow, [path], actor=NURSE)
    path.write_text(TABLE.replace(";-4;", ";4;"), encoding="utf-8")
    again = ingest(workflow, [path], actor=NURSE)
    assert again.entries_added == 1
    assert workflow.case_view(held).summary.contrast_ml == 29  # 25 mL held, 4 mL corrected


READINGS = """patient id;accession;time;Ka,r [mGy]
P1;A-1;2026-03-02T09:05;590
P1;A-1;2026-03-02T09:10;3
P1;A-1;2026-03-02T09:20;400
P1;A-1;2026-03-02T09:30;300
"""


def test_reading_in_a_table_that_must_be_asked_about_is_refused_with_the_question(
    workflow: Workflow, tmp_path: Path
) -> None:
    held = workflow.take_in_bytes(dose_report("one", [event(1)]), file="r.dcm").case_id
    path = tmp_path / "readings.csv"
    path.write_text(READINGS, encoding="utf-8")
    result = ingest(workflow, [path], actor=NURSE)
    assert [r.reason.split(":")[0] for r in result.refused] == ["line 2", "line 5"]
    assert "carried over" in result.refused[0].reason
    assert "lower than the last reading" in result.refused[1].reason
    typed = [s.value.reference_air_kerma_mgy for s in workflow.case_view(held).case.readings]
    assert typed == [3, 400]


def test_pipe_and_name_of_other_bytes_do_not_stop_the_rest(workflow: Workflow, tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    os.mkfifo(folder / "pipe.dcm")
    (folder / "good.dcm").write_bytes(dose_report("one", [event(1)]))
    other = dose_report("two", [event(2)], accession="A-2", study="1.2.2")
    Path(os.fsdecode(os.fsencode(folder) + b"/b\xe9.dcm")).write_bytes(other)
    result = ingest(workflow, [folder], actor=NURSE, workers=1)
    assert result.added == 2
    assert [r.reason.split(";")[0] for r in result.refused] == ["not a regular file"]


@pytest.mark.parametrize("text", ["", "just words\n", "volume [mL]\n5\n"])
def test_table_that_is_none_is_refused_with_a_reason(workflow: Workflow, tmp_path: Path, text: str) -> None:
    path = tmp_path / "entries.csv"
    path.write_text(text, encoding="utf-8")
    result = ingest(workflow, [path], actor=NURSE)
    assert [bool(r.reason) for r in result.refused] == [True]
    assert workflow.position() == 0
