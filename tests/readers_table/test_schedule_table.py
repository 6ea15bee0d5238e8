"""Schedules as departments export them: names of columns, forms of days, lines that cannot be used."""

from __future__ import annotations

import io
from datetime import UTC, datetime, time

import pytest
from openpyxl import Workbook

from dosetrack.errors import InputError, ReportRefusedError
from dosetrack.readers.schedule_table import ScheduleTable, key_of, read_schedule_table
from dosetrack.readers.written_days import DayOrder, day_from_text, day_order_of, time_from_text
from dosetrack.records.entries import ProcedureScheduled
from dosetrack.records.report import Patient


def read(text: str) -> ScheduleTable:
    return read_schedule_table(text.encode(), file="list.csv")


def test_a_whole_row_between_semicolons_with_a_decimal_comma() -> None:
    found = read(
        "Patient_ID;Issuer;Patient name;Date of birth;Gender;Day;Start time;Suite;Description;Accession no;"
        "Performing physician;Weight [kg];Height (m);Step ID;Study UID\n"
        "INV-1;INVENTED;Müller-Invented^Ada;02.03.1955;female;25.11.2026;8:30;Room 2;TIPS;A-1;"
        "Reed^Noor / Teasel^Mara;72,5;1,60;S1;1.2.3\n"
    )
    assert found.refused == ()
    assert found.procedures == (
        ProcedureScheduled(
            key="A-1/S1",
            patient=Patient("INV-1", "INVENTED", "Müller-Invented^Ada", "F", "1955-03-02", 72.5, 160.0),
            scheduled_at="2026-11-25T08:30:00",
            room="Room 2",
            procedure="TIPS",
            operators=("Reed^Noor", "Teasel^Mara"),
            accession_number="A-1",
            study_instance_uid="1.2.3",
            source="list.csv",
        ),
    )


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("2026-11-25T08:30", "2026-11-25T08:30:00"),
        ("2026-11-25 08:30:15", "2026-11-25T08:30:15"),
        ("20261125 0830", "2026-11-25T08:30:00"),
        ("25.11.2026 8.30", "2026-11-25T08:30:00"),
        ("25/11/2026 08:30", "2026-11-25T08:30:00"),
        ("11/25/2026 8:30 pm", "2026-11-25T20:30:00"),
        ("2026-11-25T08:30+01:00", "2026-11-25T08:30:00+01:00"),
        ("2026-11-25T08:30Z", "2026-11-25T08:30:00+00:00"),
        ("2026-11-25", "2026-11-25"),
    ],
)
def test_a_day_and_time_in_one_cell(written: str, meant: str) -> None:
    found = read(f'patient id,scheduled at\nINV-1,"{written}"\n')
    assert [p.scheduled_at for p in found.procedures] == [meant]


def test_day_and_month_are_told_apart_by_another_row_or_not_at_all() -> None:
    told = read("patient id,date\nINV-1,03/02/2026\nINV-2,25/02/2026\n")
    assert [p.scheduled_at for p in told.procedures] == ["2026-02-03", "2026-02-25"]
    untold = read("patient id,date\nINV-1,03/02/2026\nINV-2,04/04/2026\n")
    assert [p.patient.id for p in untold.procedures] == ["INV-2"]  # day and month alike: one reading
    assert "may be exchanged" in str(untold.refused[0])
    both = day_order_of(["25/02/2026", "02/25/2026"])
    assert both == DayOrder(None)


def test_bad_lines_are_named_and_the_rest_goes_on() -> None:
    found = read(
        "patient id,day,time,sex,weight,accession\n"
        "INV-1,2026-11-25,08:30,F,58 kg,A-1\n"
        ",2026-11-25,09:30,F,,A-2\n"
        "INV-3,2026-02-30,,,,A-3\n"
        "INV-4,2026-11-25,25:10,,,A-4\n"
        "INV-5,2026-11-25,,x,,A-5\n"
        "INV-6,2026-11-25,,,58,A-6\n"
        "INV-7,,,,,A-7\n"
        "INV-1,2026-11-25,11:00,,,A-1\n"
        "INV-9,2026-11-25,,,,A-9\n"
    )
    assert [p.accession_number for p in found.procedures] == ["A-1", "A-9"]
    assert [(row.line, row.column) for row in found.refused] == [
        (3, "patient id"), (4, "day"), (5, "time"), (6, "sex"), (7, "weight"), (8, "day"), (9, None),
    ]  # fmt: skip
    assert "line 2" in found.refused[-1].reason


def test_unknown_columns_are_said_and_cancelled_rows_taken_back() -> None:
    found = read("mrn,date,order,status,ward\nINV-1,2026-11-25,A-1,cancelled,7\nINV-2,2026-11-25,A-2,,7\n")
    assert found.cancelled == ("A-1",)
    assert [p.key for p in found.procedures] == ["A-2"]
    assert [finding.code for finding in found.findings] == ["entry-column-unknown"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "empty"),
        ("name,date\nx,2026-11-25\n", "no column 'patient id'"),
        ("patient id,room\nINV-1,Room 2\n", "no column 'date'"),
        ("patient id,mrn,date\n1,2,2026-11-25\n", "two columns for patient id"),
    ],
)
def test_what_is_no_schedule_is_refused_whole(text: str, says: str) -> None:
    with pytest.raises(ReportRefusedError, match=says):
        read(text)


def test_a_workbook_is_read_like_a_text_file() -> None:
    book = Workbook()
    book.active.append(["patient id", "date", "time", "procedure"])
    day = datetime(2026, 11, 25, tzinfo=UTC).replace(tzinfo=None)
    book.active.append(["INV-1", day, time(8, 30), "TIPS"])
    out = io.BytesIO()
    book.save(out)
    found = read_schedule_table(out.getvalue(), file="list.xlsx")
    assert [p.scheduled_at for p in found.procedures] == ["2026-11-25T08:30:00"]


def test_without_a_number_the_key_is_patient_day_and_procedure() -> None:
    told = {"accession": None, "step": None, "procedure": "TIPS"}
    assert key_of(Patient(id="P1"), "2026-03-02T08:30:00", **told) == "P1 2026-03-02 TIPS"
    # an hour later it is the same procedure still
    assert key_of(Patient(id="P1"), "2026-03-02T09:30:00", **told) == "P1 2026-03-02 TIPS"


@pytest.mark.parametrize("text", ["", "8", "24:00", "8:61", "13:00 pm", "noon"])
def test_no_time_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="10:41"):
        time_from_text(text, field="time")


@pytest.mark.parametrize("text", ["", "2026", "31.04.2026", "2026-13-01", "tomorrow", "1.2.26"])
def test_no_day_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="2026-03-02"):
        day_from_text(text, DayOrder(True), field="day")
