"""Watched folders: what appears in them is taken in once; nothing in them is changed or removed.

A file is taken when its size and time of change have stood still between two looks, so that one that
is still being copied waits. The ledger knows what it holds by digest. What was looked at is remembered
by name, size and time of change, so that a restart does not read everything again.
"""

from __future__ import annotations

import json
import logging
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from stat import S_ISREG
from threading import Event, Thread

from dosetrack.errors import DosetrackError
from dosetrack.records.people import Actor
from dosetrack.services.follow_up_settle import MapSettler
from dosetrack.services.heads import shown_name
from dosetrack.services.ingest import ingest
from dosetrack.workflow import Workflow
from dosetrack.workflow.base import SYSTEM

_LOG = logging.getLogger(__name__)
_FILES_A_TURN = 25
_MOST_KEPT_UNREAD = 64 * 1024 * 1024
_UNFINISHED = (".part", ".tmp", ".crdownload", ".filepart")
"""Endings that copying programs give to files on their way; the whole file gets its name at the end."""


@dataclass(frozen=True, slots=True)
class Look:
    """How a file looked: size [bytes] and time of its last change [ns]."""

    size: int
    changed_ns: int


class Memo:
    """What was dealt with, by path, kept in a small file between runs.

    Parameters
    ----------
    file : None: kept in memory alone
    """

    def __init__(self, file: Path | None = None) -> None:
        self._file = file
        self._done: dict[str, Look] = {}
        self._is_changed = False

    def load(self, *, position: int) -> None:
        """Read what earlier runs dealt with. position : of the ledger.

        It is begun anew where it cannot be read, or tells of more than the ledger holds: then an older
        copy of the ledger was put back.
        """
        if self._file is None:
            return
        try:
            stored = json.loads(self._file.read_text(encoding="utf-8"))
            done = {path: Look(int(size), int(ns)) for path, (size, ns) in stored["files"].items()}
            is_older = int(stored["position"]) > position
        except FileNotFoundError:
            return
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            _LOG.warning("%s cannot be read; every file is looked at again", self._file)
            return
        if is_older:
            _LOG.warning(
                "the ledger is older than the list of files dealt with; every file is looked at again"
            )
        else:
            self._done = done

    def knows(self, path: Path, look: Look) -> bool:
        """Whether the file was dealt with as it looks now."""
        return self._done.get(shown_name(path)) == look

    def remember(self, path: Path, look: Look) -> None:
        """This file was dealt with as it looks now."""
        self._done[shown_name(path)] = look
        self._is_changed = True

    def forget_gone(self, folder: Path, present: set[str]) -> None:
        """Files of `folder` that are no longer there need not be remembered."""
        below = f"{shown_name(folder)}{os.sep}"
        for path in [p for p in self._done if p.startswith(below) and p not in present]:
            del self._done[path]
            self._is_changed = True

    def keep(self, *, position: int) -> None:
        """Write it where it changed. Without it the ledger still knows every file by its digest."""
        if self._file is None or not self._is_changed:
            return
        part = self._file.with_name(f"{self._file.name}.{os.getpid()}")
        files = {path: (look.size, look.changed_ns) for path, look in self._done.items()}
        try:
            self._file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            part.write_text(json.dumps({"position": position, "files": files}), encoding="utf-8")
            part.replace(self._file)
            self._is_changed = False
        except OSError as error:
            part.unlink(missing_ok=True)
            _LOG.warning("the list of files dealt with cannot be kept (%s)", error.strerror)


class FolderWatch:
    """Looks at folders again and again; `look` is one round.

    Parameters
    ----------
    say : told each thing a person should know, once
    """

    def __init__(
        self,
        workflow: Workflow,
        folders: Sequence[Path],
        *,
        memo: Memo | None = None,
        actor: Actor = SYSTEM,
        say: Callable[[str], None] = _LOG.warning,
    ) -> None:
        self.workflow = workflow
        self._folders = tuple(dict.fromkeys(Path(os.path.abspath(folder)) for folder in folders))  # noqa: PTH100
        self._memo = memo if memo is not None else Memo()
        self._memo.load(position=workflow.position())
        self.stopping = Event()
        self._actor = actor
        self._say = say
        self._before: dict[Path, Look] = {}
        self._absent: set[Path] = set()
        self._unopened: set[str] = set()

    def look(self) -> int:
        """Take in what has stood still since the last look; how many files were dealt with."""
        now: dict[Path, Look] = {}
        for folder in self._folders:
            now.update(self._listed(folder))
        fresh = {path: look for path, look in now.items() if not self._memo.knows(path, look)}
        ready = [path for path, look in fresh.items() if self._before.get(path) == look]
        self._before = fresh
        done = 0
        try:
            for start in range(0, len(ready), _FILES_A_TURN):
                if self.stopping.is_set():
                    break
                done += self._take_in(ready[start : start + _FILES_A_TURN], now)
        finally:
            self._memo.keep(position=self.workflow.position())
        return done

    def _listed(self, folder: Path) -> dict[Path, Look]:
        """The files under `folder` and how they look; none while it cannot be reached."""
        errors: list[OSError] = []
        found: dict[Path, Look] = {}
        for root, folders, names in os.walk(folder, onerror=errors.append):
            folders[:] = sorted(name for name in folders if not name.startswith("."))
            for name in sorted(names):
                path = Path(root) / name
                if (look := _look_at(path)) is not None:
                    found[path] = look
        self._tell_of_folder(folder, errors)
        if not errors:
            self._memo.forget_gone(folder, {shown_name(path) for path in found})
        return found

    def _tell_of_folder(self, folder: Path, errors: Sequence[OSError]) -> None:
        for error in errors:
            place = Path(os.fsdecode(error.filename)) if error.filename else folder
            if place not in self._absent:
                self._absent.add(place)
                self._say(f"{shown_name(place)}: cannot be looked into ({error.strerror}); it is tried again")
        failing = {os.fsdecode(error.filename) for error in errors if error.filename}
        for place in [p for p in self._absent if _is_in(p, folder) and str(p) not in failing]:
            self._absent.discard(place)
            if place.is_dir():
                self._say(f"{shown_name(place)}: is there again")

    def _take_in(self, paths: Sequence[Path], now: dict[Path, Look]) -> int:
        result = ingest(self.workflow, paths, actor=self._actor, workers=1)
        refused: dict[str, list[str]] = {}
        for one in result.refused:
            refused.setdefault(one.file, []).append(one.reason)
        dealt_with = 0
        for path in paths:
            reasons = refused.get(shown_name(path), [])
            if _look_at(path) != now[path]:
                continue  # changed or gone while it was read: look again
            if not reasons or self._kept_apart(path, reasons, size=now[path].size):
                self._memo.remember(path, now[path])
                dealt_with += 1
        return dealt_with

    def _kept_apart(self, path: Path, reasons: Sequence[str], *, size: int) -> bool:
        """Keep what cannot be read in quarantine and name it; False when it must be tried again."""
        name = shown_name(path)
        try:
            with path.open("rb") as stream:
                data = stream.read(_MOST_KEPT_UNREAD) if size <= _MOST_KEPT_UNREAD else b""
        except OSError as error:
            if name not in self._unopened:
                self._unopened.add(name)
                self._say(f"{name}: cannot be opened ({error.strerror}); it is tried again")
            return False
        self._unopened.discard(name)
        for reason in reasons:
            self._say(f"{name}: {reason}")
        if data:
            self.workflow.quarantine(data, file=name, reason=" ".join(reasons), actor=self._actor)
        return True


def _look_at(path: Path) -> Look | None:
    """How the file looks; None for what is hidden, unfinished by its name, gone or no file."""
    if path.name.startswith(".") or path.suffix.lower() in _UNFINISHED:
        return None
    try:
        status = path.stat()
    except OSError:
        return None
    return Look(status.st_size, status.st_mtime_ns) if S_ISREG(status.st_mode) else None


def _is_in(path: Path, folder: Path) -> bool:
    return path == folder or folder in path.parents


class Watching:
    """Looks every few seconds, in a thread of its own or in this one, until it is stopped."""

    def __init__(self, watch: FolderWatch, *, every_s: float) -> None:
        self._watch = watch
        self._settler = MapSettler(watch.workflow)
        self._every_s = every_s
        self._stopped = watch.stopping
        self._thread = Thread(target=self.run, name="folder watch", daemon=True)

    def start(self) -> Watching:
        """Begin in a thread."""
        self._thread.start()
        return self

    def ask_to_stop(self) -> None:
        """End after the files in hand, without waiting for it."""
        self._stopped.set()

    def stop(self) -> None:
        """End after the files in hand, and wait for it."""
        self._stopped.set()
        if self._thread.is_alive():
            self._thread.join()

    def run(self) -> None:
        """Look until stopped. What fails is tried again: nothing in the folder is ever removed."""
        has_failed = False
        while not self._stopped.is_set():
            try:
                self._watch.look()
                has_failed = False
                while not self._stopped.is_set() and self._settler.step():
                    pass
            except (DosetrackError, OSError) as error:
                if not has_failed:
                    _LOG.error("files could not be taken in (%s); they are tried again", error)
                has_failed = True
            self._stopped.wait(self._every_s)
