"""Tables of old systems through a saved mapping: values by hand, units against UCUM by pint, refusals."""

from __future__ import annotations

import io
from datetime import date, time, timedelta
from typing import Any

import openpyxl
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.errors import InputError, ReportRefusedError
from dosetrack.readers import read_report
from dosetrack.readers.dose_table import DoseTable, read_dose_table
from dosetrack.readers.table_mapping import DoseTableMapping, mapping_from_toml
from dosetrack.readers.table_suggestion import suggested_mapping
from dosetrack.records.report import DoseTotal

CASES = """\
[table]
decimal = ","
thousands = "."
date_format = "%d.%m.%Y"
time_zone = "Europe/Lisbon"
missing = ["", "-"]
[columns]
"No" = "accession_number"
"Who" = "patient_id"
"Sex" = { field = "sex", values = { W = "F" } }
"Day" = "date"
"Start" = "time"
"DAP" = { field = "dose_area_product", unit = "cGy.cm2" }
"AK" = { field = "reference_air_kerma", unit = "Gy" }
"Fluoro" = { field = "fluoroscopy_time", unit = "min:s" }
[constants]
plane = "single"
station = "Angio 7"
"""
HEAD = "No;Who;Sex;Day;Start;DAP;AK;Fluoro\n"


def mapping(text: str = CASES) -> DoseTableMapping:
    return mapping_from_toml(text.encode(), file="map.toml")


def table(rows: str, *, text: str = CASES, head: str = HEAD) -> DoseTable:
    return read_dose_table((head + rows).encode(), file="old.csv", mapping=mapping(text))


def test_a_row_is_a_report_in_house_units() -> None:
    found = table("X1;P1;W;04.07.2019;08:41;4.812,5;0,612;12:31\n")
    (one,) = found.reports
    report = one.report
    assert report.source == "table"
    # 4812.5 cGy.cm2 = 48.125 Gy.cm2; 0.612 Gy = 612 mGy; 12 min 31 s = 751 s: by hand
    assert report.totals == (DoseTotal("single", "stated", 48.125, 612.0, 751.0),)
    assert report.procedure.started_at == "2019-07-04T08:41:00+01:00"  # Lisbon in summer
    assert (report.patient.id, report.patient.sex) == ("P1", "F")
    assert (report.report.accession_number, report.equipment.station) == ("X1", "Angio 7")
    assert [f.code for f in report.findings] == ["table-source", "table-identity-derived"]
    assert not found.refused


def test_a_unit_that_cannot_be_is_suspected() -> None:
    # 48 Gy.cm2 at 612 mGy is a field of 79 cm2; in Gy.m2 it would be 790 m2
    (one,) = table(
        "X1;P1;W;04.07.2019;08:41;4.812,5;0,612;\n", text=CASES.replace("cGy.cm2", "cGy.m2")
    ).reports
    assert "scale-suspect" in [f.code for f in one.report.findings]


def test_an_empty_cell_is_not_known_and_zero_is_zero() -> None:
    (one,) = table("X1;P1;;04.07.2019;;0;-;\n").reports
    total = one.report.totals[0]
    assert (total.dose_area_product_gycm2, total.reference_air_kerma_mgy) == (0.0, None)
    assert total.fluoroscopy_time_s is None
    assert one.report.procedure.started_at == "2019-07-04"  # a day without a time stays a day


@pytest.mark.parametrize(
    ("row", "column", "found"),
    [
        ("X1;P1;;04.07.2019;;4812.5;;", "DAP", "4812.5"),  # a point where the table uses a comma
        ("X1;P1;;04.07.2019;;1.2345;;", "DAP", "1.2345"),
        ("X1;P1;;04.07.2019;;-3;;", "DAP", "-3"),
        ("X1;P1;;04.07.2019;;many;;", "DAP", "many"),
        ("X1;P1;;04.07.2019;;5;3 mGy;", "AK", "3 mGy"),  # another unit than the mapping's
        ("X1;P1;;2019/07/04;;5;;", "Day", "2019/07/04"),
        ("X1;P1;;31.02.2019;;5;;", "Day", "31.02.2019"),
        ("X1;P1;;04.07.2019;8h41;5;;", "Start", "8h41"),
        ("X1;P1;;;08:41;5;;", "Start", "08:41"),  # a time without a day
        ("X1;P1;x;04.07.2019;;5;;", "Sex", "x"),
        ("X1;P1;;04.07.2019;;5;;751", "Fluoro", "751"),
        ("X1;P1;;04.07.2019;;5;;1:12:31", "Fluoro", "1:12:31"),
        ("X1;P1;;04.07.2019;;;;", None, "without any dose"),
        (";;;04.07.2019;;5;;", None, "no case"),
        ("X1;P1;;04.07.2019;;5;;;;", None, "10 cells under 8 columns"),
    ],
)
def test_a_row_that_cannot_be_used_names_place_found_and_accepted(
    row: str, column: str | None, found: str
) -> None:
    result = table(f"X0;P0;;04.07.2019;;5;;\n{row}\nX2;P2;;04.07.2019;;6;;\n")
    (refused,) = result.refused
    assert (refused.file, refused.line, refused.column) == ("old.csv", 3, column)
    assert found in refused.found
    assert refused.accepted
    assert "line 3" in refused.reason
    assert [r.report.report.accession_number for r in result.reports] == ["X0", "X2"]


def test_planes_in_columns_of_their_own() -> None:
    text = CASES.replace(
        '"AK" = { field = "reference_air_kerma", unit = "Gy" }',
        '"AK" = { field = "reference_air_kerma", unit = "Gy", plane = "b" }',
    ).replace('unit = "cGy.cm2"', 'unit = "cGy.cm2", plane = "a"')
    (one,) = table("X1;P1;;04.07.2019;;100;2;1:00\n", text=text).reports
    assert one.report.totals == (
        DoseTotal("single", "stated", fluoroscopy_time_s=60.0),
        DoseTotal("a", "stated", dose_area_product_gycm2=1.0),
        DoseTotal("b", "stated", reference_air_kerma_mgy=2000.0),
    )


PARTS = """\
[table]
rows = "parts"
[columns]
"no" = "accession_number"
"day" = "date"
"plane" = { field = "plane", values = { F = "a", L = "b" } }
"dap" = { field = "dose_area_product", unit = "Gy.cm2" }
"""


def test_rows_of_one_case_add_up_per_plane() -> None:
    rows = "X1,2019-07-04,F,10\nX2,2019-07-04,F,7\nX1,2019-07-04,L,4\nX1,2019-07-05,F,2\n"
    found = table(rows, text=PARTS, head="no,day,plane,dap\n")
    totals = {r.report.report.accession_number: r.report.totals for r in found.reports}
    assert totals["X1"] == (DoseTotal("a", "stated", 12.0), DoseTotal("b", "stated", 4.0))
    assert totals["X2"] == (DoseTotal("a", "stated", 7.0),)


def test_a_case_is_never_read_in_part() -> None:
    rows = "X1,2019-07-04,F,10\nX2,2019-07-04,F,7\nX1,2019-07-04,L,oops\nX3,2019-07-04,,7\n"
    found = table(rows, text=PARTS, head="no,day,plane,dap\n")
    assert [r.report.report.accession_number for r in found.reports] == ["X2"]
    assert [(r.line, r.column) for r in found.refused] == [(2, None), (4, "dap"), (5, "plane")]
    assert "line 4" in found.refused[0].reason


def test_a_case_twice_is_refused_unless_the_mapping_says_what_it_means() -> None:
    found = table("X1;P1;;04.07.2019;;5;;\nX1;P1;;04.07.2019;;9;;\n")
    assert not found.reports
    assert [r.line for r in found.refused] == [2, 3]
    assert "parts" in found.refused[1].accepted


def test_the_same_line_twice_is_read_once() -> None:
    found = table("X1;P1;;04.07.2019;;5;;\nX1;P1;;04.07.2019;;5;;\n")
    assert len(found.reports) == 1
    assert "table-line-stands-twice" in [f.code for f in found.findings]


EVENTS = """\
[table]
rows = "events"
[columns]
"study" = "study_instance_uid"
"at" = "started_at"
"kind" = { field = "event_type", values = { cine = "stationary", fl = "fluoroscopy" } }
"dap" = { field = "dose_area_product", unit = "uGy.m2" }
"ka" = { field = "reference_air_kerma", unit = "mGy" }
"s" = { field = "duration", unit = "s" }
"kV" = { field = "kvp", unit = "kV" }
"lao" = { field = "primary_angle", unit = "deg" }
"n" = "frames"
[constants]
plane = "single"
"""


def test_rows_that_are_events_give_events_and_their_sums() -> None:
    rows = (
        "1.2.3,2019-07-04T08:41:00,fl,150,12.5,30,72,-25,\n"
        "1.2.3,2019-07-04T08:43:00,cine,250,20,4,80,10.5,60\n"
        "1.2.3,2019-07-04T08:43:00,cine,250,20,4,80,10.5,60\n"
    )
    (one,) = table(rows, text=EVENTS, head="study,at,kind,dap,ka,s,kV,lao,n\n").reports
    report = one.report
    assert [e.dose_area_product_gycm2 for e in report.events] == [1.5, 2.5, 2.5]  # 1 uGy.m2 = 0.01 Gy.cm2
    assert [e.primary_angle_deg for e in report.events] == [-25.0, 10.5, 10.5]
    assert [e.frames for e in report.events] == [None, 60.0, 60.0]
    assert len({e.uid for e in report.events}) == 3
    (single, _) = report.totals
    assert (single.dose_area_product_gycm2, single.fluoroscopy_time_s) == (6.5, 30.0)
    assert "table-parts-alike" in [f.code for f in report.findings]


def test_a_report_can_be_made_again_from_its_document_alone() -> None:
    for found in (
        table("X1;P1;W;27.10.2019;01:30;4.812,5;0,612;12:31\n"),
        table(
            "1.2.3,2019-07-04T08:41:00,fl,150,12,3,7,2,\n",
            text=EVENTS,
            head="study,at,kind,dap,ka,s,kV,lao,n\n",
        ),
    ):
        (one,) = found.reports
        assert read_report(one.document, file=one.report.file) == one.report


def test_the_hour_that_comes_twice_is_said() -> None:
    (one,) = table("X1;P1;W;27.10.2019;01:30;5;;\n").reports  # clocks back at 2:00 summer time
    assert one.report.procedure.started_at == "2019-10-27T01:30:00+01:00"
    assert "table-time-occurs-twice" in [f.code for f in one.report.findings]


def test_what_the_file_is_called_or_how_it_is_delimited_does_not_make_another_report() -> None:
    rows = "X1;P1;W;04.07.2019;08:41;4.812,5;0,612;12:31\n"
    one = table(rows).reports[0].report
    other_text = CASES.replace("[table]", '# read again\n[table]\ndelimiter = ";"\nencoding = "utf-16"')
    data = (HEAD + rows).encode("utf-16")
    other = read_dose_table(data, file="new.csv", mapping=mapping(other_text)).reports[0].report
    assert (one.sha256, one.report.sop_instance_uid) == (other.sha256, other.report.sop_instance_uid)


def test_another_unit_in_the_mapping_makes_other_content_of_the_same_report() -> None:
    rows = "X1;P1;W;04.07.2019;08:41;4.812,5;0,612;12:31\n"
    one = table(rows).reports[0].report
    other = table(rows, text=CASES.replace("cGy.cm2", "dGy.cm2")).reports[0].report
    assert one.sha256 != other.sha256
    assert one.report.sop_instance_uid == other.report.sop_instance_uid


def test_a_workbook_with_its_own_numbers_days_and_times() -> None:
    book = openpyxl.Workbook()
    book.active.title = "other"
    sheet = book.create_sheet("cases")
    sheet.append(["made in 2019"])
    sheet.append(HEAD.strip().split(";"))
    sheet.append(["X1", 4711, "W", date(2019, 7, 4), time(8, 41), 4812.5, 0.612, "12:31"])
    sheet.append(["X2", 4712, "M", date(2019, 7, 4), time(8, 41), 10, 1, timedelta(minutes=12, seconds=31)])
    data = io.BytesIO()
    book.save(data)
    text = CASES.replace("[table]", '[table]\nsheet = "cases"\nheader_line = 2')
    found = read_dose_table(data.getvalue(), file="old.xlsx", mapping=mapping(text))
    assert found.reports[0].report.totals == (DoseTotal("single", "stated", 48.125, 612.0, 751.0),)
    assert found.reports[0].report.patient.id == "4711"
    # 0:12:31 may be 12 min 31 s or, typed as 12:31, 12 h 31 min: the mapping must say three parts
    assert [(r.line, r.column) for r in found.refused] == [(4, "Fluoro")]


REGISTRY: pint.UnitRegistry = pint.UnitRegistry()
UNITS = {"mGy.cm2": "mGy*cm**2", "uGy.m2": "uGy*m**2", "dGy.cm2": "dGy*cm**2", "Gy.m2": "Gy*m**2"}


@given(unit=st.sampled_from(sorted(UNITS)), digits=st.integers(1, 10**7), places=st.integers(0, 4))
def test_any_number_in_any_unit_is_what_pint_makes_of_it(unit: str, digits: int, places: int) -> None:
    plain = f"{digits / 10**places:.{places}f}"
    whole, _, part = plain.partition(".")
    text = f"{int(whole):,}".replace(",", ".") + (f",{part}" if part else "")
    found = table(f"X1;P1;;04.07.2019;;{text};;\n", text=CASES.replace("cGy.cm2", unit))
    expected = (float(plain) * REGISTRY(UNITS[unit])).to("Gy*cm**2").magnitude
    assert found.reports[0].report.totals[0].dose_area_product_gycm2 == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        (', unit = "cGy.cm2"', "", "'DAP' unit"),
        ('unit = "cGy.cm2"', 'unit = "mGy"', "'DAP' unit"),
        ('plane = "single"', "", "'DAP' plane"),
        ('plane = "single"', 'plane = "frontal"', "[constants] plane"),
        ('"patient_id"', '"pateint"', "'Who' field"),
        ('decimal = ","', 'decimal = "comma"', "decimal"),
        ('thousands = "."', 'thousands = ","', "thousands"),
        ('date_format = "%d.%m.%Y"', 'date_format = "dd.mm.yyyy"', "date_format"),
        ("Europe/Lisbon", "Europe/Nowhere", "time zone"),
        ("[table]", "[tabel]", "map.toml"),
        ("[table]", '[table]\nrows = "lines"', "rows"),
        ("[table]", "[table]\nheader_line = true", "header_line"),
        ("[table]", '[table]\nencoding = "klingon"', "encoding"),
        ("[table]", '[table]\ncase_by = ["nothing"]', "case_by"),
        ("[columns]", "[columns", "map.toml"),
    ],
)
def test_a_mapping_that_leaves_something_open_is_refused(old: str, new: str, place: str) -> None:
    with pytest.raises(InputError) as caught:
        mapping(CASES.replace(old, new, 1))
    assert place in caught.value.field
    assert caught.value.accepted


@pytest.mark.parametrize(
    ("head", "reason"),
    [
        ("No;Who;Sex;Day;Start;DAP;AK\n", "no column 'Fluoro'"),
        ("No;Who;Sex;Day;Start;DAP;AK;Fluoro;DAP\n", "2 columns 'DAP'"),
    ],
)
def test_headings_must_be_those_of_the_mapping(head: str, reason: str) -> None:
    with pytest.raises(ReportRefusedError) as caught:
        table("X1;P1;;04.07.2019;;5;;\n", head=head)
    assert reason in caught.value.reason


def test_a_suggestion_is_completed_by_a_person_and_then_reads() -> None:
    head = "Accession;Patient ID;Name;Exam date;Start;DAP [cGy.cm2];AK frontal;Fluoro time;Shoe size\n"
    rows = "X1;P1;Nobody^Invented;04.07.2019;08:41;4.812,5;0,6;12:31;43\n"
    text = suggested_mapping((head + rows).encode(), file="old.csv")
    assert "Nobody" not in text
    assert 'decimal = ","' in text
    assert 'thousands = "."' in text
    assert '# "Shoe size"' in text
    with pytest.raises(InputError):  # the unit of AK is not told, nor the plane of DAP
        mapping(text)
    completed = text.replace('unit = ""', 'unit = "Gy"').replace('# plane = "single"', 'plane = "single"')
    (one,) = read_dose_table((head + rows).encode(), file="o.csv", mapping=mapping(completed)).reports
    assert one.report.totals == (
        DoseTotal("single", "stated", 48.125, None, 751.0),
        DoseTotal("a", "stated", None, 600.0),
    )


@given(
    st.lists(
        st.text(alphabet=st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=12),
        max_size=8,
    )
)
def test_no_row_of_any_text_stops_the_others(cells: list[str]) -> None:
    row = ";".join('"' + cell.replace('"', '""') + '"' for cell in cells)
    found = table(f"{row}\nX2;P2;;04.07.2019;;6;;\n")
    told: list[Any] = [r for r in found.reports if r.report.report.accession_number == "X2"]
    assert len(told) == 1
