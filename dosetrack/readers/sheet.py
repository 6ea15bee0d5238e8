"""The cells of a table file (CSV or XLSX) as text, with their line numbers."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from dosetrack.errors import ReportRefusedError

_ZIP, _OLD_OFFICE = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
_WORKBOOKS = (".xlsx", ".xlsm")
_DELIMITERS = (";", "\t", ",")
_ACCEPTED = "a CSV file (comma, semicolon or tab between columns) or an XLSX workbook"


@dataclass(frozen=True, slots=True)
class SheetLine:
    """One line: its number in the file, counted from 1, and its cells, trimmed; empty is ''."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SheetForm:
    """How a table is written, where that is known; '' is found out from the file.

    encoding, delimiter : of a CSV file
    sheet : name of a workbook's sheet; '' is the first
    decimal : sign with which a workbook's numbers are written out
    """

    encoding: str = ""
    delimiter: str = ""
    sheet: str = ""
    decimal: str = "."


_UNKNOWN_FORM = SheetForm()


def sheet_lines(data: bytes, *, file: str, form: SheetForm = _UNKNOWN_FORM) -> list[SheetLine]:
    """The lines of one sheet that hold anything.

    Raises
    ------
    ReportRefusedError
        Not a table, or an empty one.
    """
    if not data.strip():
        raise ReportRefusedError(file=file, reason=f"the file is empty; accepted: {_ACCEPTED}")
    if data.startswith(_OLD_OFFICE):
        raise ReportRefusedError(file=file, reason=f"an old workbook format; accepted: {_ACCEPTED}")
    if file.lower().endswith(_WORKBOOKS) and not data.startswith(_ZIP):
        raise ReportRefusedError(file=file, reason=_no_workbook(data))
    read = _workbook_lines if data.startswith(_ZIP) else _text_lines
    lines = read(data, file=file, form=form)
    found = [line for line in lines if any(line.cells)]
    if not found:
        raise ReportRefusedError(file=file, reason=f"no line holds anything; accepted: {_ACCEPTED}")
    return found


def _no_workbook(data: bytes) -> str:
    """What is said of a file with the name of a workbook that is none."""
    what = "something else"
    if data.lstrip()[:1] == b"<":
        what = "a web page"
    elif b"\0" not in data[:4096]:
        what = "text"
    return (
        f"named as a workbook, but {what} stands in it; accepted: an XLSX workbook, "
        "or a table in text under a name that ends in .csv"
    )


def _text_lines(data: bytes, *, file: str, form: SheetForm) -> Iterator[SheetLine]:
    text = _decoded(data, file=file, encoding=form.encoding)
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = form.delimiter or _delimiter(first)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    start = 1
    try:
        for cells in reader:
            yield SheetLine(start, tuple(cell.strip() for cell in cells))
            start = reader.line_num + 1
    except csv.Error as error:
        raise ReportRefusedError(file=file, reason=f"line {start}: {error}; accepted: {_ACCEPTED}") from error


def _decoded(data: bytes, *, file: str, encoding: str) -> str:
    """As told; else UTF-8, UTF-16 with its mark, or the western code page spreadsheets write."""
    if encoding:
        try:
            return data.decode(encoding).removeprefix("\ufeff")
        except UnicodeDecodeError as error:
            reason = (
                f"not written in {encoding}: byte {error.start} does not fit; accepted: the encoding used"
            )
            raise ReportRefusedError(file=file, reason=reason) from None
    encodings = ("utf-16",) if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" not in text:
            return text
    raise ReportRefusedError(file=file, reason=f"not text and not a workbook; accepted: {_ACCEPTED}")


def _delimiter(header: str) -> str:
    """The separator that occurs most in the header outside quotes."""
    outside = "".join(part for index, part in enumerate(header.split('"')) if index % 2 == 0)
    return max(_DELIMITERS, key=outside.count)


def _workbook_lines(data: bytes, *, file: str, form: SheetForm) -> Iterator[SheetLine]:
    from zipfile import BadZipFile

    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        try:
            if form.sheet and form.sheet not in book.sheetnames:
                reason = f"no sheet {form.sheet!r}; accepted: {', '.join(map(repr, book.sheetnames))}"
                raise ReportRefusedError(file=file, reason=reason)
            sheet = book[form.sheet] if form.sheet else book.worksheets[0]
            rows = list(sheet.iter_rows(values_only=True))
        finally:
            book.close()
    except ReportRefusedError:
        raise
    except (BadZipFile, InvalidFileException, KeyError, IndexError, ValueError, OSError) as error:
        raise ReportRefusedError(
            file=file, reason=f"the workbook cannot be read; accepted: {_ACCEPTED}"
        ) from error
    for number, row in enumerate(rows, start=1):
        cells = [_cell_text(value, form.decimal) for value in row]
        while cells and not cells[-1]:
            cells.pop()
        yield SheetLine(number, tuple(cells))


def _cell_text(value: object, decimal: str) -> str:
    """A workbook's cell as a person sees it: numbers with their digits, days as YYYY-MM-DD."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(timespec="seconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        return value.isoformat(timespec="seconds")
    if isinstance(value, timedelta):
        minutes, seconds = divmod(round(value.total_seconds()), 60)
        return f"{minutes // 60}:{minutes % 60:02}:{seconds:02}"
    if isinstance(value, float):
        return f"{value:.15g}".replace(".", decimal)
    return str(value).strip()
