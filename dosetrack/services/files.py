"""Files on their way into the ledger: found, read in other processes, handed over in order."""

from __future__ import annotations

import hashlib
import os
import signal
import threading
from collections import deque
from collections.abc import Generator, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context, parent_process
from multiprocessing.connection import wait
from pathlib import Path

from dosetrack.errors import ReportRefusedError
from dosetrack.ledger import PackedOriginal, pack_original
from dosetrack.readers import read_report
from dosetrack.records.report import DoseReport, RefusedFile
from dosetrack.services.heads import head_of, shown_name

_FILES_AHEAD, _BYTES_AHEAD = 40, 64 << 20
"""In flight at once: enough that every process has work while a batch is written, and memory stays flat."""


@dataclass(frozen=True, slots=True)
class FoundFile:
    """A file to take in.

    sha256, size : of the bytes kept of it (of an image its header), once digested [byte]
    error : why it cannot be opened
    """

    path: Path
    sha256: str | None = None
    size: int = 0
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
    """`found` with the digest of the bytes kept of it, or with the reason why it cannot be opened."""
    if found.error:
        return found
    try:
        if found.path.exists() and not found.path.is_file():
            return replace(found, error="not a regular file; a readable file is expected")
        with found.path.open("rb") as stream:
            kept = head_of(stream, file=shown_name(found.path))
            return replace(found, sha256=hashlib.sha256(kept).hexdigest(), size=len(kept))
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
    return f"cannot be opened ({error.strerror or error}); a readable file is expected"


def read_in_order(files: Iterable[FoundFile], *, workers: int) -> Generator[ReadFile, None, None]:
    """`files` read as dose reports on `workers` processes, in the order given.

    Only a few files are in flight at once, so memory does not grow with their number. With one
    worker everything happens in this process.
    """
    if workers <= 1:
        yield from (read_file(found) for found in files)
        return
    waiting: deque[tuple[Future[ReadFile], int]] = deque()
    ahead = 0
    # 'spawn' because the caller may run threads (a server), which a fork would copy half-way
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_follow_parent)
    try:
        for found in files:
            waiting.append((pool.submit(read_file, found), found.size))
            ahead += found.size
            while len(waiting) > _FILES_AHEAD or (len(waiting) > workers and ahead > _BYTES_AHEAD):
                future, size = waiting.popleft()
                ahead -= size
                yield future.result()
        while waiting:
            yield waiting.popleft()[0].result()
    finally:
        pool.shutdown(cancel_futures=True)


def _follow_parent() -> None:
    """In a reading process: leave interrupts to the parent, and end when it is gone, however it ended."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)


def read_file(found: FoundFile) -> ReadFile:
    """`found` read as a dose report, or the refusal in one sentence."""
    path = found.path
    if found.error:
        return ReadFile(path, None, None, RefusedFile(file=shown_name(path), reason=found.error))
    try:
        with path.open("rb") as stream:
            data = head_of(stream, file=shown_name(path))
        return ReadFile(path, read_report(data, file=shown_name(path)), pack_original(data), None)
    except ReportRefusedError as error:
        return ReadFile(path, None, None, RefusedFile(file=shown_name(path), reason=error.reason))
    except OSError as error:
        return ReadFile(path, None, None, RefusedFile(file=shown_name(path), reason=_opening_failed(error)))
