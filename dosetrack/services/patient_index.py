"""The patient index as a file: who died, asked before a call list is printed."""

from __future__ import annotations

import csv
from collections.abc import Collection, Mapping
from datetime import date, datetime
from pathlib import Path

from dosetrack.errors import InputError
from dosetrack.workflow import Workflow
from dosetrack.workflow.following_up import PatientKey

_COLUMNS = ("patient_id", "patient_issuer", "died_on")


class FileOfDeaths:
    """A CSV with the columns patient_id, patient_issuer, died_on (YYYY-MM-DD); read anew each time."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def died(self, patients: Collection[PatientKey]) -> Mapping[PatientKey, str]:
        """Day of death of those of `patients` who stand in the file.

        A line without an issuer holds for every issuer of that number.

        Raises
        ------
        InputError
            The file cannot be read, lacks a column, or holds a day that is none.
        """
        listed = self._listed()
        found = {}
        for patient_id, issuer in patients:
            day = listed.get((patient_id, issuer)) or listed.get((patient_id, None))
            if day is not None:
                found[(patient_id, issuer)] = day
        return found

    def source(self) -> str:
        """'list of deaths deaths.csv, as of 2026-03-02'."""
        try:
            changed = datetime.fromtimestamp(self._path.stat().st_mtime).astimezone()
        except OSError as error:
            raise self._unreadable(error.strerror or "not there") from error
        return f"list of deaths {self._path.name}, as of {changed.date().isoformat()}"

    def _listed(self) -> dict[PatientKey, str]:
        try:
            text = self._path.read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as error:
            raise self._unreadable(str(error)) from error
        rows = csv.DictReader(text.splitlines())
        lacking = [name for name in _COLUMNS if name not in (rows.fieldnames or ())]
        if lacking:
            raise self._unreadable(f"no column {', '.join(lacking)}")
        return dict(self._entry(row, line) for line, row in enumerate(rows, start=2))

    def _entry(self, row: Mapping[str, str | None], line: int) -> tuple[PatientKey, str]:
        number, issuer, day = ((row[name] or "").strip() for name in _COLUMNS)
        try:
            return (number, issuer or None), date.fromisoformat(day).isoformat()
        except ValueError:
            raise self._unreadable(f"line {line}: {day!r} is no day") from None

    def _unreadable(self, why: str) -> InputError:
        accepted = f"a CSV in UTF-8 with the columns {', '.join(_COLUMNS)} (YYYY-MM-DD); {why}"
        return InputError(field="list of deaths", given=str(self._path), accepted=accepted)


def ask_patient_index(workflow: Workflow) -> None:
    """Let `workflow` ask the site's list of deaths, where one is set."""
    path = workflow.settings().text("follow_up.deaths_file")
    workflow.patient_index = FileOfDeaths(Path(path)) if path else None
