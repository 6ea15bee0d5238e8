"""Typed entries from CSV and XLSX: units, refusals by line and column, and what goes on."""

from __future__ import annotations

import io
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import pytest
from openpyxl import Workbook

from dosetrack.errors import ReportRefusedError
from dosetrack.readers.entry_table import EntryTable, read_entry_table
from dosetrack.records.entries import (
    Agent,
    ConsoleReading,
    Creatinine,
    Injection,
    InjectionSite,
    PatientSize,
)

LISBON = ZoneInfo("Europe/Lisbon")
HEADER = (
    "kind;patient id;time;weight [kg];height;creatinine [µmol/L];creatinine date;"
    "volume;concentration;dilution;site;Ka,r [Gy];DAP;fluoroscopy time;plane"
)


def _read(text: str, file: str = "entries.csv") -> EntryTable:
    return read_entry_table(text.encode(), file=file, zone=LISBON)


def _workbook(*rows: tuple[object, ...]) -> bytes:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    for row in rows:
        sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_one_row_may_hold_several_entries() -> None:
    table = _read(f"{HEADER}\n;MO-417;2026-03-02T10:41;68;1,60 m;124;2026-03-01;12 mL;320;1:1;coronary;;;;\n")
    assert [entry.payload for entry in table.entries] == [
        PatientSize(68, 160),
        Creatinine("124", "umol/L", "2026-03-01"),
        Injection(12, 320, 0.5, Agent.IODINATED, InjectionSite.SECOND_PASS),
    ]
    assert {entry.line for entry in table.entries} == {2}
    assert {entry.patient_id for entry in table.entries} == {"MO-417"}
    assert table.refused == ()
    assert table.findings == ()


def test_a_kind_takes_only_its_own_columns() -> None:
    table = _read(f"{HEADER}\nreading;MO-417;2026-03-02T10:41;68;;;;;;;;1,2;85 Gy·cm²;41:30;A\n")
    assert [entry.payload for entry in table.entries] == [ConsoleReading("a", 1200, 85, 2490)]


@pytest.mark.parametrize("separator", [";", ",", "\t"])
def test_the_separator_is_found(separator: str) -> None:
    text = "patient id;time;volume;concentration\nMO-1;2026-03-02T10:41;12 mL;320\n".replace(";", separator)
    assert _read(text).entries[0].payload == Injection(12, 320)


def test_a_quoted_decimal_comma_between_commas() -> None:
    table = _read('patient id,time,volume [mL]\nMO-1,2026-03-02T10:41,"7,5"\n')
    assert table.entries[0].payload == Injection(7.5)


def test_an_unquoted_decimal_comma_between_commas_is_refused() -> None:
    table = _read(
        "patient id,time,volume [mL],room\nMO-1,2026-03-02T10:41,7,5,Room 2\nMO-1,2026-03-02T10:42,8,\n"
    )
    assert [entry.line for entry in table.entries] == [3]
    assert "needs quotes" in str(table.refused[0])


def test_the_unit_beside_the_value_wins_over_the_header() -> None:
    table = _read("patient id,creatinine [µmol/L],creatinine date\nMO-1,1.4 mg/dL,2026-03-01\n")
    assert table.entries[0].payload == Creatinine("1.4", "mg/dL", "2026-03-01")
    assert table.entries[0].at is None


@pytest.mark.parametrize("heading", ["weight [kg]", "Weight (kg)", "weight_kg", "WEIGHT [kg]"])
def test_units_in_headings(heading: str) -> None:
    assert _read(f"patient id;{heading}\nMO-1;68\n").entries[0].payload == PatientSize(68)


def test_times_without_offset_take_the_zone_and_are_kept_as_typed() -> None:
    table = _read("patient id;time;volume [mL]\nMO-1;2026-07-02T10:41;8\nMO-1;2026-07-02T10:41+02:00;9\n")
    assert [entry.at for entry in table.entries] == [
        datetime(2026, 7, 2, 9, 41, tzinfo=UTC),
        datetime(2026, 7, 2, 8, 41, tzinfo=UTC),
    ]
    assert table.entries[0].at_text == "2026-07-02T10:41"


def test_a_clock_time_beside_a_date() -> None:
    table = _read("patient id;date;time;volume [mL]\nMO-1;2026-01-02;9:05;8\nMO-1;;9:05;8\n")
    assert table.entries[0].at == datetime(2026, 1, 2, 9, 5, tzinfo=UTC)
    assert table.refused[0].column == "time"


def test_the_repeated_hour_is_said() -> None:
    table = _read("patient id;time;volume [mL]\nMO-1;2026-10-25T01:30;8\n")
    assert [one.code for one in table.findings] == ["time-occurs-twice"]


@pytest.mark.parametrize(
    ("row", "column", "words"),
    [
        ("injection;MO-1;2026-03-02T10:41;;;;;12;320;;;;;;", "volume", "mL"),
        ("injection;MO-1;2026-03-02T10:41;;;;;-12 mL;320;;;;;;", "volume", "above 0"),
        ("injection;MO-1;2026-03-02T10:41;;;;;12 mL;12;;;;;;", "concentration", "oral"),
        ("injection;MO-1;2026-03-02T10:41;;;;;12 mL;320;1:2;;;;;", "dilution", "percentage"),
        ("injection;MO-1;2026-03-02T10:41;;;;;12 mL;320;;elbow;;;;", "site", "first-pass"),
        ("injection;MO-1;;;;;;12 mL;320;;;;;;", "time", "2026-03-02T10:41"),
        ("injection;MO-1;2 March;;;;;12 mL;320;;;;;;", "time", "2026-03-02T10:41"),
        ("injection;MO-1;2026-03-02T10:41;;;;;;320;;;;;;", "volume", "injection"),
        ("injection;;2026-03-02T10:41;;;;;12 mL;320;;;;;;", None, "patient id"),
        ("creatinine;MO-1;;;;1.4;;;;;;;;;", "creatinine [µmol/L]", "1.4 mg/dL"),
        ("creatinine;MO-1;2026-03-02T10:41;;;124;2026-03-09;;;;;;;;", "creatinine date", "2026-03-02"),
        ("size;MO-1;;1000;;;;;;;;;;;", "weight [kg]", "20 to 500 kg"),
        ("size;MO-1;;68;1.6;;;;;;;;;;", "height", "cm"),
        ("reading;MO-1;2026-03-02T10:41;;;;;;;;;1.2 mg;;;", "Ka,r [Gy]", "mGy"),
        ("reading;MO-1;2026-03-02T10:41;;;;;;;;;;85;;", "DAP", "Gy"),
        ("reading;MO-1;2026-03-02T10:41;;;;;;;;;1.2;;;C", "plane", "A, B"),
        ("guess;MO-1;2026-03-02T10:41;;;;;;;;;1.2;;;", "kind", "injection, reading, creatinine, size"),
        (";MO-1;2026-03-02T10:41;;;;;;;;;;;;", None, "reading"),
    ],
)
def test_a_row_that_cannot_be_used_names_line_and_column_and_the_rest_goes_on(
    row: str, column: str | None, words: str
) -> None:
    good = "injection;MO-1;2026-03-02T10:50;;;;;8 mL;320;;;;;;"
    table = _read(f"{HEADER}\n{row}\n{good}\n")
    assert [entry.line for entry in table.entries] == [3]
    refused = table.refused[0]
    assert (refused.file, refused.line, refused.column) == ("entries.csv", 2, column)
    assert words in refused.reason
    assert str(refused).startswith("entries.csv, line 2")


def test_an_unusual_value_is_read_and_asked_about() -> None:
    table = _read("patient id;time;volume\nMO-1;2026-03-02T10:41;45 mL\n")
    assert table.entries[0].payload == Injection(45)
    assert [one.kind for one in table.entries[0].questions] == ["range"]
    assert "entries.csv, line 2" in table.findings[0].text


def test_the_same_row_twice_is_read_twice_and_said() -> None:
    row = "MO-1;2026-03-02T10:41;8 mL\n"
    table = _read(f"patient id;time;volume\n{row}{row}")
    assert len(table.entries) == 2
    assert "line 2" in table.findings[0].text
    assert table.findings[0].code == "entry-stands-twice"


def test_a_reading_lower_than_the_one_before_in_time_is_questioned() -> None:
    table = _read(
        "patient id;time;Ka,r [mGy];plane\n"
        "MO-1;2026-03-02T10:50;900;A\n"
        "MO-1;2026-03-02T10:41;1000;A\n"  # earlier, and higher
        "MO-1;2026-03-02T10:45;10;B\n"
        "MO-2;2026-03-02T10:55;800;A\n"
    )
    assert [[one.kind for one in entry.questions] for entry in table.entries] == [["reset"], [], [], []]


def test_contrast_of_a_case_is_added_up_over_its_rows() -> None:
    rows = "".join(f"MO-1;2026-03-02T10:{minute:02d};60 mL;yes\n" for minute in range(7))
    table = _read(f"patient id;time;volume;power\n{rows}MO-2;2026-03-02T10:09;60 mL;yes\n")
    assert [bool(entry.questions) for entry in table.entries] == [False] * 6 + [True, False]


def test_unknown_columns_are_said_and_not_read() -> None:
    table = _read("patient id;shoe size;weight [kg]\nMO-1;42;68\n")
    assert [one.code for one in table.findings] == ["entry-column-unknown"]
    assert table.entries[0].payload == PatientSize(68)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"  \n \n", "empty"),
        (b";;;\n;;\n", "no line holds anything"),
        (b"weight [kg]\n68\n", "patient id, accession, case id"),
        (b"patient id;weight [kg];weight\nMO-1;68;68\n", "two columns for weight"),
        (b"\x00\x01\x02\x03", "not text"),
        (b"PK\x03\x04 not really", "workbook cannot be read"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1", "old workbook format"),
    ],
)
def test_a_file_that_is_no_table_is_refused(data: bytes, words: str) -> None:
    with pytest.raises(ReportRefusedError, match=r"entries\.csv") as refused:
        read_entry_table(data, file="entries.csv", zone=LISBON)
    assert words in str(refused.value)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings_spreadsheets_write(encoding: str) -> None:
    data = "patient id;creatinine [µmol/L];creatinine date\nMÖ-1;124;2026-03-01\n".encode(encoding)
    table = read_entry_table(data, file="entries.csv", zone=LISBON)
    assert table.entries[0].patient_id == "MÖ-1"
    assert table.entries[0].payload == Creatinine("124", "umol/L", "2026-03-01")


def test_a_workbook_gives_the_same_entries() -> None:
    data = _workbook(
        (
            "patient id",
            "date",
            "time",
            "volume [mL]",
            "concentration",
            "creatinine [mg/dL]",
            "creatinine date",
        ),
        ("MO-1", date(2026, 1, 2), time(9, 5), 12.5, 320, None, None),
        (None, None, None, None, None, None, None),
        ("MO-1", None, datetime.fromisoformat("2026-01-02T09:30"), None, None, 1.2, date(2026, 1, 1)),
        ("MO-1", None, datetime.fromisoformat("2026-01-02T09:40"), "8 kg", None, None, None),
    )
    table = read_entry_table(data, file="entries.xlsx", zone=LISBON)
    assert [entry.payload for entry in table.entries] == [
        Injection(12.5, 320),
        Creatinine("1.2", "mg/dL", "2026-01-01"),
    ]
    assert [entry.at for entry in table.entries] == [
        datetime(2026, 1, 2, 9, 5, tzinfo=UTC),
        datetime(2026, 1, 2, 9, 30, tzinfo=UTC),
    ]
    assert [(one.line, one.column) for one in table.refused] == [(5, "volume [mL]")]


def test_line_numbers_count_quoted_line_breaks() -> None:
    table = _read('patient id;operator;weight [kg]\nMO-1;"Dr\nInvented";68\nMO-2;;1000\n')
    assert table.entries[0].operator == "Dr\nInvented"
    assert table.refused[0].line == 4
