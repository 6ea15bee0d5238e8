"""Received files on disk, synced before their sender is told, kept until the ledger has them.

    incoming/   being written; what a crash left here was never acknowledged
    waiting/    whole and synced; removed once the ledger has committed it
    held-back/  brought out a fault of this program; put back to wait at every start
    in-use      locked by the one process that receives into this folder

A name begins with the time of arrival, so names sort in the order of arrival. A clock that was
set back changes nothing of that order: a name never sorts before one given earlier.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

try:
    import fcntl
except ImportError:  # a system without it lets two receivers share a folder; nothing is lost by that
    fcntl = None  # type: ignore[assignment]

_DIGITS = 20  # of nanoseconds since 1970: names sort as numbers do
_NAMED_BY = 24  # hexadecimal digits of the digest


class Spool:
    """One folder of received files. Threads share it; other processes may take files out of it.

    Parameters
    ----------
    now_ns : time of arrival, nanoseconds since 1970
    """

    def __init__(self, folder: Path, now_ns: Callable[[], int] = time.time_ns) -> None:
        self.folder = folder
        self.incoming = folder / "incoming"
        self.waiting = folder / "waiting"
        self.held_back = folder / "held-back"
        self._now_ns = now_ns
        self._turn = threading.Lock()
        self._last_number = 0
        self._claim: int | None = None

    def prepare(self) -> None:
        """Make the folders, for their owner alone, and drop what was never whole.

        OSError where the folder cannot be used, BlockingIOError where another process receives into it.
        """
        for folder in (self.folder, self.incoming, self.waiting, self.held_back):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._claim_folder()
        for left in self.incoming.iterdir():
            left.unlink(missing_ok=True)
        for held in self.held_back.iterdir():
            held.rename(self.waiting / held.name)
        for folder in (self.folder.parent, self.folder, self.waiting):
            sync_folder(folder)
        self._last_number = max(map(_number_in, self.files()), default=0)

    def release(self) -> None:
        """Let another process receive into this folder."""
        if self._claim is not None:
            os.close(self._claim)
            self._claim = None

    def accept(self, data: bytes, *, suffix: str = ".dcm") -> Path:
        """Write `data` so that it outlasts a loss of power, and give its place.

        OSError when the disk refuses; then nothing of it waits.
        """
        digest = hashlib.sha256(data).hexdigest()[:_NAMED_BY]
        name = f"{self._next_number():0{_DIGITS}d}-{digest}{suffix}"
        part, target = self.incoming / name, self.waiting / name
        try:
            with part.open("xb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            part.rename(target)
            sync_folder(self.waiting)
        except OSError:
            for left in (part, target):  # the sender will come again
                with contextlib.suppress(OSError):
                    left.unlink(missing_ok=True)
            raise
        return target

    def files(self) -> list[Path]:
        """The files that wait, in order of arrival."""
        return sorted(path for path in self.waiting.iterdir() if path.is_file())

    def done(self, path: Path) -> None:
        """The ledger has committed this file: it waits no more."""
        path.unlink(missing_ok=True)

    def hold_back(self, path: Path) -> None:
        """Let the others go on without this file until the next start."""
        with contextlib.suppress(FileNotFoundError):  # taken in meanwhile
            path.rename(self.held_back / path.name)

    def _next_number(self) -> int:
        with self._turn:
            self._last_number = max(self._now_ns(), self._last_number + 1)
            return self._last_number

    def _claim_folder(self) -> None:
        if fcntl is None or self._claim is not None:
            return
        claim = os.open(self.folder / "in-use", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(claim, fcntl.LOCK_EX | fcntl.LOCK_NB)  # the system frees it when the process ends
        except OSError:
            os.close(claim)
            raise
        self._claim = claim


def _number_in(path: Path) -> int:
    digits = path.name.partition("-")[0]
    return int(digits) if digits.isascii() and digits.isdigit() else 0


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` outlast a loss of power."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
