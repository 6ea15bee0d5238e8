"""Tables of old systems into the ledger: each row once, corrected mappings never count twice."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from dosetrack.ledger import verify_chain
from dosetrack.ledger.rebuild import projection_digest, rebuild
from dosetrack.readers.table_mapping import mapping_from_toml
from dosetrack.services.ingest import Step, ingest
from dosetrack.workflow import IngestResult, Workflow
from dosetrack.workflow.projector import CaseProjector
from tests.workflow.invented import NURSE

PROJECT = Path(__file__).resolve().parents[2]
SAMPLE = PROJECT / "sample_data" / "old_system.csv"
MAPPING = PROJECT / "sample_data" / "old_system.toml"


def take_in(workflow: Workflow, path: Path, mapping: str | None = None) -> IngestResult:
    text = MAPPING.read_text(encoding="utf-8") if mapping is None else mapping
    return ingest(workflow, [path], actor=NURSE, mapping=mapping_from_toml(text.encode(), file="map.toml"))


def doses(workflow: Workflow) -> dict[str | None, float | None]:
    with workflow.ledger.reading() as reader:
        return {row.accession_number: row.dose_area_product_gycm2 for row in reader.case_totals()}


def test_rows_become_cases_once_and_refused_rows_are_named(workflow: Workflow) -> None:
    result = take_in(workflow, SAMPLE)
    assert (result.added, result.entries_added, len(set(result.cases))) == (3, 0, 3)
    (refused,) = result.refused
    assert refused.reason.startswith("line 5, column Fluoro: '9 min'")
    # from the sample: cGy.cm2 over 100, planes added
    assert doses(workflow) == pytest.approx({"X-1001": 69.185, "X-1002": 213.412, "X-1003": 52.01})
    position = workflow.position()
    again = take_in(workflow, SAMPLE)
    assert (again.added, again.already_held) == (0, 3)
    assert workflow.position() == position
    with workflow.ledger.reading() as reader:
        assert verify_chain(reader).first_break is None


def test_progress_of_a_table_counts_its_rows(workflow: Workflow) -> None:
    seen: list[Step] = []
    mapping = mapping_from_toml(MAPPING.read_bytes(), file="map.toml")
    ingest(workflow, [SAMPLE], actor=NURSE, mapping=mapping, progress=seen.append)
    assert seen == [
        Step(0, 3, "rows", "old_system.csv"),
        Step(3, 3, "rows", "old_system.csv"),
    ]


def test_a_grown_table_under_another_name_gives_only_its_new_rows(workflow: Workflow, tmp_path: Path) -> None:
    take_in(workflow, SAMPLE)
    grown = tmp_path / "later.csv"
    new = "X-1005;DEMO-T005;Elder^Eve-Demo;W;07.03.2019;10:00;Angio 7;Biopsy;Elm-Demo;100;10;-;-;1:00;\n"
    grown.write_text(SAMPLE.read_text(encoding="utf-8") + new, encoding="utf-8")
    result = take_in(workflow, grown)
    assert (result.added, result.already_held) == (1, 3)


def test_a_corrected_mapping_takes_the_place_of_the_wrong_one(workflow: Workflow) -> None:
    text = MAPPING.read_text(encoding="utf-8")
    take_in(workflow, SAMPLE, text.replace("cGy.cm2", "dGy.cm2"))
    assert doses(workflow)["X-1001"] == pytest.approx(691.85)
    result = take_in(workflow, SAMPLE)
    assert result.added == 3
    assert doses(workflow) == pytest.approx({"X-1001": 69.185, "X-1002": 213.412, "X-1003": 52.01})
    with workflow.ledger.reading() as reader:
        before = projection_digest(reader)
        assert verify_chain(reader).originals == 7  # three rows read twice, and the table
    rebuild(workflow.ledger, CaseProjector())
    with workflow.ledger.reading() as reader:
        assert projection_digest(reader) == before


def test_a_corrected_export_takes_the_place_of_the_row_it_corrects(
    workflow: Workflow, tmp_path: Path
) -> None:
    take_in(workflow, SAMPLE)
    corrected = tmp_path / "corrected.csv"
    corrected.write_text(
        SAMPLE.read_text(encoding="utf-8").replace("4.812,5", "4.000").replace("9 min", "9:00"),
        encoding="utf-8",
    )
    result = take_in(workflow, corrected)
    assert (result.added, result.already_held, result.refused) == (2, 2, ())
    assert doses(workflow)["X-1001"] == pytest.approx(40.0 + 21.06)


def read(*words: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "dosetrack", "read", *map(str, words)]
    return subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=False)


def test_dry_run_shows_what_would_be_read() -> None:
    done = read(SAMPLE, "--mapping", MAPPING, "--json")
    assert done.returncode == 1
    document = json.loads(done.stdout)
    assert [r["source"] for r in document["reports"]] == ["table"] * 3
    assert document["reports"][2]["totals"][0]["reference_air_kerma_mgy"] == 700.0
    assert [r["file"] for r in document["refused"]] == [str(SAMPLE)]
    assert "'Remark'" in done.stderr


def test_a_mapping_that_cannot_be_used_ends_with_2_and_no_document(tmp_path: Path) -> None:
    path = tmp_path / "map.toml"
    path.write_text('[columns]\n"DAP" = "dose_area_product"\n', encoding="utf-8")
    done = read(SAMPLE, "--mapping", path, "--json")
    assert (done.returncode, done.stdout) == (2, "")
    assert "'DAP' unit" in done.stderr
    done = read(SAMPLE, "--mapping", tmp_path / "missing.toml", "--json")
    assert (done.returncode, done.stdout) == (2, "")


def test_a_suggestion_is_printed_and_nothing_read() -> None:
    done = read(SAMPLE, "--suggest-mapping")
    assert (done.returncode, done.stderr) == (0, "")
    assert 'thousands = "."' in done.stdout
    assert 'plane = "b"' in done.stdout
