"""Files on their way into the ledger: found, digested, read."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from dosetrack.errors import ReportRefusedError
from dosetrack.ledger import PackedOriginal, pack_original
from dosetrack.readers import read_report
from dosetrack.readers.series import Series, series_of
from dosetrack.records.report import DoseReport, RefusedFile
from dosetrack.services.heads import head_of, shown_name


class Reader(Protocol):
    """What `read_report` is."""

    def __call__(self, data: bytes, *, file: str) -> DoseReport:
        """The report in `data`."""


@dataclass(frozen=True, slots=True)
class FoundFile:
    """A file to take in.

    sha256, size : of the bytes kept of it (of an image its header), once digested [byte]
    series : the study and machine it tells, once digested; None where none is found
    is_repeated : others of its series came or come
    error : why it cannot be opened
    """

    path: Path
    sha256: str | None = None
    size: int = 0
    series: Series | None = None
    is_repeated: bool = False
    error: str | None = None


@dataclass(frozen=True, slots=True)
class ReadFile:
    """A file that was read: the report and its packed bytes, or the refusal."""

    path: Path
    report: DoseReport | None
    original: PackedOriginal | None
    refused: RefusedFile | None


def files_under(paths: Sequence[Path]) -> list[FoundFile]:
    """Every file named by `paths`, directories walked in sorted order, hidden files left out.

    A folder that cannot be opened is listed with the reason. Nothing is read yet.
    """
    found: list[FoundFile] = []
    for path in paths:
        found.extend(_walked(path) if path.is_dir() else [FoundFile(path=path)])
    return found


def _walked(folder: Path) -> Iterator[FoundFile]:
    errors: list[OSError] = []
    for root, folders, names in os.walk(folder, onerror=errors.append):
        folders.sort()
        for name in sorted(names):
            if not name.startswith("."):
                yield FoundFile(path=Path(root) / name)
    for error in errors:
        yield FoundFile(path=Path(error.filename or folder), error=_opening_failed(error))


def digested(found: FoundFile) -> FoundFile:
    """`found` with digest and series of the bytes kept of it, or with the reason why it cannot be opened."""
    if found.error:
        return found
    try:
        if found.path.exists() and not found.path.is_file():
            return replace(found, error="not a regular file; a readable file is expected")
        with found.path.open("rb") as stream:
            kept = head_of(stream, file=shown_name(found.path))
            sha256 = hashlib.sha256(kept).hexdigest()
            return replace(found, sha256=sha256, size=len(kept), series=series_of(kept))
    except ReportRefusedError as error:
        return replace(found, error=error.reason)
    except OSError as error:
        return replace(found, error=_opening_failed(error))


def content_of(path: Path) -> bytes:
    """The whole file; ReportRefusedError when it cannot be opened."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise ReportRefusedError(file=shown_name(path), reason=_opening_failed(error)) from error


def _opening_failed(error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return "there is no such file or folder"
    return f"cannot be opened ({error.strerror or error}); a readable file is expected"


def read_file(found: FoundFile, read: Reader = read_report) -> ReadFile:
    """`found` read as a dose report, or the refusal in one sentence. read : in place of `read_report`."""
    path, name = found.path, shown_name(found.path)
    if found.error:
        return ReadFile(path, None, None, RefusedFile(file=name, reason=found.error))
    try:
        with path.open("rb") as stream:
            data = head_of(stream, file=name)
        return ReadFile(path, read(data, file=name), pack_original(data), None)
    except ReportRefusedError as error:
        return ReadFile(path, None, None, RefusedFile(file=name, reason=error.reason))
    except OSError as error:
        return ReadFile(path, None, None, RefusedFile(file=name, reason=_opening_failed(error)))
