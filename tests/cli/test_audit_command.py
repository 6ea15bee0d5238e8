"""`dosetrack audit` on a real ledger of invented cases."""

import json
import statistics
from datetime import UTC, datetime, timedelta

import pytest
from typer.testing import CliRunner

from dosetrack.cli import build_app
from dosetrack.records.entries import CaseOpened, ConsoleReading, Injection
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import Patient
from dosetrack.workflow import open_workflow

ACTOR = Actor("Invented Physicist", Role.PHYSICS)
# DAP [Gy·cm²], Ka,r [mGy] of one procedure; the last lacks its DAP
CASES = ((120.0, 900.0), (260.0, 1500.0), (310.0, 5200.0), (90.0, 640.0), (None, 1100.0))


@pytest.fixture(scope="module")
def ledger(tmp_path_factory):
    url = f"sqlite:///{tmp_path_factory.mktemp('audit') / 'ledger.sqlite'}"
    moment = [datetime(2026, 3, 1, 8, tzinfo=UTC)]
    workflow = open_workflow(url, create=True, clock=lambda: moment[0])
    for number, (dap, kerma) in enumerate(CASES):
        moment[0] = datetime(2026, 3, 2 + number, 8, tzinfo=UTC)
        opening = CaseOpened(
            room="Room 1",
            patient=Patient(id=f"INVENTED-{number}"),
            procedure="Invented shunt",
            operators=("Dr Invented One" if number % 2 else "Dr Invented Two",),
        )
        case_id = workflow.open_case(opening, actor=ACTOR).case_id
        moment[0] += timedelta(minutes=40)
        reading = ConsoleReading(reference_air_kerma_mgy=kerma, dose_area_product_gycm2=dap)
        workflow.record(case_id, reading, actor=ACTOR, is_confirmed=True)
        workflow.record(case_id, Injection(60.0, 300.0), actor=ACTOR, is_confirmed=True)
        workflow.end_case(case_id, actor=ACTOR)
    return url


def run(*words):
    return CliRunner().invoke(build_app(only="audit"), ["audit", *words])


def document(ledger, first="2026-03-01", last="2026-03-31", more=()):
    outcome = run("--from", first, "--to", last, "--json", *more, "--ledger", ledger)
    assert outcome.exit_code == 0, outcome.stderr
    return json.loads(outcome.stdout)


def test_medians_and_quartiles_equal_those_of_the_standard_library(ledger):
    # statistics.quantiles(method='inclusive') is the same definition (type 7), written by others
    (row,) = document(ledger)["procedures"]
    kerma = sorted(kerma for _, kerma in CASES)
    low, middle, high = statistics.quantiles(kerma, n=4, method="inclusive")
    found = row["quantities"]["reference_air_kerma_mgy"]
    assert (found["n"], found["missing"]) == (5, 0)
    assert (found["p25"], found["median"], found["p75"]) == pytest.approx((low, middle, high))


def test_missing_value_is_left_out_and_counted(ledger):
    (row,) = document(ledger)["procedures"]
    found = row["quantities"]["dose_area_product_gycm2"]
    assert (found["n"], found["missing"]) == (4, 1)
    assert found["median"] == pytest.approx(statistics.median([120.0, 260.0, 310.0, 90.0]))


def test_reference_is_null_until_chosen(ledger):
    (row,) = document(ledger)["procedures"]
    assert row["reference"] is None
    assert row["procedure"] == "Invented shunt"


def test_operators_stand_in_rows_of_their_own(ledger):
    rows = document(ledger)["operators"]
    assert {(r["operator"], r["n"]) for r in rows} == {("Dr Invented One", 2), ("Dr Invented Two", 3)}
    assert {r["procedure"] for r in rows} == {"Invented shunt"}


def test_the_statistics_stand_beside_the_tables(ledger):
    found = document(ledger)
    (kerma,) = [p for p in found["percentile_intervals"] if p["quantity"] == "reference_air_kerma_mgy"]
    assert [row["fraction"] for row in kerma["percentiles"]["rows"]] == [0.1, 0.25, 0.5, 0.75, 0.9, 0.95]
    assert kerma["percentiles"]["rows"][2]["low"] is None, "five cases bound no median with 95 %"
    assert all(0 <= s["low"] <= s["share"] <= s["high"] <= 1 for s in found["level_shares"])
    assert not any(row["is_enough"] for row in found["typical"])
    assert {
        c["chart"]["stretches"][0]["lines"] for c in found["control_charts"] if c["chart"]["stretches"]
    } == {"too few points for limits"}
    assert found["comparisons"] == []


def test_operators_are_compared_when_asked_for_and_few_cases_cannot_tell(ledger):
    rows = document(ledger, more=["--compare"])["comparisons"]
    kerma = next(r["comparison"] for r in rows if r["comparison"]["quantity"] == "reference_air_kerma_mgy")
    assert [o["operator"] for o in kerma["operators"]] == ["Dr Invented One", "Dr Invented Two"]
    assert {o["telling"] for o in kerma["operators"]} == {"cannot tell yet"}


def test_case_over_a_substantial_level_is_listed_with_its_source(ledger):
    over = [o for o in document(ledger)["over_levels"] if o["tier"] == "substantial"]
    (kerma,) = [o for o in over if o["quantity"] == "reference_air_kerma_mgy"]
    assert (kerma["value"], kerma["level"], kerma["room"]) == (5200.0, 5000.0, "Room 1")
    assert kerma["case_id"]
    assert "NCRP" in kerma["source"]


def test_completeness_counts_per_room(ledger):
    found = document(ledger)["completeness"]
    assert found["n"] == 5
    (room,) = found["rooms"]
    assert room["quantities"]["dose_area_product_gycm2"] == {"n": 4, "of": 5}


def test_both_days_are_included(ledger):
    assert document(ledger, "2026-03-02", "2026-03-03")["n"] == 2
    assert document(ledger, "2026-03-02", "2026-03-02")["n"] == 1


def test_period_without_cases_is_a_document(ledger):
    found = document(ledger, "2025-01-01", "2025-01-31")
    assert (found["n"], found["procedures"], found["over_levels"]) == (0, [], [])


def test_contrast_is_audited_too(ledger):
    (row,) = document(ledger)["procedures"]
    assert row["quantities"]["contrast_ml"]["median"] == pytest.approx(60.0)
    assert row["quantities"]["iodine_g"]["median"] == pytest.approx(18.0)  # 60 mL x 300 mg/mL


def test_human_table_says_what_is_missing_and_never_zero(ledger):
    outcome = run("--from", "2026-03-01", "--to", "2026-03-31", "--ledger", ledger)
    assert outcome.exit_code == 0
    assert "5 ended cases" in outcome.stdout
    assert "substantial: 2026-03-04" in outcome.stdout


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("--from", "2026-03-05", "--to", "2026-03-01"), 2),
        (("--from", "March", "--to", "2026-03-01"), 2),
        (("--from", "20260301", "--to", "2026-03-31"), 2),
        (("--to", "2026-03-01"), 2),
    ],
    ids=["after", "words", "no dashes", "no first day"],
)
def test_wrong_dates_end_with_2_and_no_document(words, code, ledger):
    outcome = run(*words, "--json", "--ledger", ledger)
    assert outcome.exit_code == code
    assert outcome.stdout == ""


def test_missing_ledger_ends_with_3(tmp_path):
    url = f"sqlite:///{tmp_path / 'none.sqlite'}"
    outcome = run("--from", "2026-03-01", "--to", "2026-03-31", "--json", "--ledger", url)
    assert outcome.exit_code == 3
    assert outcome.stdout == ""
    assert not (tmp_path / "none.sqlite").exists()
