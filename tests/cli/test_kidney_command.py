"""`dosetrack kidney`: documents, exit codes and the words it uses."""

from __future__ import annotations

import json
import re
from datetime import date
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from dosetrack.cli.kidney import kidney, read_options
from dosetrack.errors import InputError
from dosetrack.records.entries import InjectionSite, Knowledge

app = typer.Typer(pretty_exceptions_enable=False)
app.command()(kidney)

# patient A of tests/kidney/data/contrast_limit_examples.csv
PATIENT_A = [
    *("--sex", "M", "--age", "72", "--creatinine", "1.5 mg/dL", "--creatinine-on", "2026-03-01"),
    *("--on", "2026-03-02", "--weight", "80 kg", "--height", "175 cm"),
]
FORMULAS = [
    "CKD-EPI 2021",
    "CKD-EPI 2009",
    "MDRD-175",
    "Cockcroft-Gault, actual weight",
    "Cockcroft-Gault, ideal weight",
    "Cockcroft-Gault, adjusted weight",
    "bedside Schwartz",
]


def _document(*options: str) -> dict[str, Any]:
    result = CliRunner().invoke(app, ["--json", *options])
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def _limit(document: dict[str, Any], key: str) -> dict[str, Any]:
    return next(row for row in document["limits"] if row["key"] == key)


def _codes(document: dict[str, Any]) -> set[str]:
    return {one["code"] for one in document["findings"]}


def test_the_document_of_a_known_patient() -> None:
    found = _document(*PATIENT_A, "--site", "second-pass", "--concentration", "320", "--given", "88 mL")
    assert [row["formula"] for row in found["egfr"]] == FORMULAS
    assert found["egfr"][0]["value"] == pytest.approx(49.158, abs=0.001)  # renal_examples.csv
    assert found["egfr"][0]["unit"] == "mL/min/1.73m2"
    assert found["egfr"][6] == {
        "formula": "bedside Schwartz",
        "value": None,
        "unit": "mL/min/1.73m2",
        "valid": False,
        "note": "not valid: made for 1 to 16 years",
    }
    assert _limit(found, "gurm_2")["limit_ml"] == pytest.approx(
        100.74, abs=0.01
    )  # contrast_limit_examples.csv
    assert _limit(found, "gurm_2")["limit_iodine_g"] == pytest.approx(32.24, abs=0.01)
    assert found["leading"] == "2 × CrCl"
    assert found["remaining_ml"] == pytest.approx(12.74, abs=0.01)
    assert found["headline"] == "12 mL below 2 × CrCl"
    assert found["given"]["iodine_g"] == pytest.approx(28.16)


def test_without_any_option_the_document_still_comes() -> None:
    found = _document()
    assert [row["formula"] for row in found["egfr"]] == FORMULAS
    assert all(row["value"] is None and row["note"] for row in found["egfr"])
    assert all(row["limit_ml"] is None and row["note"] and not row["applies"] for row in found["limits"])
    assert (found["leading"], found["remaining_ml"]) == (None, None)
    assert (found["given"]["contrast_ml"], found["given"]["iodine_g"]) == (None, None)
    assert found["headline"] == "limit unknown: creatinine missing"
    assert {"creatinine-missing", "earlier-contrast-unknown", "contrast-given-not-told"} <= _codes(found)


def test_every_row_has_the_fixed_keys() -> None:
    found = _document(*PATIENT_A)
    assert {"egfr", "limits", "leading", "remaining_ml", "findings"} <= set(found)
    for row in found["limits"]:
        assert {"name", "source", "limit_ml", "limit_iodine_g", "used_fraction", "applies", "note"} <= set(
            row
        )


def test_no_creatinine_date_is_a_finding_and_rows_stay_valid() -> None:
    found = _document("--sex", "M", "--age", "72", "--creatinine", "1.5 mg/dL", "--weight", "80 kg")
    assert "creatinine-age-unknown" in _codes(found)
    assert any("age of creatinine unknown" in one["text"].lower() for one in found["findings"])
    assert found["egfr"][0]["valid"]
    assert found["leading"] == "2 × CrCl"


def test_an_unknown_site_counts_as_first_pass() -> None:
    for options in ((), ("--site", "unknown"), ("--site", "first-pass")):
        found = _document(*PATIENT_A, "--concentration", "350", *options)
        assert _limit(found, "esur10_volume")["limit_ml"] == pytest.approx(147.48, abs=0.01)
    assert not _limit(_document(*PATIENT_A, "--site", "second-pass"), "esur10_volume")["applies"]


@pytest.mark.parametrize("flag", ["--dialysis", "--unstable"])
def test_dialysis_and_change_silence_every_creatinine_row(flag: str) -> None:
    found = _document(*PATIENT_A, "--given", "50 mL", "--concentration", "320", flag)
    assert not any(row["valid"] for row in found["egfr"])
    assert all(row["limit_ml"] is None for row in found["limits"] if row["may_lead"])
    assert found["leading"] is None
    assert found["headline"].startswith("limit unknown")
    assert found["given"]["iodine_g"] == pytest.approx(16)


def test_units_of_the_world() -> None:
    one = _document(*PATIENT_A)
    two = _document(
        *("--sex", "male", "--age", "72", "--creatinine", "132,6 µmol/L", "--creatinine-on", "2026-03-01"),
        *("--on", "2026-03-02", "--weight", "80000 g", "--height", "1,75 m"),
    )
    for first, second in zip(one["limits"], two["limits"], strict=True):
        assert first["limit_ml"] == pytest.approx(second["limit_ml"])


def test_what_looks_odd_is_asked_in_a_finding() -> None:
    found = _document("--creatinine", "14 umol/L", "--age", "60", "--sex", "M")
    asked = [one["text"] for one in found["findings"] if one["code"] == "entry-question"]
    assert any("14 mg/dL" in text for text in asked)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--creatinine", "1.2"), "mg/dL"),
        (("--creatinine", "1.2 umol/L"), r"1.2 mg/dL \(106 µmol/L\) meant"),
        (("--creatinine", "106 mg/dL"), "µmol/L"),
        (("--creatinine", "-1 mg/dL"), "accepted"),
        (("--creatinine", "1.5 mg/dL", "--creatinine-on", "2026-03-03", "--on", "2026-03-02"), "2026-03-02"),
        (("--creatinine", "1.5 mg/dL", "--creatinine-on", "yesterday"), "YYYY-MM-DD"),
        (("--weight", "68"), "kg"),
        (("--weight", "5 kg", "--age", "60"), "20 to 500 kg"),
        (("--height", "1.75 cm"), "1.75 m"),
        (("--height", "160"), "cm"),
        (("--age", "130"), "0 to 120"),
        (("--age", "-3"), "0 to 120"),
        (("--age", "old"), "years"),
        (("--sex", "X"), "female"),
        (("--concentration", "12"), "oral"),
        (("--concentration", "320 mL"), "concentration"),
        (("--given", "40"), "mL"),
        (("--given", "-40 mL"), "0 to 1500"),
        (("--given", "1501 mL"), "0 to 1500"),
        (("--given", "nan mL"), "contrast given"),
        (("--site", "elbow"), "first-pass"),
        (("--site", "biliary"), "first-pass"),
        (("--on", "2026-13-01"), "YYYY-MM-DD"),
        (("--earlier", "some"), "earlier contrast"),
        (("--no-such-option",), "No such option"),
    ],
)
def test_impossible_input_ends_with_2_and_no_document(options: tuple[str, ...], words: str) -> None:
    result = CliRunner().invoke(app, ["--json", *options])
    assert result.exit_code == 2
    assert result.stdout == ""
    assert re.search(words, result.stderr)


def test_earlier_contrast_is_told_or_not_known() -> None:
    options = read_options(today=date(2026, 3, 2), earlier="90 mL", given="40 mL", concentration="320")
    assert options.given.in_words() == "40 mL now + 90 mL earlier"
    none = read_options(today=date(2026, 3, 2), earlier="none")
    assert none.given.earlier.knowledge is Knowledge.NO
    assert read_options(today=date(2026, 3, 2)).given.earlier.knowledge is Knowledge.UNKNOWN


def test_today_is_an_argument_of_the_pure_part() -> None:
    options = read_options(today=date(2026, 3, 2), site="renal artery")
    assert (options.patient.on, options.patient.site) == (date(2026, 3, 2), InjectionSite.FIRST_PASS)
    with pytest.raises(InputError):
        read_options(today=date(2026, 3, 2), weight="heavy")


def test_the_table_for_people_carries_cautions_and_promises_nothing() -> None:
    result = CliRunner().invoke(
        app, [*PATIENT_A, "--given", "102 mL", "--concentration", "320", "--site", "coronary"]
    )
    assert result.exit_code == 0
    assert "2 mL past 2 × CrCl" in result.stdout
    text = " ".join(result.stdout.split())
    assert "local protocol rules" in text
    assert not re.search(
        r"\bsafe|\bOK\b|allowance|budget|headroom|\bleft\b|✓|✔", result.stdout, re.IGNORECASE
    )
