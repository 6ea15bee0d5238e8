"""The JSON documents of the commands hold the keys that README.md promises."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import document_keys as keys

from tests.workflow.invented import dose_report, event

Run = Callable[..., Any]


def missing(document: dict[str, Any], wanted: set[str]) -> set[str]:
    return wanted - set(document)


def test_read(run: Run, reports: list[Path]) -> None:
    outcome = run("read", *reports, "--json")
    assert outcome.exit_code == 0
    document = outcome.document
    assert missing(document, keys.READ) == set()
    assert [Path(report["file"]).name for report in document["reports"]] == [path.name for path in reports]
    for report in document["reports"]:
        assert missing(report, keys.REPORT) == set()
        for part, wanted in (
            ("report", keys.IDENTITY),
            ("patient", keys.PATIENT),
            ("equipment", keys.EQUIPMENT),
            ("procedure", keys.PROCEDURE),
        ):
            assert missing(report[part], wanted) == set(), part
        assert {total["basis"] for total in report["totals"]} == {"stated", "summed"}
        assert all(missing(total, keys.TOTAL) == set() for total in report["totals"])
        assert len(report["events"]) == 2
        assert all(missing(event, keys.EVENT) == set() for event in report["events"])
        filters = [found for event in report["events"] for found in event["filters"]]
        assert all(missing(found, keys.FILTER) == set() for found in filters)
        assert all(missing(found, keys.FINDING) == set() for found in report["findings"])


def test_numbers_come_as_they_were_sent(run: Run, reports: list[Path]) -> None:
    """The two events of the invented report: 40 + 120 mGy and 10 + 30 Gy.cm2, added by hand."""
    report = run("read", reports[0], "--json").document["reports"][0]
    summed = next(total for total in report["totals"] if total["basis"] == "summed")
    stated = next(total for total in report["totals"] if total["basis"] == "stated")
    for total in (summed, stated):
        assert total["reference_air_kerma_mgy"] == pytest.approx(160.0, rel=1e-9)
        assert total["dose_area_product_gycm2"] == pytest.approx(40.0, rel=1e-9)
        assert total["fluoroscopy_time_s"] == pytest.approx(600.0, rel=1e-9)
    assert report["events"][0]["started_at"].startswith("2026-03-01T09:01:00")


def test_ingest_again_holds_already(run: Run, reports: list[Path], ledger: str) -> None:
    outcome = run("ingest", *reports, "--json", "--ledger", ledger, "--workers", 1)
    assert outcome.exit_code == 0
    assert missing(outcome.document, keys.INGEST) == set()
    assert outcome.document["added"] == 0
    assert outcome.document["already_held"] == 2
    assert outcome.document["refused"] == []


def test_cases_and_case(run: Run, ledger: str) -> None:
    found = run("cases", "--json", "--ledger", ledger).document
    assert set(found) >= {"cases"}
    assert len(found["cases"]) == 2
    for one in found["cases"]:
        assert missing(one, keys.CASE) == set()
        assert one["state"] == "ended"
        assert one["reference_air_kerma_by_plane_mgy"] == {"single": pytest.approx(160.0)}
        assert one["contrast_ml"] is None, "nothing typed is not known, never zero"
        whole = run("case", one["id"], "--json", "--ledger", ledger).document
        assert missing(whole, keys.CASE) == set()
        assert {key: whole[key] for key in keys.CASE - {"findings"}} == {
            key: one[key] for key in keys.CASE - {"findings"}
        }


def test_cases_of_some_days_include_both_ends(run: Run, ledger: str) -> None:
    def ids(*words: str) -> list[str]:
        document = run("cases", *words, "--json", "--ledger", ledger).document
        return [one["patient_id"] for one in document["cases"]]

    assert ids("--from", "2026-03-01", "--to", "2026-03-02") == ["INV-1", "INV-2"]
    assert ids("--from", "2026-03-01", "--to", "2026-03-01") == ["INV-1"]
    assert ids("--from", "2026-03-02") == ["INV-2"]
    assert ids("--from", "2026-03-03") == []


def test_kidney_without_any_option_still_gives_the_document(run: Run) -> None:
    outcome = run("kidney", "--json")
    assert outcome.exit_code == 0
    document = outcome.document
    assert missing(document, keys.KIDNEY) == set()
    assert {row["formula"] for row in document["egfr"]} == keys.FORMULAS
    assert all(row["value"] is None and row["note"] for row in document["egfr"])
    assert document["limits"]
    assert document["leading"] is None
    assert document["remaining_ml"] is None


def test_kidney_of_one_patient(run: Run) -> None:
    """Cockcroft-Gault by hand: (140 - 61) x 74 / (72 x 1.4) = 57.996 mL/min for a man."""
    outcome = run(
        "kidney", "--json", "--sex", "M", "--age", 61, "--creatinine", "1.4 mg/dL",
        "--creatinine-on", "2026-03-01", "--on", "2026-03-02", "--weight", "74 kg", "--height", "178 cm",
        "--site", "first-pass", "--concentration", 320, "--given", "40 mL",
    )  # fmt: skip
    document = outcome.document
    assert outcome.exit_code == 0
    assert all(missing(row, keys.EGFR) == set() for row in document["egfr"])
    assert all(missing(row, keys.LIMIT) == set() for row in document["limits"])
    actual = next(row for row in document["egfr"] if row["formula"] == "Cockcroft-Gault, actual weight")
    assert actual["value"] == pytest.approx(57.996, rel=1e-4)
    assert document["leading"] in {row["name"] for row in document["limits"] if row["applies"]}
    lead = next(row for row in document["limits"] if row["name"] == document["leading"])
    assert document["remaining_ml"] == pytest.approx(lead["limit_ml"] - 40.0, abs=1.0)  # shown in whole mL


def test_audit(run: Run, ledger: str) -> None:
    """Two cases of 160 mGy: the median and both quartiles are 160."""
    outcome = run("audit", "--from", "2026-03-01", "--to", "2026-03-31", "--json", "--ledger", ledger)
    assert outcome.exit_code == 0
    document = outcome.document
    assert missing(document, keys.AUDIT) == set()
    (procedure,) = document["procedures"]
    assert missing(procedure, keys.AUDIT_PROCEDURE) == set()
    assert procedure["procedure"] == "Invented embolisation"
    assert procedure["n"] == 2
    assert procedure["reference"] is None, "none is chosen until the site chooses one"
    kerma = procedure["quantities"]["reference_air_kerma_mgy"]
    assert missing(kerma, keys.AUDIT_QUANTITY) == set()
    assert (kerma["n"], kerma["median"], kerma["p25"], kerma["p75"]) == (2, 160.0, 160.0, 160.0)
    assert missing(document["follow_up"], keys.AUDIT_FOLLOW_UP) == set()
    (operator,) = document["operators"]
    assert missing(operator, keys.AUDIT_OPERATOR) == set()


def test_followup_and_its_call_list(run: Run, tmp_path: Path) -> None:
    """6 Gy at the reference point on 2 March 2026: looked at 14 and 30 days later, 16 March and 1 April."""
    url = f"sqlite:///{tmp_path / 'followed.sqlite'}"
    report = tmp_path / "high.dcm"
    report.write_bytes(dose_report("high", [event(1, kerma=6000.0)]))
    assert run("ingest", report, "--ledger", url).exit_code == 0
    outcome = run("followup", "--on", "2026-03-20", "--json", "--ledger", url)
    assert outcome.exit_code == 0
    assert missing(outcome.document, keys.FOLLOWUP) == set()
    (item,) = outcome.document["items"]
    assert missing(item, keys.FOLLOWUP_ITEM) == set()
    assert all(missing(reason, keys.FOLLOWUP_REASON) == set() for reason in item["reasons"])
    assert (item["kind"], item["tier"], item["patient_id"]) == ("skin", "follow-up", "P1")
    assert {"2026-03-16", "2026-04-01"} <= set(item["due"])
    kerma = next(r for r in item["reasons"] if r["quantity"] == "reference_air_kerma_mgy")
    assert (kerma["value"], kerma["level"]) == (6000.0, 5000.0)
    assert run("followup", "--on", "2026-03-01", "--json", "--ledger", url).document == {"items": []}
    calls = run("followup", "--list", "--on", "2026-03-20", "--json", "--ledger", url).document
    assert missing(calls, keys.CALL_LIST) == set()
    assert calls["deaths_checked"].startswith("Deaths not checked")


def test_machines(run: Run, ledger: str) -> None:
    """One system with two cases; no event tells its field, so its meters are not known."""
    outcome = run("machines", "--from", "2026-03-01", "--to", "2026-03-31", "--json", "--ledger", ledger)
    assert outcome.exit_code == 0
    document = outcome.document
    assert missing(document, keys.MACHINES) == set()
    (machine,) = document["machines"]
    assert missing(machine, keys.MACHINE) == set()
    assert (machine["serial"], machine["station"]) == ("S1", "ROOM1")
    assert (machine["reports"], machine["cases"], machine["events"]) == (2, 2, 4)
    assert [drift["verdict"] for drift in machine["drifts"]] == ["not told"]
    assert machine["conformance"]["checked"] == 2
    empty = run("machines", "--from", "2025-03-01", "--to", "2025-03-31", "--json", "--ledger", ledger)
    assert empty.document["machines"] == []
    assert run("machines", "--from", "2026-04-01", "--to", "2026-03-01", "--ledger", ledger).exit_code == 2


def test_the_chain_of_a_fresh_ledger_holds(run: Run, ledger: str) -> None:
    assert run("ledger", "verify", "--ledger", ledger).exit_code == 0
    before = run("cases", "--json", "--ledger", ledger).stdout
    assert run("ledger", "rebuild", "--ledger", ledger).exit_code == 0
    assert run("cases", "--json", "--ledger", ledger).stdout == before
