"""A SQLite ledger opened for reading: nothing is written, and no file is made beside it.

While a ledger is open its newest entries stand in a second file (`-wal`, with an index in `-shm`);
the last to close it puts them into the first. A reader who may not write there can read both files
where they are, but cannot make them. So there are four ways, by what is there:

- The reader may write: the files are made and used as by anyone (`mode=ro` writes no entry).
- Both files are there: they are read, the index without changing it.
- There is no second file, or an empty one that nobody uses: everything stands in the first, and it
  is read as it is. SQLite does not notice a writer who comes then, so `Stillness` does.
- The second file holds entries and has no index: its owner must open it once.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from dosetrack.errors import LedgerError


@dataclass(frozen=True, slots=True)
class Stillness:
    """What shows whether a ledger that is read as it is was written to meanwhile."""

    file: Path
    size: int
    changed_ns: int

    @classmethod
    def of(cls, file: Path) -> Stillness:
        """The ledger as it stands now."""
        stat = file.stat()
        return cls(file, stat.st_size, stat.st_mtime_ns)

    def require(self) -> None:
        """LedgerError when it stands no longer as it did: what was read may be torn."""
        if _size(_beside(self.file, "-wal")) or Stillness.of(self.file) != self:
            raise LedgerError(f"the ledger at {self.file} was written to while it was read; run this again")


@dataclass(frozen=True, slots=True)
class ReadOnlyAddress:
    """How SQLite is asked for it. still : what must hold after each reading; None where SQLite sees to it."""

    uri: str
    still: Stillness | None


def read_only_address(file: Path) -> ReadOnlyAddress:
    """The way to read the ledger in `file`, by what stands beside it and what this user may do.

    Raises
    ------
    LedgerError
        It cannot be read; the message says what is wanted.
    """
    file = file.absolute()
    log, index = _beside(file, "-wal"), _beside(file, "-shm")
    for one in (file, log, index):
        if one.exists() and not _may(one, os.R_OK):
            raise LedgerError(
                f"the ledger at {file} cannot be read: no permission to read {one.name}; its owner can give "
                f"it for all three files, {file.name}, {log.name} and {index.name}"
            )
    if _may_write(file):
        return ReadOnlyAddress(_uri(file, "mode=ro"), None)
    if log.exists() and index.exists():
        return ReadOnlyAddress(_uri(file, "mode=ro&readonly_shm=1"), None)
    if _size(log):
        raise LedgerError(
            f"the ledger at {file} cannot be read here: its newest entries stand in {log.name}, left by a "
            "program that was broken off. Let someone who may write there open it once (any command "
            f"does), or copy {file.name} and {log.name} to a folder of your own and read them there"
        )
    return ReadOnlyAddress(_uri(file, "immutable=1"), Stillness.of(file))


def _may_write(file: Path) -> bool:
    """Whether this user may make files beside it that its owner can use too."""
    is_theirs = os.name != "posix" or os.geteuid() in (0, file.stat().st_uid)
    return is_theirs and is_writable(file)


def is_writable(file: Path) -> bool:
    """Whether this user may write the file and make others beside it."""
    return _may(file.absolute().parent, os.W_OK) and _may(file, os.W_OK)


def _may(path: Path, mode: int) -> bool:
    return os.access(path, mode, effective_ids=os.access in os.supports_effective_ids)


def _beside(file: Path, ending: str) -> Path:
    return file.with_name(file.name + ending)


def _size(file: Path) -> int:
    return file.stat().st_size if file.exists() else 0


def _uri(file: Path, query: str) -> str:
    return f"file:{quote(str(file))}?{query}"
