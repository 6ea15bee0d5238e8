"""Received files on disk, synced before their sender is told, kept until the ledger has them.

    incoming/   being written; what a crash left here was never acknowledged
    waiting/    whole and synced; removed once the ledger has committed it

A name begins with the time of arrival, so names sort in the order of arrival.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

_DIGITS = 20  # of nanoseconds since 1970: names sort as numbers do
_NAMED_BY = 24  # hexadecimal digits of the digest


@dataclass(frozen=True, slots=True)
class Spool:
    """One folder of received files. Threads and processes may share it."""

    folder: Path
    now_ns: Callable[[], int] = time.time_ns

    @property
    def incoming(self) -> Path:
        """Where files are written; on the same disk as `waiting`."""
        return self.folder / "incoming"

    @property
    def waiting(self) -> Path:
        """Where whole files wait for the ledger."""
        return self.folder / "waiting"

    def prepare(self) -> None:
        """Make the folders, for their owner alone, and drop what was never whole."""
        for folder in (self.folder, self.incoming, self.waiting):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for left in self.incoming.iterdir():
            left.unlink(missing_ok=True)
        sync_folder(self.waiting)

    def accept(self, data: bytes, *, suffix: str = ".dcm") -> Path:
        """Write `data` so that it outlasts a loss of power, and give its place.

        OSError when the disk refuses; then nothing of it waits.
        """
        digest = hashlib.sha256(data).hexdigest()[:_NAMED_BY]
        name = f"{self.now_ns():0{_DIGITS}d}-{digest}{suffix}"
        part = self.incoming / f"{name}.{os.getpid()}"
        try:
            with part.open("xb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            target = self.waiting / name
            part.rename(target)
        except OSError:
            part.unlink(missing_ok=True)
            raise
        sync_folder(self.waiting)
        return target

    def files(self) -> list[Path]:
        """The files that wait, in order of arrival."""
        return sorted(path for path in self.waiting.iterdir() if path.is_file())

    def done(self, path: Path) -> None:
        """The ledger has committed this file: it waits no more."""
        path.unlink(missing_ok=True)


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` outlast a loss of power."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
